"""Decisions of a dealer: why a value moved, the most to pay, what a price asked means, what many are worth."""
