"""A body of any length, taken in whole and kept on disk while its rows are worked through.

Answering while the body still comes would need no disk, and would hang: most clients read nothing before they
have sent everything, and a service that waits for them to read takes in no more of it.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from tempfile import SpooledTemporaryFile
from typing import IO, Any

from flask import request
from werkzeug.exceptions import RequestEntityTooLarge

from service.errors import BodyError, NoRoomError

LONGEST_LINE = 64 * 1024  # in bytes; a row that uses every field is a thirtieth of it
_PIECE = 64 * 1024
_IN_MEMORY = 256 * 1024
_FULL = (errno.ENOSPC, errno.EDQUOT)


def take_in(limit: int) -> IO[bytes]:
    """The body, to be read from its start; closing it forgets it.

    Raises BodyError for a line that is too long, NoRoomError where the disk is full, werkzeug's for its size.
    """
    request.max_content_length = limit + 1
    kept = spool()
    try:
        with needing_room():
            _copy(kept, limit)
            kept.seek(0)
    except BaseException:
        kept.close()
        raise
    return kept


def spool() -> IO[bytes]:
    """A new file without a name, on disk once it is more than small; closing it forgets it."""
    kept: Any = SpooledTemporaryFile(_IN_MEMORY)  # noqa: SIM115  # whoever reads it closes it
    found: IO[bytes] = kept
    return found


@contextmanager
def needing_room() -> Iterator[None]:
    """Let the block write to such a file. Raises NoRoomError where the disk is full."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise NoRoomError("There is no room left to keep the body while it is worked through.") from None
        raise


def _copy(kept: IO[bytes], limit: int) -> None:
    size = run = 0  # bytes; those since the last end of a line
    while piece := request.stream.read(_PIECE):
        size += len(piece)
        if size > limit:
            raise RequestEntityTooLarge
        end = piece.find(b"\n")
        if run + (end if end >= 0 else len(piece)) > LONGEST_LINE:
            raise BodyError(f"A line is longer than {LONGEST_LINE} bytes; end each row with a line feed.")
        run = len(piece) - piece.rfind(b"\n") - 1 if end >= 0 else run + len(piece)
        kept.write(piece)
