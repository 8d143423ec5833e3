"""Judge values against prices paid: those of a model, and those that a service gave in the past."""
