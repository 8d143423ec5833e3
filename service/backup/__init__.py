"""Backup and restore: one archive for SQLite and PostgreSQL alike, made while the service runs.

An archive is a zip file. `tables/NAME.ndjson` holds a table, one row on each line. `bundles/VERSION/` holds a
bundle: each one that a kept valuation names, the current one, and those that a rollback can restore. `store/`
holds the name of the current bundle and the history of promotions. `files/KEY` is a file of `service.blobs`,
if they lie in a folder; an S3-compatible store has backups of its own. `manifest.json` has the revision of
the tables, the types of their columns, and the size and hash of every entry. `seal` is the HMAC of that
manifest under the service's secret, so that an archive which was changed, or made elsewhere, is known as
such. The secret, which the digests of keys depend on too, is not in the archive: without it no key works.
"""
