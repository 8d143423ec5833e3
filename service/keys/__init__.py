"""Keys of callers: their kinds, scopes and secrets, and the look-up of the caller of a request."""
