"""Measure how often buying at the most to pay loses money, on markets not used in development."""
