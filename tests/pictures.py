"""Pictures made by the tests: honest ones, and the pieces that hostile ones are made of."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
from PIL import Image, ImageCms

JPEG, PNG, WEBP = "image/jpeg", "image/png", "image/webp"
PLACE, WORDS = b"bookmatch-secret-place", b"bookmatch-secret-words"


def encoded(image: Image.Image, kind: str, **options: Any) -> bytes:
    written = io.BytesIO()
    image.save(written, kind, **options)
    return written.getvalue()


def noise(width: int, height: int, grain: int = 8) -> Image.Image:
    """A picture of random colours, the same at every call, with spots of so many pixels."""
    drawn = np.random.default_rng(7).integers(0, 255, (height // grain + 1, width // grain + 1, 3), np.uint8)
    return Image.fromarray(drawn).resize((width, height), Image.Resampling.BICUBIC)


def jpeg(width: int = 320, height: int = 240, **options: Any) -> bytes:
    return encoded(noise(width, height), "JPEG", **options)


def png(width: int = 320, height: int = 240) -> bytes:
    return encoded(noise(width, height), "PNG")


def webp(width: int = 320, height: int = 240) -> bytes:
    return encoded(noise(width, height), "WEBP")


def quarters(width: int = 400, height: int = 200) -> Image.Image:
    """Red, green, blue and white quarters, by which a test sees which way is up."""
    image = Image.new("RGB", (width, height), "white")
    for colour, x, y in (("red", 0, 0), ("lime", width // 2, 0), ("blue", 0, height // 2)):
        image.paste(colour, (x, y, x + width // 2, y + height // 2))
    return image


# ── tags ─────────────────────────────────────────────────────────────────────


def tagged(image: Image.Image | None = None, turn: int = 1) -> bytes:
    """A JPEG with EXIF (a place by GPS, words), XMP, IPTC, a comment, a profile and bytes behind it."""
    exif = Image.Exif()
    exif[0x0112] = turn
    exif[0x010F] = WORDS.decode()
    exif[0x9286] = PLACE.decode()
    place = {1: "N", 2: (52.0, 31.0, 12.5), 3: "E", 4: (13.0, 24.0, 36.25), 27: PLACE}
    exif.get_ifd(0x8825).update(place)
    about = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><photoshop:City>' + PLACE + b"</photoshop:City></x:xmpmeta>"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    found = encoded(
        image or noise(640, 480),
        "JPEG",
        exif=exif,
        xmp=about,
        comment=WORDS,
        icc_profile=profile,
        extra=segment(0xED, b"Photoshop 3.0\0" + b"8BIM\x04\x04\0\0" + WORDS),
    )
    return found + PLACE  # and behind the picture


def segment(marker: int, content: bytes) -> bytes:
    """A segment of a JPEG."""
    return bytes([0xFF, marker]) + struct.pack(">H", len(content) + 2) + content


def within(picture: bytes, *segments: bytes) -> bytes:
    """A JPEG with these segments right after its first two bytes."""
    return picture[:2] + b"".join(segments) + picture[2:]


def segments_of(picture: bytes) -> Iterator[int]:
    """The markers of a JPEG's segments up to its pixels."""
    at = 2
    while picture[at + 1] != 0xDA:
        yield picture[at + 1]
        at += 2 + struct.unpack(">H", picture[at + 2 : at + 4])[0]


# ── parts of PNG and WebP ────────────────────────────────────────────────────


def chunk(name: bytes, content: bytes) -> bytes:
    """A chunk of a PNG."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def png_of(width: int, height: int, *chunks: bytes, depth: int = 8, colour: int = 2) -> bytes:
    """A PNG with this head, these chunks, and its end."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks) + chunk(b"IEND", b"")


@cache
def zeros(megabytes: int) -> bytes:
    """So many megabytes of zeros, packed a thousandfold."""
    packer = zlib.compressobj(9)
    return b"".join(packer.compress(bytes(2**20)) for _ in range(megabytes)) + packer.flush()


def webp_of(width: int, height: int, content: bytes, flags: int = 0) -> bytes:
    """A WebP whose head claims this size, around the content of another."""
    size = struct.pack("<I", width - 1)[:3] + struct.pack("<I", height - 1)[:3]
    body = b"WEBPVP8X" + struct.pack("<IB3x", 10, flags) + size + content[12:]
    return b"RIFF" + struct.pack("<I", len(body)) + body


# ── several pictures in one ──────────────────────────────────────────────────


def multi_picture(kind: int) -> bytes:
    """A JPEG of two pictures (CIPA DC-007), whose second is of this kind."""
    first, second = noise(320, 240), noise(160, 120, 4)
    found = encoded(first, "MPO", save_all=True, append_images=[second])
    head = found.index(b"MPF\0") + 4
    listed = found.index(struct.pack("<HHI", 0xB002, 7, 32), head)  # two entries of 16 bytes
    second = head + struct.unpack("<I", found[listed + 8 : listed + 12])[0] + 16
    assert struct.unpack("<I", found[second : second + 4]) == (0,), "it is of no stated kind"
    return found[:second] + struct.pack("<I", kind) + found[second + 4 :]


def animated(kind: str) -> bytes:
    frames = [noise(64, 64, grain) for grain in (2, 4, 8)]
    return encoded(frames[0], kind, save_all=True, append_images=frames[1:], duration=100)
