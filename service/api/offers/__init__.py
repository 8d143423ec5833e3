"""Offers: the most to pay for an instrument, on a buyer's terms, which can be kept under a name."""
