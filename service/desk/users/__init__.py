"""Who may sign in at the desk, and their sessions."""
