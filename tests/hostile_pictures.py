"""The corpus of hostile uploads: each name with what it says it is, its body, and how it has to be refused.

`REFUSED` are refused with the status and the problem named here. `CLEANED` are usable pictures that carry
something: they are taken, and what they carry is not. `TAKEN` are unusual, and right as they are.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

import numpy as np
from pictures import (
    JPEG,
    PNG,
    WEBP,
    WORDS,
    animated,
    chunk,
    encoded,
    jpeg,
    multi_picture,
    noise,
    png,
    png_of,
    segment,
    webp,
    webp_of,
    within,
    zeros,
)
from PIL import Image

TYPE, PICTURE, QUERY = (415, "content-type"), (422, "photograph"), (422, "fields")
SCRIPT = b"<script>alert(1)</script>"
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)">' + SCRIPT + b"</svg>"
HTML = b"<!doctype html><title>x</title>" + SCRIPT
PDF = b"%PDF-1.7\n1 0 obj<</Type/Catalog/OpenAction<</S/JavaScript/JS(app.alert(1))>>>>endobj\n%%EOF"


class Upload(NamedTuple):
    """A body, the media type that it is sent as, how it is refused, and the view that is asked for."""

    form: str
    body: bytes
    refused: tuple[int, str] = PICTURE
    query: str = "?view=front"


@cache
def archive() -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w") as packed:
        packed.writestr("../../etc/cron.d/x", WORDS)
    return written.getvalue()


def _strip(width: int, height: int) -> bytes:
    return encoded(Image.new("L", (width, height)), "PNG")


def _jpeg_claiming(width: int, height: int) -> bytes:
    body = jpeg()
    at = body.index(b"\xff\xc0") + 5
    return body[:at] + struct.pack(">HH", height, width) + body[at + 4 :]


def _types() -> Mapping[str, Upload]:
    gif = encoded(noise(32, 32), "GIF")
    return {
        "SVG with script": Upload(JPEG, SVG, TYPE),
        "SVG with script, as it says itself": Upload("image/svg+xml", SVG, TYPE),
        "HTML as JPEG": Upload(JPEG, HTML, TYPE),
        "HTML as it says itself": Upload("text/html", HTML, TYPE),
        "GIF as JPEG": Upload(JPEG, gif, TYPE),
        "GIF with a JPEG behind": Upload(JPEG, gif + jpeg(), TYPE),
        "ZIP as WebP": Upload(WEBP, archive(), TYPE),
        "PDF as PNG": Upload(PNG, PDF, TYPE),
        "PDF with a JPEG behind": Upload(JPEG, PDF + jpeg(), TYPE),
        "HTML with a JPEG behind": Upload(JPEG, HTML + jpeg(), TYPE),
        "PNG as JPEG": Upload(JPEG, png(), TYPE),
        "JPEG as PNG": Upload(PNG, jpeg(), TYPE),
        "WebP as PNG": Upload(PNG, webp(), TYPE),
        "TIFF as JPEG": Upload(JPEG, encoded(noise(32, 32), "TIFF"), TYPE),
        "BMP as PNG": Upload(PNG, encoded(noise(32, 32), "BMP"), TYPE),
        "JPEG of no stated type": Upload("", jpeg(), TYPE),
        "JPEG as a form": Upload("multipart/form-data; boundary=x", jpeg(), TYPE),
        "nothing": Upload(JPEG, b"", TYPE),
        "a RIFF that is sound": Upload(WEBP, b"RIFF\x24\0\0\0WAVEfmt ", TYPE),
    }


def _sizes() -> Mapping[str, Upload]:
    row = b"\0" + bytes(3 * 60_000)
    return {
        "a strip 60,000 wide": Upload(PNG, _strip(60_000, 1)),
        "a strip 60,000 high": Upload(PNG, _strip(1, 60_000)),
        "a JPEG strip 60,000 wide": Upload(JPEG, encoded(Image.new("L", (60_000, 8)), "JPEG")),
        "a PNG that claims 60,000 × 60,000": Upload(
            PNG, png_of(60_000, 60_000, chunk(b"IDAT", zlib.compress(row)))
        ),
        "a JPEG that claims 60,000 × 60,000": Upload(JPEG, _jpeg_claiming(60_000, 60_000)),
        "a JPEG that claims 19,000 × 19,000": Upload(JPEG, _jpeg_claiming(19_000, 19_000)),
        "a WebP that claims 16,383 × 16,383": Upload(WEBP, webp_of(16_383, 16_383, webp())),
        "a WebP of 25 million pixels": Upload(
            WEBP, encoded(Image.new("L", (5_000, 5_000)), "WEBP", lossless=True)
        ),
        "a PNG of 400 million pixels": Upload(PNG, png_of(20_000, 20_000, chunk(b"IDAT", zeros(64)))),
        "a PNG of no size": Upload(PNG, png_of(0, 0, chunk(b"IDAT", zlib.compress(b"")))),
        "a profile of 256 MB": Upload(PNG, _before_pixels(chunk(b"iCCP", b"x\0\0" + zeros(256)))),
        "a text of 256 MB": Upload(PNG, _before_pixels(chunk(b"zTXt", b"x\0\0" + zeros(256)))),
        "a hundred texts of 1 MB": Upload(PNG, _before_pixels(*[chunk(b"zTXt", b"x\0\0" + zeros(1))] * 100)),
    }


def _before_pixels(*chunks: bytes) -> bytes:
    found = png()
    return found[:33] + b"".join(chunks) + found[33:]


def _cut() -> Mapping[str, Upload]:
    bodies = {"JPEG": (JPEG, jpeg()), "PNG": (PNG, png()), "WebP": (WEBP, webp())}
    parts = {"its head": 24, "a tenth": 0.1, "half": 0.5, "nine tenths": 0.9}
    return {
        f"{kind} cut after {name}": Upload(
            form, body[: part if isinstance(part, int) else int(len(body) * part)]
        )
        for kind, (form, body) in bodies.items()
        for name, part in parts.items()
    } | {"PNG without its end": Upload(PNG, png()[:-12])}


def _several() -> Mapping[str, Upload]:
    return {
        "an animated WebP": Upload(WEBP, animated("WEBP")),
        "an animated PNG": Upload(PNG, animated("PNG")),
        "a JPEG of two views": Upload(JPEG, multi_picture(0x020002)),
        "a JPEG of a panorama": Upload(JPEG, multi_picture(0x020001)),
    }


def _queries() -> Mapping[str, Upload]:
    tricks = {
        "a path as view": "?view=../../../etc/passwd",
        "a path as view, encoded": "?view=..%2f..%2fetc%2fpasswd",
        "a null byte in the view": "?view=front%00.svg",
        "a name in the query": "?view=front&name=../../x.jpg",
        "a script as view": "?view=%3Cscript%3E",
        "no view": "",
        "two views": "?view=front&view=back",
    }
    return {name: Upload(JPEG, jpeg(), QUERY, query) for name, query in tricks.items()}


@cache
def refused() -> Mapping[str, Upload]:
    return {**_types(), **_sizes(), **_cut(), **_several(), **_queries()}


def _tags(behind: bytes, *entries: tuple[int, int, int, int]) -> Upload:
    """A JPEG with these entries of EXIF (tag, type, count, value), and bytes behind them."""
    head = b"Exif\0\0II*\0" + struct.pack("<IH", 8, len(entries))
    listed = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return Upload(JPEG, within(jpeg(), segment(0xE1, head + listed + behind)))


@cache
def cleaned() -> Mapping[str, Upload]:
    """Usable pictures with something in or behind them that must not be kept."""
    text = b"\0\0\0\0" + WORDS
    return {
        "a JPEG with a ZIP behind": Upload(JPEG, jpeg() + archive()),
        "a JPEG with a PDF in a comment": Upload(JPEG, within(jpeg(), segment(0xFE, PDF + WORDS))),
        "a JPEG with script in a comment": Upload(JPEG, within(jpeg(), segment(0xFE, SCRIPT + WORDS))),
        "a PNG with script in a text": Upload(
            PNG, _before_pixels(chunk(b"tEXt", b"Title\0" + SCRIPT + WORDS))
        ),
        "a PNG with HTML behind": Upload(PNG, png() + HTML + WORDS),
        "a WebP with a ZIP behind": Upload(WEBP, webp() + archive()),
        "EXIF with huge counts": _tags(text, (0x010F, 2, 0xFFFFFFFF, 26), (0x8825, 4, 0x7FFFFFFF, 8)),
        "EXIF that points at itself": _tags(text, (0x8769, 4, 1, 8)),
        "EXIF turned by 65,535": _tags(text, (0x0112, 3, 1, 65_535)),
        "a profile that is none": Upload(
            JPEG, within(jpeg(), segment(0xE2, b"ICC_PROFILE\0\1\1" + WORDS * 40))
        ),
        "a PNG with 64 MB behind its pixels": Upload(
            PNG,
            png_of(
                16,
                16,
                chunk(b"IDAT", zlib.compress(bytes(49 * 16)) + zeros(64)),
                chunk(b"tEXt", b"x\0" + WORDS),
            ),
        ),
        "a text of 256 MB behind the pixels": Upload(
            PNG, png()[:-12] + chunk(b"zTXt", b"x\0\0" + zeros(256)) + png()[-12:]
        ),
        "a telephone's JPEG with a map of brightness": Upload(JPEG, multi_picture(0) + WORDS),
    }


@cache
def taken() -> Mapping[str, Upload]:
    """Unusual pictures that are right."""
    grey16 = Image.fromarray(np.linspace(0, 65_535, 320 * 240).astype(np.uint16).reshape(240, 320))
    clear = noise(320, 240)
    clear.putalpha(0)
    return {
        "CMYK": Upload(JPEG, encoded(noise(320, 240).convert("CMYK"), "JPEG")),
        "grey of 16 bits": Upload(PNG, encoded(grey16, "PNG")),
        "colours of 16 bits": Upload(
            PNG, png_of(2, 1, chunk(b"IDAT", zlib.compress(b"\0" + b"\xff\xff\0\0\0\0" * 2)), depth=16)
        ),
        "a palette": Upload(PNG, encoded(noise(320, 240).quantize(16), "PNG")),
        "a palette with a clear colour": Upload(
            PNG, encoded(noise(320, 240).quantize(16), "PNG", transparency=3)
        ),
        "1 bit": Upload(PNG, encoded(noise(320, 240).convert("1"), "PNG")),
        "grey": Upload(JPEG, encoded(noise(320, 240).convert("L"), "JPEG")),
        "grey with alpha": Upload(PNG, encoded(clear.convert("LA"), "PNG")),
        "all clear": Upload(PNG, encoded(clear, "PNG")),
        "a clear WebP": Upload(WEBP, encoded(clear, "WEBP", lossless=True)),
        "in steps": Upload(JPEG, jpeg(progressive=True)),
        "one pixel": Upload(JPEG, encoded(Image.new("RGB", (1, 1)), "JPEG")),
        "20,000 wide": Upload(PNG, _strip(20_000, 1)),
    }
