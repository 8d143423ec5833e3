"""A dealer's stock: its items, their values, and the feed by which others follow them."""
