"""HTTP, shared by all nouns: views, bodies, answers, lists in pages."""
