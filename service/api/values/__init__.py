"""The request for a value, and its figures: the value, its ranges and its reasons."""
