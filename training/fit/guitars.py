"""What a core is made of when its rows are instruments."""

from __future__ import annotations

from models.price.core import Input
from models.price.features import LOSSES
from training.fit.core import Specification
from training.fit.spec import instrument_terms

_NUMBERS = ("year", "year_in_run", "weight", "figure", "finish_rarity", "log_total", "log_number", "time")
_CODES = {
    "build": ("production", "custom_order", "prototype"),
    "history": ("none", "one_owner", "documented", "notable"),
    "paperwork": ("no", "yes"),
    "case": ("none", "modern", "period", "original"),
}
_CHANNELS = ("private", "dealer", "auction", "online")


def guitar_specification() -> Specification:
    """The specification of an instrument.

    Trees see numbers, ordered codes, and the backbone's own effects of model, edition and finish: no names,
    so that renaming a maker changes nothing.
    """
    inputs = [
        Input("model effect", blocks=("maker", "model")),
        Input("edition effect", blocks=("edition", "special", "log_total")),
        Input("finish effect", blocks=("finish", "maker finish", "model finish")),
        *(Input(name, name) for name in (*_NUMBERS, *LOSSES)),
        *(
            Input(name, name, {word: float(i) for i, word in enumerate(words)})
            for name, words in _CODES.items()
        ),
        *(Input(f"channel {c}", "channel", {o: float(o == c) for o in _CHANNELS}) for c in _CHANNELS),
    ]
    return Specification(
        instrument_terms(),
        tuple(inputs),
        dict.fromkeys(LOSSES, -1),
        scatter=("channel", "build"),
        time="time",
    )
