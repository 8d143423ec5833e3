"""The bundles, the store that keeps them, and the rule that says which are provisional."""
