"""E-mails that the service sends, and what came of each."""
