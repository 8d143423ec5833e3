"""Three models from one fit: the full model, its backbone alone, and the backbone with trees on raw columns.

The backbone is the model without its trees.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from models.domain.instrument import Subject
from models.price.core.basis import Floats
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.features import columns
from models.price.instruments.model import GuitarModel
from training.demo.market import Market
from training.fit import data_of, model_of
from training.fit.core import fit_core
from training.fit.design.typical import typical_of
from training.fit.guitars import guitar_specification
from training.fit.spread.calibrate import calibrated
from training.fit.trees import no_trees
from training.yardstick.fresh.raw import RawTrees, grow_raw


@dataclass(frozen=True)
class Rivals:
    """Three models from one fit. `this`: the full model. `alone`: its backbone, with a spread fitted for it.

    `raw`: trees on raw columns, whose predictions are added to the log values of `alone`.
    """

    this: GuitarModel
    alone: GuitarModel
    raw: RawTrees

    def raw_center(self, subjects: Sequence[Subject]) -> Floats:
        """Return (n,) log medians of `alone` with the trees `raw` added."""
        table = columns(subjects, self.alone.catalogue, self.alone.typical)
        return self.alone.center(subjects) + self.raw.says(table)


def fit_rivals(market: Market) -> Rivals:
    """Fit on the market's evidence as `training.fit.fit_model` does, once for all three models."""
    rows = sorted(market.evidence, key=lambda e: (e.day, e.id))
    encoding = InstrumentEncoding(market.catalogue, typical_of(rows, market.catalogue))
    data, spec = data_of(rows, encoding, market.rates), guitar_specification()
    fitted = fit_core(data, spec, encoding)
    alone = replace(fitted.core, trees=None, spread=None)
    spread = calibrated(
        alone,
        data,
        spec,
        fitted.problem,
        fitted.estimate,
        fitted.crossed,
        fitted.left,
        no_trees(len(rows)),
        encoding,
    )
    return Rivals(
        model_of(fitted.core, rows, encoding),
        model_of(replace(alone, spread=spread), rows, encoding),
        grow_raw(data, fitted),
    )
