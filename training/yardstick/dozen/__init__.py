"""Measure how good a fit of few sales is, with common practice and without, on markets of known truth."""
