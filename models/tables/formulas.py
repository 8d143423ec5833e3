"""Cells of CSV that a spreadsheet program would take for formulas, and what is written in their place."""

import re

# OWASP, "CSV Injection": a cell that begins so can be run when the file is opened.
_STARTS = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def plain_cell(text: str) -> str:
    """Return a text from a caller as a cell that no spreadsheet runs; a number stays a number.

    A text that has such an apostrophe of its own gets another one, so that `unplain_cell` tells them apart.
    """
    bare = text.lstrip("'")
    if bare.startswith(_STARTS) and not _NUMBER.fullmatch(bare):
        return f"'{text}"
    return text


def unplain_cell(cell: str) -> str:
    """Return the text that `plain_cell` wrote as this cell."""
    return cell[1:] if cell.startswith("'") and plain_cell(cell[1:]) == cell else cell
