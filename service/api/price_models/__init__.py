"""Price models over HTTP: list them, show their cards, promote one, and roll back."""
