"""The metadata with every table of the database, for migrations, backups and tests."""

from __future__ import annotations

from service.db import item_tables, request_tables, tables

METADATA = tables.METADATA
# Importing them put their tables into it.
assert METADATA is request_tables.REQUESTS.metadata is item_tables.ITEMS.metadata
