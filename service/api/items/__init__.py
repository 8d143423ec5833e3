"""A dealer's stock: its items, in pages, in files, and as a feed of changes."""
