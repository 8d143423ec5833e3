"""Evidence as somebody else keeps it: other makers, another column order, a BOM, CRLF and bad rows.

Written without any of the project's own writers. Every price comes from `true_log`, so that what is fitted on
the file can be held against it.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

CATALOGUE = """
[[model]]
maker = "Voss & Töchter"
name = "Wiedehopf"
first_year = 1961
last_year = 1972

[[model]]
maker = "Voss & Töchter"
name = "Kleine Elster"
first_year = 1964
last_year = 1970

[[model]]
maker = "Atelier Quibéron d'Umbre"
name = "N° 4"
first_year = 1955
last_year = 1983

[[model]]
maker = "Pellawick Instrument Works"
name = "Tern Bass"
first_year = 1966
last_year = 1979
"""
MODELS: Mapping[tuple[str, str], tuple[float, int, int]] = {
    ("Voss & Töchter", "Wiedehopf"): (8.6, 1961, 1972),
    ("Voss & Töchter", "Kleine Elster"): (7.2, 1964, 1970),
    ("Atelier Quibéron d'Umbre", "N° 4"): (9.4, 1955, 1983),
    ("Pellawick Instrument Works", "Tern Bass"): (6.7, 1966, 1979),
}
# Not the order of `models.domain.evidence`, some of its columns missing, and one that it does not know.
COLUMNS = (
    "originality_finish",
    "price",
    "model",
    "shelf",
    "condition_top",
    "channel",
    "year",
    "id",
    "condition_neck",
    "currency",
    "maker",
    "originality_pickups",
    "date",
    "build",
    "kind",
    "condition_structure",
)
FIRST, LAST = date(2017, 1, 2), date(2023, 6, 30)
FINISH_COST = {"original": 0.0, "oversprayed": 0.2, "refinished": 0.55}
PICKUP_COST = {"original": 0.0, "period": 0.05, "modern": 0.15, "missing": 0.3}
STRUCTURE_COST = {
    "sound": 0.0,
    "repaired_crack": 0.1,
    "open_crack": 0.2,
    "repaired_headstock": 0.5,
    "broken_headstock": 0.8,
}
KIND_GAP = {"sale": 0.0, "asking": 0.4, "offer": -0.35}
NOISE = 0.08

Row = dict[str, str]
UsdPer = Callable[[str, date], float]


def true_log(row: Mapping[str, str]) -> float:
    """Log US dollars that this specimen is worth; a condition not known counts as what is common."""
    base = MODELS[row["maker"], row["model"]][0]
    wear = 0.05 * (float(row["condition_top"] or 2) + float(row["condition_neck"] or 2))
    parts = FINISH_COST[row["originality_finish"] or "original"]
    parts += PICKUP_COST[row["originality_pickups"] or "original"]
    parts += STRUCTURE_COST[row["condition_structure"] or "sound"]
    return base - wear - parts


def rows_of(kind: str, count: int, usd_per: UsdPer, seed: int, first: date, last: date) -> list[Row]:
    """Good rows of one kind, in no order of day."""
    rng = random.Random(f"{kind} {seed}")
    return [_row(rng, f"{kind[0].upper()}-{n}", kind, usd_per, first, last) for n in range(count)]


def _row(rng: random.Random, name: str, kind: str, usd_per: UsdPer, first: date, last: date) -> Row:
    (maker, model), (_, start, end) = rng.choice(list(MODELS.items()))
    day = first + timedelta(days=rng.randrange((last - first).days))
    row = {
        "id": name,
        "kind": kind,
        "date": day.isoformat(),
        "currency": rng.choice(("USD", "EUR", "GBP")),
        "channel": rng.choice(("private", "dealer", "auction")),
        "shelf": rng.choice("ABC"),
        "maker": maker,
        "model": model,
        "build": "production",
        "year": str(rng.randint(start, end)),
        "condition_top": str(rng.randint(0, 5)),
        "condition_neck": str(rng.randint(0, 5)),
        "condition_structure": rng.choices(list(STRUCTURE_COST), (80, 6, 4, 6, 4))[0],
        "originality_finish": rng.choices(list(FINISH_COST), (75, 10, 15))[0],
        "originality_pickups": rng.choices(list(PICKUP_COST), (75, 10, 10, 5))[0],
    }
    log = true_log(row) + KIND_GAP[kind] + rng.gauss(0, NOISE)
    row["price"] = f"{math.exp(log) / usd_per(row['currency'], day):.2f}"
    for hidden in ("condition_top", "condition_neck", "year"):
        if rng.random() < 0.1:
            row[hidden] = ""
    return row


# One way for a row to be bad → the field that a reader must name.
BAD: Sequence[tuple[str, str]] = (
    ("date", "12/05/2020"),
    ("date", "2020-13-01"),
    ("price", "-12"),
    ("price", "1.200,50"),
    ("currency", "XXQ"),
    ("maker", "Nobody at All"),
    ("condition_neck", "7"),
    ("originality_pickups", "rewound"),
    ("channel", "fair"),
    ("kind", "rumour"),
    ("year", "3019"),
    ("id", ""),
)


def with_bad_rows(rows: Sequence[Row], seed: int) -> tuple[list[Row], dict[int, str]]:
    """The rows shuffled with a tenth of the whole bad, and line → the field at fault."""
    rng = random.Random(seed)
    bad = [
        (field, {**rng.choice(rows), "id": f"B-{n}", field: text})
        for n in range(round(len(rows) / 9))
        for field, text in [BAD[n % len(BAD)]]
    ]
    mixed = [("", row) for row in rows] + bad[:-3]
    rng.shuffle(mixed)
    mixed += [("id", row) for _, row in rng.sample(mixed, 3)]  # these ids stand already further up
    return [row for _, row in mixed], {line: field for line, (field, _) in enumerate(mixed, 2) if field}


def write(path: Path, rows: Sequence[Row]) -> Path:
    """Write a file as a spreadsheet does: a BOM, CRLF, and every cell in quotes."""
    lines = [COLUMNS, *([row[name] for name in COLUMNS] for row in rows)]
    text = "".join(",".join(f'"{cell}"' for cell in line) + "\r\n" for line in lines)
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    return path
