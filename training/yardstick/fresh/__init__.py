"""Measure what boosted trees add to the backbone's linear terms, on demo markets not used in development."""
