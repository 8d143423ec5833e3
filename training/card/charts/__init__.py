"""The charts of the model card, in one style."""
