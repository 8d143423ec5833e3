"""Turn evidence into one regression problem: typical values, terms, their basis functions, the design."""
