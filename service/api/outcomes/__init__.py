"""Outcomes: what a valued instrument was later sold for, each at once a record of evidence."""
