"""Make the ground of the fault-injection test: a store of three models and the answers of each."""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from fakes import write_fake

from models.bundles.bundle import read_bundle
from models.bundles.registry import Registry
from models.domain.instrument import Instrument, Subject

GRADES = range(6)  # of the wear of the neck: what the instruments that are asked about differ in
DAY = "2026-01-02"
GATE = {"passed": True, "checks": [], "common_sales": 0}


@dataclass(frozen=True)
class Ground:
    """A store whose first model is current. `values`: version and grade → the value to the cent, as text."""

    store: Path
    fake: bool
    models: tuple[str, ...]
    place: Mapping[str, str]
    values: Mapping[tuple[str, int], str]

    def ask(self, grade: int) -> dict[str, Any]:
        """The body that asks for the value at this grade."""
        return {"instrument": {**self.place, "condition": {"neck": grade}}, "date": DAY}


def fake_ground(folder: Path) -> Ground:
    """Three fakes, whose values can be checked by hand."""
    store = folder / "store"
    bases = {write_fake(store, base, gate=GATE): base for base in (8.0, 8.5, 9.0)}
    # As `fakes.py` says: a tenth of the logarithm off for each step of wear, rounded to the cent.
    values = {
        (v, grade): f"{math.exp(base - grade / 10):.2f}" for v, base in bases.items() for grade in GRADES
    }
    return _ground(store, True, tuple(bases), {"maker": "Ostvik", "model": "Dal"}, values)


def fitted_ground(folder: Path, cache: Path) -> Ground:
    """Three fits of an invented market, each without another fifth of it; kept in `cache` for next time."""
    if not (cache / "store").is_dir():
        _fit(cache)
    store = Path(shutil.copytree(cache / "store", folder / "store"))
    bundles = [read_bundle(path) for path in sorted((store / "bundles").iterdir())]
    first = bundles[0].valuer.catalogue.models[0]
    place, values = {"maker": first.maker, "model": first.name}, {}
    for bundle in bundles:  # each asked by itself, with no service and no other model near it
        for grade in GRADES:
            it = Instrument.from_nested({**place, "condition": {"neck": grade}})
            subject = Subject(it, date.fromisoformat(DAY), "private")
            values[bundle.version, grade] = str(bundle.valuer.value(subject, "USD", (0.9,)).value)
    versions = tuple(bundle.version for bundle in bundles)
    assert len(set(values.values())) > 2 * len(versions), "models that agree would hide a mixed answer"
    return _ground(store, False, versions, place, values)


def _ground(store: Path, fake: bool, models: tuple[str, ...], place: Any, values: Any) -> Ground:
    Registry(store).promote(models[0], who="the test", why="to begin with")
    return Ground(store, fake, models, place, values)


def _fit(cache: Path) -> None:
    from training.demo.files import write_market
    from training.demo.market import make_market
    from training.reading import read_evidence
    from training.release import make_bundle

    making = cache.with_name(f"{cache.name}-making")
    shutil.rmtree(making, ignore_errors=True)
    market = make_market(0, 600, "house")
    write_market(making / "market", market, 0, progress=False)
    rows = read_evidence(
        making / "market" / "evidence.csv", market.catalogue, market.rates, progress=False
    ).rows
    for part in range(3):
        kept = [row for at, row in enumerate(rows) if at % 5 != part]
        make_bundle(kept, market.catalogue, market.rates, making / "store", months=0, progress=False)
    making.rename(cache)
