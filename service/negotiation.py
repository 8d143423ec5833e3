"""What a request says of forms: which one the caller accepts, and how its body is compressed."""

from __future__ import annotations

import io
import re
import zlib
from typing import Any

from flask import request
from werkzeug.datastructures import MIMEAccept
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.wsgi import get_input_stream

from service.errors import BodyError, EncodingError, NotAcceptableError
from service.web import form_of

_RANGE = re.compile(r"(\*/\*|[\w!#$%&'+.^`|~-]+/(\*|[\w!#$%&'+.^`|~-]+))", re.ASCII)
_GZIP = ("gzip", "x-gzip")  # the second is the first by its old name (RFC 9110, section 8.4.1.3)
_PIECE = 64 * 1024
# Lists may be long. What unpacks to more than so many times itself, and to so many bytes, is none.
_MOST, _TRUSTED = 200, 8 * 2**20


def check_forms() -> None:
    """Check what the caller accepts and unpack the body. Raises NotAcceptableError, EncodingError."""
    environ = request.environ
    accept = environ.get("HTTP_ACCEPT")
    if accept and accept != "*/*" and request.path.startswith("/v1/"):
        # The rule, not the path: a record's own id can end with what looks like a form.
        form = form_of(request.url_rule.rule if request.url_rule else request.path)
        if accept != form:
            _check_accept(form)
    coding = environ.get("HTTP_CONTENT_ENCODING")
    if coding:
        _inflate(environ, coding.strip().lower())


def _check_accept(form: str) -> None:
    if _quality(request.accept_mimetypes, form) == 0:
        raise NotAcceptableError(f"Request a format that this path offers: {form}.")


def _quality(accepted: MIMEAccept, form: str) -> float:
    """What the header gives this form: that of the closest range. One that cannot be read says nothing."""
    ranges = [(value.partition(";")[0].strip().lower(), quality) for value, quality in accepted]
    ranges = [(value, quality) for value, quality in ranges if _RANGE.fullmatch(value)]
    for wanted in (form, form.partition("/")[0] + "/*", "*/*"):
        found = [quality for value, quality in ranges if value == wanted]
        if found:
            return max(found)
    return 0.0 if ranges else 1.0


def _inflate(environ: dict[str, Any], coding: str) -> None:
    if coding == "identity":
        return
    if coding not in _GZIP:
        raise EncodingError("The body can be compressed with gzip, or not at all.")
    environ["wsgi.input"] = Inflated(get_input_stream(environ, safe_fallback=False))
    # Whoever reads now meets the limit of bodies in what comes out, not in what was sent.
    environ["wsgi.input_terminated"] = True
    environ.pop("CONTENT_LENGTH", None)


class Inflated(io.RawIOBase):
    """What a stream of gzip holds (RFC 1952), inflated only as far as it is read.

    Reading raises BodyError for what is no gzip, is cut short, or holds next to nothing in many bytes.
    """

    def __init__(self, packed: Any) -> None:
        self._packed = packed
        self._left = b""  # read, and not yet inflated
        self._member: Any = None  # the one that is being inflated: a stream can hold several
        self._in = self._out = 0  # bytes

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Up to as many bytes as the buffer holds; 0 at the end."""
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
        if self._in - self._out > _PIECE:  # empty blocks could be sent for ever, and no limit would be met
            raise BodyError("The body is gzip that holds next to nothing.")
        if self._out > _TRUSTED and self._out > self._in * _MOST:
            raise RequestEntityTooLarge
