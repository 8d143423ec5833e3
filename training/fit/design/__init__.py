"""From evidence to one regression problem: recipes of bases, terms, what is typical, the design."""
