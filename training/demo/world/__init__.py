"""The world of the demo market: workshops, names, price parameters, specimens and their true values."""
