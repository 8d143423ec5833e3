"""Outcomes: the later sale of a valued instrument, which is also a record of evidence."""
