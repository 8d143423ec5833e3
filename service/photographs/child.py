"""Make a photograph anew in a process of its own, which `service.children` starts under its limits.

The answer is a line of JSON with `width`, `height` and the number of bytes of the `picture`, then the
picture, then its thumbnail.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from service.children.refusal import RefusedInput
from service.photographs.decoding import remade


def main(given: bytes, arguments: Sequence[str]) -> bytes:
    """Decode the picture `given`, of the kind that the argument names. Raises RefusedInput."""
    (kind,) = arguments
    try:
        made = remade(given, kind)
    except MemoryError:
        raise RefusedInput(
            "The photograph needs too much memory to be opened. Send a smaller or simpler one."
        ) from None
    head = {"width": made.width, "height": made.height, "picture": len(made.picture)}
    return json.dumps(head).encode() + b"\n" + made.picture + made.thumbnail
