"""Records of the demo's specimens. As in real records, related fields are often left out together."""

from collections.abc import Mapping
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.domain.instrument import FLAT_NAMES, Instrument
from models.domain.vocabulary import BY_FLAT, Kind
from training.demo.trade.events import OFFER, STOCK, Events
from training.demo.world.natures import WEAR_COST
from training.demo.world.specimens import PARTS
from training.demo.world.workshops import World, WorldModel

_GROUP_OF: Mapping[str, str] = {
    **dict.fromkeys(WEAR_COST, "wear"),
    **dict.fromkeys(PARTS, "parts"),
    "originality_frets": "parts",
    "originality_routing": "parts",
    "originality_finish": "parts",
    "provenance_history": "papers",
    "provenance_paperwork": "papers",
    "provenance_case": "papers",
}
# Chance that a record leaves the field out, over all channels and years.
LEFT_OUT: Mapping[str, float] = {
    **dict.fromkeys(WEAR_COST, 0.18),
    **dict.fromkeys(PARTS, 0.20),
    "year": 0.07,
    "finish": 0.05,
    "serial": 0.45,
    "edition_number": 0.15,
    "figure": 0.20,
    "weight_kg": 0.55,
    "condition_back": 0.22,
    "condition_headstock": 0.22,
    "condition_electronics": 0.22,
    "condition_structure": 0.14,
    "originality_finish": 0.12,
    "originality_wiring": 0.30,
    "originality_nut": 0.30,
    "originality_frets": 0.22,
    "originality_routing": 0.20,
    "provenance_history": 0.28,
    "provenance_paperwork": 0.28,
    "provenance_case": 0.18,
}
# Terseness of records in the channels private, dealer, auction and online: a terser one leaves out more.
_TERSE_CHANNEL = np.array([0.15, -0.35, 0.05, 0.25])
_PRODUCTION_UNSAID = 0.6


def known_mask(events: Events, seed: int) -> dict[str, NDArray[np.bool_]]:
    """Return field → (n,) True where a record holds the field.

    Terse records, early years and some channels hold fewer fields.
    """
    rng = np.random.default_rng([seed, 4])
    n = len(events.kind)
    years = (events.day - events.day.min()) / 365.25
    terse = rng.normal(0.0, 1.0, n) + _TERSE_CHANNEL[events.channel] - 0.06 * (years - years.mean())
    terse += 0.3 * (events.kind == OFFER) - 0.8 * (events.kind == STOCK)
    groups = {g: rng.normal(0.0, 1.0, n) for g in sorted(set(_GROUP_OF.values()))}
    known: dict[str, NDArray[np.bool_]] = {}
    for flat, chance in LEFT_OUT.items():
        group = groups.get(_GROUP_OF.get(flat, ""), 0.0)
        hide = 0.6 * terse + 0.5 * group + 0.62 * rng.normal(0.0, 1.0, n) + _shy(flat, events)
        known[flat] = hide < NormalDist().inv_cdf(1 - chance)
    production = events.specimens["build"] == 0
    known["build"] = ~(production & (rng.random(n) < _PRODUCTION_UNSAID))
    return known


def _shy(flat: str, events: Events) -> NDArray[np.float64]:
    """Return (n,) how much a value makes records leave the field out: faults and plain tops more often."""
    values = events.specimens[flat]
    if flat == "figure":
        return np.where(values <= 1, 0.35, -0.1)
    if flat in ("condition_electronics", "condition_structure", "originality_pickups"):
        return np.where(values > 0, 0.25, -0.05)
    return np.zeros(len(values))


def instruments(world: World, events: Events, seed: int) -> list[Instrument]:
    """Return each event's specimen with its recorded fields only, with names as in the catalogue."""
    known = known_mask(events, seed)
    columns = [_written(world, events, flat, known.get(flat)) for flat in FLAT_NAMES]
    return [Instrument(*row) for row in zip(*columns, strict=True)]


def described(world: World, events: Events) -> list[Instrument]:
    """Return each event's specimen with every field filled in, with names as in the catalogue."""
    columns = [_written(world, events, flat, None) for flat in FLAT_NAMES]
    return [Instrument(*row) for row in zip(*columns, strict=True)]


def _written(world: World, events: Events, flat: str, known: NDArray[np.bool_] | None) -> list[Any]:
    """Return one field of all events as values of the vocabulary, None where it is not recorded."""
    values = events.specimens[flat]
    models = [world.models[i] for i in events.specimens["model"]]
    said = [_value(flat, m, v) for m, v in zip(models, values.tolist(), strict=True)]
    if known is None:
        return said
    return [value if k else None for value, k in zip(said, known.tolist(), strict=True)]


def _value(flat: str, model: WorldModel, value: Any) -> Any:
    if flat in ("maker", "model"):
        return model.maker.name if flat == "maker" else model.named.name
    if flat == "edition":
        return model.editions[value].named.name if value >= 0 else None
    if flat == "finish":
        return model.maker.finishes[value] if value >= 0 else _UNOFFERED
    if flat == "serial":
        return f"{model.maker.letters} {value:05d}"
    if flat == "edition_number":
        return value or None
    if flat == "figure":
        return float(value) if model.named.figured else None
    kind = BY_FLAT[flat].kind
    if kind is Kind.TERM:
        return BY_FLAT[flat].names[value]
    if kind is Kind.FLAG:
        return bool(value)
    return float(value) if kind in (Kind.GRADE, Kind.NUMBER) else int(value)


_UNOFFERED = "Undercoat Pink"
