"""Valuations over HTTP: make, keep and show them; give ranges or reasons without keeping them."""
