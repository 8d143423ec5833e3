"""Decisions of a dealer: why a value moved, the most to pay, what an asked price means, what many bring."""
