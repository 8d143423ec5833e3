"""Measure how error and range narrow with more records, and find the records that would help most."""
