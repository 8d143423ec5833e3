"""The model card: what a bundle was judged to be worth, as a page for people and as JSON for programs."""
