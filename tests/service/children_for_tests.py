"""A module for a child of the tests: its `main` obeys the first argument."""

from __future__ import annotations

import os
import time

from service.children.refusal import RefusedInput


def main(given: bytes, arguments: list[str]) -> bytes:
    match arguments[0]:
        case "double":
            return given * 2
        case "refuse":
            raise RefusedInput("it is green\nand not blue")
        case "fail":
            raise ValueError("a secret of the input")
        case "eat":
            return b"x" * len(bytearray(2**28))
        case "spin":
            while True:
                pass
        case "sleep":
            time.sleep(60)
        case "niceness":
            return str(os.nice(0)).encode()
    raise AssertionError(arguments)
