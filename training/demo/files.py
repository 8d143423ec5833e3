"""The demo market written as files for a fit, with a few wrong rows that a reader of evidence must refuse."""

import csv
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
from tqdm import tqdm

from models.domain.evidence import EVIDENCE_COLUMNS, Evidence
from models.domain.vocabulary import BY_FLAT, Family
from training.demo.market import Market
from training.demo.world.truth import FAMILY
from training.demo.world.workshops import MARKET_CLOSES

Cells = dict[str, str]

_EFFECT_FAMILIES = tuple(f for f in Family if f is not Family.MARKET)
_FIELDS_APART = tuple(flat for flat, f in FAMILY.items() if f in (Family.CONDITION, Family.ORIGINALITY))


def write_market(folder: Path, market: Market, seed: int, *, progress: bool = True) -> dict[str, int]:
    """Write the market's five files, replacing old ones; return the number of rows by CSV file name."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "catalogue.toml").write_text(market.catalogue_toml, encoding="utf-8")
    evidence = evidence_cells(market, seed)
    holdout = [row.to_flat() for row in market.holdout]
    stock_columns = ("id", *BY_FLAT, "date", "channel")
    truth_columns, truth = truth_cells(market)
    jobs: list[tuple[str, Sequence[str], Sequence[Cells]]] = [
        ("evidence.csv", EVIDENCE_COLUMNS, evidence),
        ("holdout.csv", EVIDENCE_COLUMNS, holdout),
        ("instruments.csv", stock_columns, stock_cells(market)),
        ("truth.csv", truth_columns, truth),
    ]
    total = sum(len(rows) for _, _, rows in jobs)
    with tqdm(total=total, desc="writing", unit="row", disable=None if progress else True) as bar:
        for name, columns, rows in jobs:
            _write(folder / name, columns, rows, bar.update)
    return {name: len(rows) for name, _, rows in jobs}


def _write(path: Path, columns: Sequence[str], rows: Iterable[Cells], wrote: Callable[[int], object]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow(row)
            wrote(1)


def evidence_cells(market: Market, seed: int) -> list[Cells]:
    """Return the evidence as CSV rows: some names are spelled differently, and wrong rows are mixed in."""
    rng = np.random.default_rng([seed, 6])
    rows = [row.to_flat() for row in market.evidence]
    for at in np.flatnonzero(rng.random(len(rows)) < 0.02):
        rows[at] |= _otherwise(rows[at], int(rng.integers(3)))
    for wrong in wrong_cells(market.evidence):
        rows.insert(int(rng.integers(1, len(rows) + 1)), wrong)
    return rows


def _otherwise(row: Mapping[str, str], how: int) -> Cells:
    """Return maker and model in another spelling, which must still match. `how`: 0, 1 or 2."""
    spell = (str.upper, str.lower, lambda name: f" {name.replace(' ', '  ')} ")[how]
    return {name: spell(row[name]) for name in ("maker", "model")}


def wrong_cells(evidence: Sequence[Evidence]) -> list[Cells]:
    """Return rows that a reader must refuse, each with one fault, made from the first rows of evidence."""
    faults: tuple[Cells, ...] = (
        {"date": "31/04/2021"},
        {"date": "2022-02-30"},
        {"date": "2199-01-01"},
        {"price": "-450"},
        {"price": "0"},
        {"price": "1,200"},
        {"price": ""},
        {"currency": "QQQ"},
        {"maker": "Quillhorn", "model": "Heddle"},
        {"model": "Nonesuch"},
        {"condition_neck": "9"},
        {"originality_pickups": "rewound"},
        {"kind": "rumour"},
    )
    rows = [row.to_flat() for row in evidence[: len(faults)]]
    wrong = [
        {**row, "id": f"W{n:03d}", **fault}
        for n, (row, fault) in enumerate(zip(rows, faults, strict=False), 1)
    ]
    return [*wrong, evidence[0].to_flat()]  # the last row repeats an id


def stock_cells(market: Market) -> list[Cells]:
    """Return a dealer's stock list as CSV rows, to be valued on the market's last day at a dealer's."""
    own = {"date": MARKET_CLOSES.isoformat(), "channel": "dealer"}
    return [{"id": name, **instrument.to_flat(), **own} for name, instrument in market.stock]


def truth_cells(market: Market) -> tuple[list[str], list[Cells]]:
    """Return the columns and rows of the truth file.

    Per id: the true log value (US dollars), the market's part of it, and log effects by family and field.
    """
    effects, events = market.effects, market.events
    columns: dict[str, Sequence[float]] = {
        "log_value": events.log_value.tolist(),
        # The rest of the value, beside the specimen's part: a dealer's premium depends on the specimen too.
        "log_market": (events.log_value - market.truth.log_specimen(events.specimens)).tolist(),
    }
    for family in _EFFECT_FAMILIES:
        parts = [effect for flat, effect in effects.items() if FAMILY[flat] is family]
        columns[f"effect_{family}"] = np.sum(parts, axis=0).tolist()
    columns |= {f"field_{flat}": effects[flat].tolist() for flat in _FIELDS_APART}
    rows = [
        {"id": name, **{c: f"{v:.9f}" for c, v in zip(columns, values, strict=True)}}
        for name, values in zip(market.ids, zip(*columns.values(), strict=True), strict=True)
    ]
    return ["id", *columns], rows
