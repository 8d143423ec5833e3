"""The spread of a core: how far prices scatter around values, learned from left-out sales."""
