"""Whether the service lives and whether it can answer."""
