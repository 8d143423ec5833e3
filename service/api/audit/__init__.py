"""The audit over HTTP: who did what to keys and price models."""
