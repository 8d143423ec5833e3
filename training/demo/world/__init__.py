"""The world of the demo market: workshops, names, natures, specimens and what is true of them."""
