"""Revaluations of the stock, and the history of each item's values."""
