"""Decisions of a dealer: the most to pay for an instrument, and what a price asked for it means."""
