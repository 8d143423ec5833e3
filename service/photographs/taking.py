"""Take a photograph as it was sent: look at its first bytes, have it made anew, and keep it."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping
from typing import IO, NamedTuple

import structlog

from models.costs import PHOTOGRAPH_MEMORY, PHOTOGRAPH_SECONDS
from service.blobs.store import Blobs
from service.children.runner import ChildFailedError, ChildRefusedError, run
from service.errors import ContentTypeError, PhotographError
from service.server.threads.pool import giving_place

FOLDER = "photographs"
JPEG, PNG, WEBP = "image/jpeg", "image/png", "image/webp"
KINDS: Mapping[str, str] = {JPEG: "JPEG", PNG: "PNG", WEBP: "WEBP"}  # media type → Pillow's name
_CHILD = "service.photographs.child"
_LONGEST_MARK = 12
_log = structlog.get_logger()


class Kept(NamedTuple):
    """A photograph among the files, by the digest of its bytes."""

    digest: str
    width: int
    height: int
    bytes: int


def keep(
    blobs: Blobs, form: str, body: IO[bytes], allow: Callable[[int], object]
) -> tuple[Kept, bytes, bytes]:
    """Make a photograph of this media type anew, and put it and its thumbnail among the files.

    `body`: a real file at its start. `allow`: is told how many bytes are about to be kept, and raises an
    error if they must not be. Return what was kept, and its bytes. Raises ContentTypeError, PhotographError,
    NoRoomError, FilesError; then nothing is kept.
    """
    _check_content(form, body)
    kept, picture, thumbnail = _remade(KINDS[form], body)
    allow(len(picture) + len(thumbnail))
    put(blobs, kept.digest, picture, thumbnail)
    return kept, picture, thumbnail


def put(blobs: Blobs, digest: str, picture: bytes, thumbnail: bytes) -> None:
    """Put both files of a photograph where they belong; the photograph itself comes last."""
    with giving_place():
        blobs.put(key_of(digest, thumbnail=True), thumbnail)
        blobs.put(key_of(digest), picture)


def key_of(digest: str, *, thumbnail: bool = False) -> str:
    """Return the key of a photograph among the files, or of its thumbnail."""
    return f"{FOLDER}/{digest[:2]}/{digest}{'-thumb' if thumbnail else ''}.jpg"


def digest_of(key: str) -> str:
    """Return the digest of the photograph that this key belongs to."""
    return key.rpartition("/")[2].partition(".")[0].removesuffix("-thumb")


def _check_content(form: str, body: IO[bytes]) -> None:
    mark = body.read(_LONGEST_MARK)
    body.seek(0)
    found = _form_of(mark)
    if found is None:
        raise ContentTypeError(
            "The body is no JPEG, PNG or WebP picture. Save the photograph as JPEG, then send it."
        )
    if found != form:
        raise ContentTypeError(f"The body is {found}, but Content-Type says {form}. Send it as {found}.")


def _form_of(mark: bytes) -> str | None:
    if mark.startswith(b"\xff\xd8\xff"):
        return JPEG
    if mark.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    return WEBP if mark[:4] == b"RIFF" and mark[8:] == b"WEBP" else None


def _remade(kind: str, body: IO[bytes]) -> tuple[Kept, bytes, bytes]:
    # A file that was read in Python stands further on for another process.
    os.lseek(body.fileno(), 0, os.SEEK_SET)
    try:
        answer = run(_CHILD, body, seconds=PHOTOGRAPH_SECONDS, memory=PHOTOGRAPH_MEMORY, arguments=[kind])
    except ChildRefusedError as refusal:
        raise PhotographError(str(refusal)) from None
    except ChildFailedError as failure:
        _log.warning("photograph not opened", reason=str(failure))
        raise PhotographError(
            "The photograph takes too long or too much memory to be opened. Send a smaller or simpler one."
        ) from None
    line, _, pictures = answer.partition(b"\n")
    head = json.loads(line)
    picture, thumbnail = pictures[: head["picture"]], pictures[head["picture"] :]
    digest = hashlib.sha256(picture).hexdigest()
    return Kept(digest, head["width"], head["height"], len(picture)), picture, thumbnail
