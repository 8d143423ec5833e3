"""Bundles of fitted price models, the store that keeps them, and the rule by which one is provisional."""
