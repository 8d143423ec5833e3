"""How many requests who asks has left."""
