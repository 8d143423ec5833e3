"""Decisions of a dealer: why a value moved, the most to pay, and what an asked price means."""
