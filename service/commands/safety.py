"""Refuse to serve with a secret that can be guessed, or with a secret or database that others can read."""

from __future__ import annotations

import math
import shlex
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from sqlalchemy.engine import make_url

from service.blobs.store import folder_of
from service.settings import Settings

# Of 200,000 draws of 32 random hexadecimal digits the poorest was estimated at 87 bits. Once in thirty
# million draws they have fewer than 8 different characters.
_LEAST_BITS, _LEAST_LETTERS = 80, 8
_OTHERS = 0o077  # the rights of group and others in a file's mode


def guessable(secret: str) -> bool:
    """Say whether the secret is so regular that it can be guessed.

    The estimate is the entropy of its letters, counted over the shortest part that it repeats.
    """
    period = next(n for n in range(1, len(secret) + 1) if secret.startswith(secret[n:]))
    counts = Counter(secret[:period]).values()
    bits = sum(count * math.log2(period / count) for count in counts)
    return bits < _LEAST_BITS or len(counts) < _LEAST_LETTERS


def weaknesses(settings: Settings) -> Iterator[str]:
    """Say why the secret must not serve, if it must not, and how to make another."""
    if guessable(settings.secret):
        yield (
            "BOOKMATCH_SECRET is so regular that it can be guessed: make another with "
            "(umask 077; openssl rand -hex 32 > FILE), and new keys, since the old ones end with the old one"
        )


def exposures(settings: Settings, secret_files: Sequence[Path]) -> Iterator[str]:
    """Name each file with a secret or records that others than its owner can read or write."""
    for path in [*secret_files, *_database_files(settings.database)]:
        if path.is_file() and path.stat().st_mode & _OTHERS:
            yield f"{path} is open to others than its owner: chmod 600 {shlex.quote(str(path))}"
    folder = folder_of(settings)
    if folder is not None and folder.is_dir() and folder.stat().st_mode & _OTHERS:
        yield f"{folder} is open to others than its owner: chmod 700 {shlex.quote(str(folder))}"


def _database_files(address: str) -> list[Path]:
    url = make_url(address)
    if url.get_backend_name() != "sqlite" or not url.database:
        return []
    return [Path(url.database + ending) for ending in ("", "-wal", "-shm")]
