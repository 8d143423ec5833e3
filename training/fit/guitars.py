"""The settings by which a price model is fitted on instruments."""

from models.price.core.core import BLANKS, COLUMN, LOSS, PART, Input
from models.price.instruments.features import CONDITION_LOSSES, ORIGINALITY_LOSSES
from training.fit.design.specification import Specification
from training.fit.design.terms import LEVEL_TERMS, instrument_terms

_INPUTS = (
    *(Input(part, PART) for part in LEVEL_TERMS),
    *(Input(part, LOSS, sign=-1) for part in ("condition", "refinish", "changed parts")),
    Input("unknown condition", BLANKS, CONDITION_LOSSES, -1),
    Input("unknown originality", BLANKS, ORIGINALITY_LOSSES, -1),
    Input("body", COLUMN, ("body",)),
)


def guitar_specification() -> Specification:
    """Return the regression terms, inputs of the trees and settings for instruments.

    The trees see totals of parts of the value and no names, so that renaming a maker changes nothing.
    """
    return Specification(instrument_terms(), _INPUTS, scatter=("channel", "build"), time="time")
