"""The model card: how good a bundle's price model was judged to be, as HTML and as JSON."""
