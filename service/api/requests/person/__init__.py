"""Notes and history of a request, and its owner, who can be erased."""
