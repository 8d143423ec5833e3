"""Deliveries of an e-mail: into a folder of files, or to a mail server."""
