"""Turn a JPEG, PNG or WebP of a stranger into two JPEGs of our own; only ever run by `child`.

Memory is bounded by the limit on pixels: a JPEG of twice the size that is kept is decoded at half its size,
and every other picture is made smaller band by band, before anything else is made of it.
"""

from __future__ import annotations

import io
import warnings
import zlib
from math import ceil
from typing import NamedTuple

from PIL import Image, ImageCms, PngImagePlugin

from models.costs import LONGEST_SIDE, MOST_PIXELS, MOST_WEBP_PIXELS, PHOTOGRAPH_SIDE, THUMBNAIL_SIDE
from service.children.refusal import RefusedInput

_ORIENTATION = 0x0112  # the EXIF tag that says how the camera was held
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_QUALITY, _THUMBNAIL_QUALITY = 88, 80
_BAND = 64  # rows of the smaller picture that are made at once
_MP_ENTRIES, _MP_TYPE = 0xB002, "MPType"
_PNG_END = b"IEND\xaeB`\x82"  # the last chunk's name and checksum
# What Pillow raises for a file that is not as its format demands.
_BROKEN = (OSError, ValueError, SyntaxError, IndexError, KeyError, TypeError, EOFError, ArithmeticError)
_MEGA = 1_000_000
# Pillow's own limit holds for every frame and tile that it makes, ours says more plainly why.
Image.MAX_IMAGE_PIXELS = MOST_PIXELS
PngImagePlugin.MAX_TEXT_MEMORY = 4 * 2**20  # bytes of all texts, which are unpacked only to be left out
warnings.simplefilter("ignore")  # a broken tag is no matter: no tag is kept
warnings.simplefilter("error", Image.DecompressionBombWarning)


class Remade(NamedTuple):
    """The picture that is kept, as JPEG, with its size, and a small one of it."""

    width: int
    height: int
    picture: bytes
    thumbnail: bytes


def remade(body: bytes, kind: str) -> Remade:
    """Decode a picture of this kind (as Pillow names it) and write it anew. Raises RefusedInput."""
    try:
        picture = _decoded(body, kind)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise RefusedInput(_too_many()) from None
    except (*_BROKEN, zlib.error):
        raise RefusedInput(
            f"The photograph cannot be opened as {kind}: it is damaged, cut off or too large. Send another."
        ) from None
    thumbnail = _sized(picture, THUMBNAIL_SIDE)
    return Remade(*picture.size, _jpeg(picture, _QUALITY), _jpeg(thumbnail, _THUMBNAIL_QUALITY))


def _decoded(body: bytes, kind: str) -> Image.Image:
    """Return the picture as it is kept: upright, in sRGB, not too large, and with nothing but pixels."""
    with Image.open(io.BytesIO(body), formats=[kind]) as image:
        _check(image, kind)
        if kind == "PNG" and _PNG_END not in body:
            raise OSError("no end")
        profile, turn = image.info.get("icc_profile"), _turn_of(image)
        longest = max(image.size)
        if longest > PHOTOGRAPH_SIDE:
            wanted = [max(1, side * PHOTOGRAPH_SIDE // longest) for side in image.size]
            image.draft(None, (wanted[0], wanted[1]))
        image.load()
        small = _reduced(image)
    found = _in_srgb(_sized(small, PHOTOGRAPH_SIDE), profile)
    return found.transpose(_TURNS[turn]) if turn in _TURNS else found


def _check(image: Image.Image, kind: str) -> None:
    """Refuse by what the head of the file says, before a pixel is decoded."""
    width, height = image.size
    if max(width, height) > LONGEST_SIDE:
        raise RefusedInput(
            f"The photograph has {width:,} × {height:,} pixels, and a side can have {LONGEST_SIDE:,}. "
            "Send a smaller one."
        )
    most = MOST_WEBP_PIXELS if kind == "WEBP" else MOST_PIXELS
    if width * height > most:
        raise RefusedInput(_too_many(most))
    if _pictures(image) > 1:
        raise RefusedInput(
            "The file holds several pictures. Send each photograph as a file of its own, not animated."
        )


def _too_many(most: int = MOST_PIXELS) -> str:
    return f"The photograph has more than {most // _MEGA} million pixels. Send a smaller one."


def _pictures(image: Image.Image) -> int:
    """Count the pictures of a file that are meant to be seen.

    Telephones put a map of brightness or a preview behind the photograph (CIPA DC-007); it is left out.
    """
    listed = getattr(image, "mpinfo", None)
    if listed is None:
        return int(getattr(image, "n_frames", 1))
    others = listed[_MP_ENTRIES][1:]
    return 1 + sum(str(one["Attribute"][_MP_TYPE]).startswith("Multi-Frame") for one in others)


def _turn_of(image: Image.Image) -> int:
    """Return how the camera was held; as usual where the tags cannot be read."""
    try:
        return int(image.getexif().get(_ORIENTATION, 1))
    except (*_BROKEN, MemoryError):
        return 1


def _reduced(image: Image.Image) -> Image.Image:
    """Return the picture at a whole fraction of its size, not under the size that is kept, band by band."""
    factor = max(1, max(image.size) // PHOTOGRAPH_SIDE)
    width, height = image.size
    first = _plain(image.crop((0, 0, width, min(height, factor * _BAND))))
    found = Image.new(first.mode, (ceil(width / factor), ceil(height / factor)))
    for top in range(0, height, factor * _BAND):
        band = _plain(image.crop((0, top, width, min(height, top + factor * _BAND))))
        found.paste(band.reduce(factor), (0, top // factor))
    return found


def _plain(image: Image.Image) -> Image.Image:
    """Return the picture as grey, RGB or CMYK of 8 bits, on white where it is transparent."""
    if image.mode.startswith("I"):  # 16 bits of grey
        image = image.convert("I").point(lambda value: value * (1 / 256)).convert("L")
    if image.mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in image.info:
        clear = image.convert("RGBA")
        white = Image.new("RGB", image.size, "white")
        white.paste(clear, mask=clear.getchannel("A"))
        return white
    if image.mode == "1":
        return image.convert("L")
    return image if image.mode in ("L", "RGB", "CMYK") else image.convert("RGB")


def _in_srgb(image: Image.Image, profile: bytes | None) -> Image.Image:
    """Return the picture in sRGB. A profile that is unusable, or of another kind of picture, is ignored."""
    if profile:
        try:
            known = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            found = ImageCms.profileToProfile(image, known, ImageCms.createProfile("sRGB"), outputMode="RGB")
            if found is not None:
                return found
        except (ImageCms.PyCMSError, *_BROKEN):
            pass
    return image.convert("RGB")


def _sized(image: Image.Image, longest: int) -> Image.Image:
    """Return the picture with a long side of at most so many pixels."""
    width, height = image.size
    most = max(width, height)
    if most <= longest:
        return image
    size = (max(1, round(width * longest / most)), max(1, round(height * longest / most)))
    return image.resize(size, Image.Resampling.LANCZOS)


def _jpeg(image: Image.Image, quality: int) -> bytes:
    bare = Image.new("RGB", image.size)  # it has pixels alone; a picture that was read can have a comment
    bare.paste(image)
    written = io.BytesIO()
    bare.save(written, "JPEG", quality=quality, optimize=True)
    return written.getvalue()
