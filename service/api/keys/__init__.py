"""Keys over HTTP: made, listed, rotated and revoked."""
