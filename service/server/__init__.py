"""The server and its workers: gunicorn, the log, the counts, and the price models in memory."""
