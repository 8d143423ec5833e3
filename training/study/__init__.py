"""Judge a price model by sales new to it, and check it before promotion (`models.study` has the figures)."""
