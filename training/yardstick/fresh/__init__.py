"""Measure what trees add to the model without them (the backbone), on markets not used in development."""
