"""Photographs and issued reports: files in a folder, or in an S3-compatible store.

A file is known by its key, a path of parts that the program chose itself; no name from outside is in one. A
key names content that never changes, most by its digest, so that writing it again does no harm.
"""
