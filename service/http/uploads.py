"""Receive a body of any length as a whole, and keep it on disk while its rows are processed.

Answering while the body still comes in would need no disk, but could hang: most clients read no answer before
they have sent everything, and a service that waits for them to read receives no more of the body.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from tempfile import SpooledTemporaryFile
from typing import IO, Any

from flask import request
from werkzeug.exceptions import RequestEntityTooLarge

from models.costs import LONGEST_LINE
from service.errors import BodyError, NoRoomError

_PIECE_OF_LINES = LONGEST_LINE  # so that no line within a piece is too long
_PIECE = 512 * 1024  # each piece costs other requests a turn
_IN_MEMORY = 256 * 1024
_FULL = (errno.ENOSPC, errno.EDQUOT)


def take_in(limit: int, *, lines: bool = True) -> IO[bytes]:
    """Receive the request's body of `limit` bytes at most, and return it as a file, which closing deletes.

    `lines`: the body is text, and no line of it may be too long; else it lies on the disk whatever its
    length, so that another process can read it. Raises BodyError for a line that is too long, NoRoomError for
    a full disk, RequestEntityTooLarge.
    """
    request.max_content_length = limit + 1
    kept = spool()
    try:
        with needing_room():
            _copy(kept, limit, lines)
            if not lines:
                kept.fileno()  # asking for it moves the file from memory to the disk
            kept.seek(0)
    except BaseException:
        kept.close()
        raise
    return kept


def spool() -> IO[bytes]:
    """Open a temporary file without a name, in memory while it is small; closing deletes it."""
    kept: Any = SpooledTemporaryFile(_IN_MEMORY)  # noqa: SIM115  # whoever reads it closes it
    found: IO[bytes] = kept
    return found


@contextmanager
def needing_room() -> Iterator[None]:
    """Run a block that writes to a temporary file. Raises NoRoomError where the disk is full."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise NoRoomError("There is no room left to keep the body while it is worked through.") from None
        raise


def _copy(kept: IO[bytes], limit: int, lines: bool) -> None:
    size = run = 0  # bytes of the whole body, and of its last line so far
    while piece := request.stream.read(_PIECE_OF_LINES if lines else _PIECE):
        size += len(piece)
        if size > limit:
            raise RequestEntityTooLarge
        end = piece.find(b"\n")
        if lines and run + (end if end >= 0 else len(piece)) > LONGEST_LINE:
            raise BodyError(f"A line is longer than {LONGEST_LINE} bytes; end each row with a line feed.")
        run = len(piece) - piece.rfind(b"\n") - 1 if end >= 0 else run + len(piece)
        kept.write(piece)
