"""Health: the process lives, and the service can answer."""
