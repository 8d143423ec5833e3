"""Backup and restore: one archive for SQLite and PostgreSQL alike, made while the service serves.

An archive is a zip. `tables/NAME.ndjson` holds a table, one row on each line; `bundles/VERSION/` the bundles
that kept valuations refer to, the current one and those to go back to; `store/` which one is current, and the
history. `manifest.json` says which revision the tables are of, what columns hold, and the size and hash of
every entry. The secret that keys depend on is not in it: without it keys open nothing.
"""
