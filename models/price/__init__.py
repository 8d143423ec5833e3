"""The price model: what serving needs to turn a subject into a value, a range and reasons."""
