"""Decisions about a dealer's stock: what follows from values for those who buy, hold and sell."""
