"""Watchlists: names of instruments that a caller keeps an eye on."""
