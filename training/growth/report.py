"""Report what more records would bring to a price model, as one JSON document with sentences."""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from models.domain.evidence import Evidence
from models.price.instruments.model import GuitarModel
from models.study.judge import only_sales
from training.growth.curve import LEAST_SIZES, TIMES, as_json, expected, floors_of
from training.growth.gains import Gain, of_fields, of_makers, of_models
from training.growth.measure import LEAST, SHARES, Size, Trial, measured, sizes_of

MOST = 10  # At most this many models are listed, and as many makers and fields.


def report(
    model: GuitarModel, rows: Sequence[Evidence], trials: Sequence[Trial], holdout: Sequence[Evidence] = ()
) -> dict[str, Any]:
    """Return the report as JSON.

    `records`: counts. `past`: error and range by size. `expected`: the same with more records, null with
    fewer than three sizes. `next`: the models, makers and fields that would gain most from more sales.
    """
    sizes, sales = sizes_of(trials), len(only_sales(rows))
    times = [n * sales for n in TIMES]
    curves = (
        expected(sizes, floors_of(model, [*holdout] or rows), times) if len(sizes) >= LEAST_SIZES else None
    )
    return {
        "records": {
            **Counter(row.kind for row in rows),
            "instruments": len({row.specimen for row in rows}),
        },
        "judged_by": "holdout" if holdout else "sales left out",
        "past": [_past(size) for size in sizes],
        "expected": as_json(curves),
        "expected_note": None if curves else too_few(len(sizes)),
        "next": {
            "models": named(of_models(model), sentence_of_model),
            "makers": named(of_makers(model), sentence_of_maker),
            "fields": named(of_fields(model, rows), sentence_of_field),
        },
    }


def too_few(sizes: int) -> str:
    """Explain why the gain from more records cannot be told, with this number of sizes."""
    needed = math.ceil(LEAST / SHARES[0])
    return (
        f"the sales are too few to say: a curve needs {LEAST_SIZES} sizes of at least {LEAST} sales each, "
        f"and there are {sizes}; about {needed} sales are enough"
    )


def _past(size: Size) -> dict[str, Any]:
    found = measured(size.trials)
    counts = {
        kind: float(np.mean([trial.counts[kind] for trial in size.trials])) for kind in size.trials[0].counts
    }
    judged = len({int(at) for trial in size.trials for at in trial.specimen})
    return {
        "share": size.share,
        "fits": len(size.trials),
        **counts,
        "judged": sum(len(trial.error) for trial in size.trials),
        "judged_instruments": judged,
        **found._asdict(),
        "range": percent(found.width / 2),
    }


def named(gains: Sequence[Gain], sentence: Callable[[Gain], str]) -> list[dict[str, Any]]:
    """Return the ten largest gains as JSON, each with a sentence, and `before` and `after` in per cent."""
    ranked = sorted(gains, key=lambda gain: (-gain.gain, gain.name))
    return [
        {
            "name": gain.name,
            "value": gain.value or None,
            "sales": gain.sales,
            "share": gain.share,
            "before": percent(gain.before),
            "after": percent(gain.after),
            "sentence": sentence(gain),
        }
        for gain in ranked[:MOST]
        if gain.gain > 0
    ]


def percent(half: float) -> float:
    """Convert half a range from log to per cent: by how much its upper end lies above its middle."""
    return 100 * math.expm1(half)


def sentence_of_model(gain: Gain) -> str:
    """One sentence on ten more sales of a model."""
    return (
        f"Ten more sales of {gain.name} ({_there(gain)}) would narrow the 80% range of its typical "
        f"instrument {_ends(gain)}."
    )


def sentence_of_maker(gain: Gain) -> str:
    """One sentence on ten more sales of a maker."""
    if gain.over == 1:
        return sentence_of_model(gain)
    return (
        f"Ten more sales of {gain.name} ({_there(gain)}), spread over its {gain.over} models, would narrow "
        f"the 80% ranges of their typical instruments {_ends(gain)} on average."
    )


def sentence_of_field(gain: Gain) -> str:
    """One sentence on ten more sales with a field's worse value."""
    return (
        f"Ten more sales with “{gain.name}: {gain.value}” ({_there(gain)}, {gain.share:.0%} of all) would "
        f"narrow the 80% range of its effect on the price {_ends(gain)}."
    )


def _there(gain: Gain) -> str:
    return f"{gain.sales:,} so far" if gain.sales else "none so far"


def _ends(gain: Gain) -> str:
    before, after = (percent(half) for half in (gain.before, gain.after))
    digits = 0 if f"{before:.0f}" != f"{after:.0f}" else 1
    return f"from ±{before:.{digits}f}% to ±{after:.{digits}f}%"
