"""Reports: issue one, show it in each of its forms, and say whether bytes are it."""
