"""The dearest bodies that the limits let pass: every place of an example, filled with what costs most."""

from __future__ import annotations

import copy
import gzip
import json
from collections.abc import Iterator
from typing import Any, NamedTuple

from hostile_pictures import refused

BODY, FILE, LINE = 256 * 1024, 4 * 2**20, 16_000
MOST_LINES = 50_000  # of a file of evidence
CSV, NDJSON, JSON = "text/csv", "application/x-ndjson", "application/json"


class Dear(NamedTuple):
    """A body and its name. `packed`: it is sent as gzip."""

    name: str
    body: bytes
    packed: bool = False

    @property
    def sent(self) -> bytes:
        return gzip.compress(self.body) if self.packed else self.body


def bodies_of(form: str, example: Any) -> Iterator[Dear]:
    """Yield the dearest bodies of a media type, made of the document's example."""
    if form == JSON and isinstance(example, dict):
        yield from of_object(example)
    elif form == NDJSON:
        yield from of_lines(json.loads(example))
    elif form.startswith("image/"):
        yield from of_picture(form)
    elif form == CSV:
        yield from of_table(example)
    else:
        yield from of_bytes()


def of_bytes() -> Iterator[Dear]:
    """Yield bytes of any kind, as many as a file of evidence has."""
    yield Dear("zeros", bytes(FILE))
    yield Dear("a bomb", bytes(2**20), packed=True)


def of_picture(form: str) -> Iterator[Dear]:
    """Yield the hostile pictures of this media type; what decodes them is a process of its own."""
    for name, upload in refused().items():
        if upload.form == form:
            yield Dear(name, upload.body)


# ── one object ───────────────────────────────────────────────────────────────


def of_object(example: Any, most: int = BODY) -> Iterator[Dear]:
    """Yield an object of `most` bytes for each place of the example and each way to fill it."""
    for path in places(example):
        found = at(example, path)
        where = "/".join(map(str, path)) or "the body"
        if isinstance(found, dict):
            stem = f"{path[-1]}aaa" if path else "conditionaaa"
            for name, members in {
                "unknown names": [f"k{n}" for n in range(most // 11)],
                "names like a known one": [f"{stem}{n}" for n in range(most // (len(stem) + 11))],
                "long names": ["condition.neck" * 14 + str(n) for n in range(most // 220)],
                "as many names as pass": [f"condition.necks{n}" for n in range(40)],
            }.items():
                yield Dear(f"{name} in {where}", put(example, path, {**found, **dict.fromkeys(members, 1)}))
            text = "{" + ",".join(f'"k{n}":1' for n in range(most // 12)) + ',"k1":1}'
            yield Dear(f"a name twice in {where}", raw(example, path, text))
        elif isinstance(found, list):
            for item in (7, "x", {}, [], found[0]):
                text = json.dumps(item, separators=(",", ":")) + ","
                filled = "[" + (text * ((most - 1500) // len(text)))[:-1] + "]"
                yield Dear(f"{text[:9]} again and again in {where}", raw(example, path, filled))
            junk = {f"condition.nec{n}": 1 for n in range(45)} | {
                group: {f"fini{n}": 1 for n in range(45)} for group in ("condition", "originality")
            }
            yield Dear(
                f"objects of junk in {where}", put(example, path, [junk] * (most // len(_text(junk)) - 2))
            )
        else:
            for name, text in {
                "a long text": json.dumps("conditionaaa" * (most // 12 - 200)),
                "wide letters": json.dumps("Ａ" * (most // 3 - 900), ensure_ascii=False),
                "a long number": "1" * (most - 1500),
                "nesting": "[" * 1000 + "]" * 1000,
                "control characters": json.dumps("\x01" * (most // 6 - 900)),
            }.items():
                yield Dear(f"{name} in {where}", raw(example, path, text))
    yield Dear("blanks around it", b" " * (most - 9000) + json.dumps(example).encode())
    yield Dear("brackets", b"[" * most)
    yield Dear("short lists", (b'{"a":[' + b"[]," * (most // 3 - 10))[:-1] + b"]}")


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Yield the path of every value inside."""
    yield path
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from places(inner, (*path, name))
    elif isinstance(value, list) and value:
        yield from places(value[0], (*path, 0))


def at(value: Any, path: tuple[str | int, ...]) -> Any:
    for name in path:
        value = value[name]
    return value


def put(example: Any, path: tuple[str | int, ...], new: Any) -> bytes:
    """The example as JSON, with this value at that path."""
    if not path:
        return _text(new)
    whole = copy.deepcopy(example)
    at(whole, path[:-1])[path[-1]] = new
    return _text(whole)


def _text(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()


def raw(example: Any, path: tuple[str | int, ...], text: str) -> bytes:
    """The example as JSON, with this text, which need not be JSON, at that path."""
    return put(example, path, "@@here@@").replace(b'"@@here@@"', text.encode())


# ── rows ─────────────────────────────────────────────────────────────────────


def of_lines(row: dict[str, Any]) -> Iterator[Dear]:
    """Yield lists of JSON lines: the same hostile line again and again, and every hostile row."""
    lines = {"{}": "{}", "blank": "", "no JSON": "x", "an array": "[]", "a space": " "}
    for name, line in lines.items():
        yield repeated(f"lines of {name}", line)
    yield Dear("a bomb", b"{}\n" * 2**20, packed=True)
    if "price" in row:  # a stock list may have as many lines as it likes, each of which is valued
        yield Dear("a line too many", (json.dumps(row).encode() + b"\n") * (MOST_LINES + 1))
    yield repeated("unknown makers", json.dumps({**row, "instrument": {"maker": "Ostviken", "model": "Da"}}))
    yield repeated("long ids", json.dumps({**row, "id": "\u20ac" * 3000, "instrument": {}}))
    for dear in of_object(row, LINE):
        if b"\n" not in dear.body:
            yield repeated(f"lines with {dear.name}", dear.body.decode())


def repeated(name: str, line: str, head: str = "") -> Dear:
    count = min(FILE // (len(line.encode()) + 1), MOST_LINES)
    return Dear(name, head.encode() + (line.encode() + b"\n") * count)


def of_table(example: str) -> Iterator[Dear]:
    """Yield tables with hostile headers and hostile rows."""
    head, row = example.splitlines()[:2]
    cells = row.split(",")
    rows = {
        "blank lines": "",
        "commas": "," * 300,
        "wide rows": ",a" * (LINE // 2),
        "open quotes": '"' + row,
        "long open quotes": '"' + "a," * (LINE // 2),
        "rows of one cell": "x",
        "digits in groups": "1" + ",111" * (LINE // 4) + "x",
        "unknown names": ",".join(f"{cell}conditionaaa" for cell in cells),
        "long names": ",".join(["condition" * 30] * len(cells)),
        "carriage returns": "\r" * LINE,
        "unreadable bytes": ",".join(["\u20ac" * 50] * len(cells)),
    }
    for name, line in rows.items():
        yield repeated(name, line, f"{head}\n")
    wide = ",".join(f"conditio{n}" for n in range(1200))
    yield Dear("a wide header", f"{wide}\n{wide}\n".encode())
    yield repeated("a header with names alike and rows", ",".join(cells), f"{head},{wide}\n")
    yield Dear("a column again and again", (",".join(["id"] * 5000) + "\n").encode())
    yield repeated("an open quote in the header", "a,b", '"id,')
    yield repeated("headers of nothing", ",")
