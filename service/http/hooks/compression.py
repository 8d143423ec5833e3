"""Unpack bodies that were compressed with gzip."""

from __future__ import annotations

import io
import zlib
from typing import Any

from werkzeug.exceptions import RequestEntityTooLarge

from models.costs import MOST_INFLATED, TRUSTED_INFLATED
from service.errors import BodyError

_PIECE = 64 * 1024


class Inflated(io.RawIOBase):
    """A stream of gzip (RFC 1952), inflated only as far as it is read.

    Reading raises BodyError for a stream that is not gzip, is cut short, or unpacks to almost nothing, and
    RequestEntityTooLarge for one that unpacks to far too much.
    """

    def __init__(self, packed: Any) -> None:
        self._packed = packed
        self._left = b""  # bytes that were read and are not yet inflated
        self._member: Any = None  # decompressor of the current gzip member; a stream can hold several members
        self._in = self._out = 0  # bytes consumed, and bytes inflated, so far

    def readable(self) -> bool:
        """Return True: the stream can be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer as far as one step inflates, and return the number of bytes; 0 at the end."""
        if not len(buffer):
            return 0
        while True:
            ended = not self._left and not self._more()
            if ended and self._member is None:
                return 0
            data = self._step(len(buffer))
            if data:
                buffer[: len(data)] = data
                return len(data)
            if ended and self._member is not None:
                raise BodyError("The body is gzip that was cut short.")

    def _more(self) -> bool:
        self._left = self._packed.read(_PIECE)
        return bool(self._left)

    def _step(self, most: int) -> bytes:
        if self._member is None:
            self._member = zlib.decompressobj(wbits=31)
        before = len(self._left)
        try:
            data: bytes = self._member.decompress(self._left, most)
        except zlib.error:
            raise BodyError("The body is not the gzip that Content-Encoding says.") from None
        if self._member.eof:
            self._left, self._member = self._member.unused_data, None
        else:
            self._left = self._member.unconsumed_tail
        self._in += before - len(self._left)
        self._out += len(data)
        self._check_ratio()
        return data

    def _check_ratio(self) -> None:
        if self._in - self._out > _PIECE:  # endless empty blocks would meet no other limit
            raise BodyError("The body is gzip that holds next to nothing.")
        if self._out > max(TRUSTED_INFLATED, self._in * MOST_INFLATED):
            raise RequestEntityTooLarge
