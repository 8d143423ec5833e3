"""Keys: who may ask for what."""
