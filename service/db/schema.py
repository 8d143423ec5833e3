"""The metadata with every table of the database, for migrations, backups and tests."""

from __future__ import annotations

from service.db import request_tables, tables

METADATA = tables.METADATA
assert request_tables.REQUESTS.metadata is METADATA  # its tables are in it because it was imported
