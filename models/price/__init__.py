"""The fitted price model, which turns a subject into a value, a range and reasons; no fitting code."""
