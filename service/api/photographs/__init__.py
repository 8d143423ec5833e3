"""Photographs of a request: sent by the owner, seen by the owner and the specialist alone."""
