"""The models that make values: what the current one was judged to be worth."""
