"""The contents of the model card as one JSON document: judgement, market index, importance, evidence, fit."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject
from models.domain.money import Rates
from models.domain.vocabulary import BY_PATH, DEFAULT_CHANNEL
from models.price.interface import FACTORS, FAMILY_OF, PriceModel
from models.study.judge import only_sales
from training.card.learnt import learnt
from training.study.backtest import next_quarter, quarter_start
from training.study.index import repeat_sales, resold

_MOST_JUDGED = 500  # number of sales, the latest ones, over which importance is averaged
_LEAST_PAIRS = 3  # a year of the repeat-sales index with fewer pairs is left blank
_BAND = (0.1, 0.9)

# Entries of the fit's report that the card holds at its top level, not below "fit".
_OF_PRACTICE = ("practice", "spreads")


def contents(
    model: PriceModel,
    rows: Sequence[Evidence],
    rates: Rates,
    study: Mapping[str, Any] | None,
    fit_report: Mapping[str, Any],
) -> dict[str, Any]:
    """Return everything on the card but its charts.

    `study`: the figures of the sales on which the model was judged; None if there were no such sales.
    """
    said: dict[str, Any] = plain(
        {
            "evidence": _evidence(rows),
            "study": study,
            "index": market_index(model, rows, fit_report.get("index")),
            "repeat_sales": _repeat_sales(rows, rates),
            "importance": importance(model, rows),
            "trees": learnt(model, rows, fit_report),
            **{name: fit_report.get(name, []) for name in _OF_PRACTICE},
            "fit": {name: said for name, said in fit_report.items() if name not in _OF_PRACTICE},
        }
    )
    return said


def plain(value: Any) -> Any:
    """Convert arrays, dates and numpy numbers to JSON types; infinity and NaN become None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, date):
        return value.isoformat()
    return value if value is None or isinstance(value, str) else str(value)


def _evidence(rows: Sequence[Evidence]) -> dict[str, Any]:
    kinds, days = Counter(row.kind for row in rows), [row.day for row in rows]
    return {
        "rows": len(rows),
        **{kind: kinds.get(kind, 0) for kind in ("sale", "asking", "offer")},
        "first": min(days),
        "last": max(days),
        "makers": len({row.instrument.maker for row in rows}),
        "models": len({(row.instrument.maker, row.instrument.model) for row in rows}),
        "channels": dict(sorted(Counter(row.channel for row in rows).items())),
    }


def importance(model: PriceModel, rows: Sequence[Evidence]) -> list[dict[str, Any]]:
    """Return each factor with its mean absolute log effect over the latest sales, the largest first.

    Effects are counted from a typical instrument of the same model, so maker and model have none.
    """
    sales = sorted(only_sales(rows), key=lambda row: (row.day, row.id))[-_MOST_JUDGED:]
    subjects = [sale.subject for sale in sales]
    effects = np.abs(model.effects(subjects, [model.reference(s) for s in subjects])).mean(axis=0)
    found: list[dict[str, Any]] = [
        {
            "factor": path,
            "label": BY_PATH[path].label if path in BY_PATH else path,
            "family": FAMILY_OF[path].value,
            "effect": float(effect),
        }
        for path, effect in zip(FACTORS, effects, strict=True)
    ]
    at_work = [row for row in found if row["effect"] > 0]
    return sorted(at_work, key=lambda row: (-row["effect"], row["factor"]))


def market_index(model: PriceModel, rows: Sequence[Evidence], offered: Any = None) -> dict[str, Any]:
    """Return the value of typical instruments over time, as an index that ends at 100.

    Keys: `days`; `center`, `low`, `high` (index levels); `band` (the meaning of `low` and `high` in words).
    `offered`: the fit's own index with its uncertainty (days, center, low, high in log), used if given.
    Otherwise the band spans the middle eight tenths of the instrument models' own paths.
    """
    if offered:
        center = np.array(offered["center"], dtype=np.float64)
        logs = {name: np.array(offered[name]) - center[-1] for name in ("center", "low", "high")}
        return _index(offered["days"], logs, f"where the index lies with {offered['band']:.0%}")
    sales = only_sales(rows)
    days = _quarters([sale.day for sale in sales])
    sold = sorted({(s.instrument.maker, s.instrument.model) for s in sales})
    references = [
        model.reference(Subject(Instrument(maker, name), days[-1], DEFAULT_CHANNEL)).instrument
        for maker, name in sold
    ]
    subjects = [Subject(it, day, DEFAULT_CHANNEL) for it in references for day in days]
    paths = model.center(subjects).reshape(len(references), len(days))
    paths = paths - paths[:, -1:]
    low, high = np.quantile(paths, _BAND, axis=0)
    weight = Counter((s.instrument.maker, s.instrument.model) for s in sales)
    center = np.average(paths, axis=0, weights=[weight[key] for key in sold])
    levels = {"center": center, "low": np.minimum(low, center), "high": np.maximum(high, center)}
    return _index(days, levels, "eight tenths of the models")


def _index(days: Sequence[Any], logs: Mapping[str, np.ndarray], band: str) -> dict[str, Any]:
    return {"days": list(days), **{name: 100 * np.exp(path) for name, path in logs.items()}, "band": band}


def _quarters(days: Sequence[date]) -> list[date]:
    at, found = quarter_start(min(days)), []
    while at <= max(days):
        found.append(at)
        at = next_quarter(at)
    return found


def _repeat_sales(rows: Sequence[Evidence], rates: Rates) -> dict[str, Any] | None:
    """Return the yearly index of instruments sold twice, with its number of pairs; None for too few pairs."""
    pairs, years = resold(rows, rates)
    used = [pair for pair in pairs if pair.first != pair.second]
    touched = Counter(period for pair in used for period in (pair.first, pair.second))
    if len(used) < 3 * len(years):
        return None
    index = repeat_sales(used, len(years))
    index[[at for at in range(len(years)) if touched[at] < _LEAST_PAIRS]] = np.nan
    return {"years": years, "index": index, "pairs": len(used)}
