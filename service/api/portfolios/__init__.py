"""Portfolios: the value of many items together, with the range of the total."""
