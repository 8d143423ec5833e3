"""`python -m service.photographs.child KIND`: a picture on standard input, two JPEGs on standard output.

The answer is a line of JSON (`Head`), then the picture, then its thumbnail. A picture that is refused ends
the process with 2, and one line on standard error says why.
"""

from __future__ import annotations

import json
import sys

from service.photographs.decoding import UnusablePictureError, remade

_REFUSED = 2


def main() -> int:
    """Read the picture, write what was made of it, and return how the process ends."""
    body = sys.stdin.buffer.read()
    try:
        made = remade(body, sys.argv[1])
    except UnusablePictureError as error:
        return _refuse(str(error))
    except MemoryError:
        return _refuse("The photograph needs too much memory to be opened. Send a smaller or simpler one.")
    head = {"width": made.width, "height": made.height, "picture": len(made.picture)}
    sys.stdout.buffer.write(json.dumps(head).encode() + b"\n" + made.picture + made.thumbnail)
    return 0


def _refuse(reason: str) -> int:
    print(reason, file=sys.stderr)
    return _REFUSED


if __name__ == "__main__":
    sys.exit(main())
