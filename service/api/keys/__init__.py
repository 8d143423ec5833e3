"""Keys over HTTP: make, list, rotate and revoke them."""
