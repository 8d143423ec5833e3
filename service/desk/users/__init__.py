"""The users of the desk, and their sessions."""
