"""Measure how often the range of a portfolio holds its true total, on markets not used in development."""
