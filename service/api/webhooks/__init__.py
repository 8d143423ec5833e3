"""Webhooks over HTTP: endpoints, their secrets, and what was delivered to them."""
