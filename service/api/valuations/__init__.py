"""Valuations: made, kept and shown again; ranges and reasons alone."""
