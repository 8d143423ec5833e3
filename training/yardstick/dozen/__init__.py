"""Measure how good fits of few sales are, with rules of common practice and without, on demo markets."""
