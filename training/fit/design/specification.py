"""The settings of a fit on one kind of table: regression terms, inputs of the trees, growth of the trees."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from models.price.core.core import Input
from training.fit.design.terms import BackboneTerm

HANDED = 0.15  # Share of the losses that the trees replace in values of instruments.

PARAMETERS: dict[str, object] = {
    "objective": "huber",
    "learning_rate": 0.03,
    "num_leaves": 16,
    "max_depth": 4,
    "min_data_in_leaf": 20,
    "lambda_l2": 10.0,
    "bagging_fraction": 0.7,
    "bagging_freq": 1,
    "max_bin": 63,
    "monotone_constraints_method": "basic",
    "use_missing": False,
    "verbosity": -1,
    "num_threads": 1,
    "deterministic": True,
    "force_row_wise": True,
}


@dataclass(frozen=True)
class Growth:
    """The settings by which trees are grown on one kind of table.

    `parameters`: LightGBM's, beside those that the inputs set. `rounds`: the most rounds of a booster.
    `bags`: number of boosters. `handed`: the share of the losses that the trees replace; `handed_level`: that
    of the level (see `Trees`). `patience`: growth on a fold stops after this many rounds without a gain on
    its left-out rows; 0 never stops early.
    """

    parameters: Mapping[str, object] = field(default_factory=lambda: PARAMETERS)
    rounds: int = 400
    bags: int = 16  # A power of two makes their mean exact. They are served as tables, so more cost nothing.
    handed: float = HANDED
    handed_level: float = 0.0
    patience: int = 0


@dataclass(frozen=True)
class Specification:
    """The regression terms and settings of a fit on one kind of table.

    `inputs`: inputs of the trees; `growth`: settings of the trees. `scatter`: columns of categories that may
    differ in noise variance. `time`: the column of time, "" for none. `relearn`: learn the variances anew
    without each fold, for tables with so many variances that they would tell a fold about its own rows.
    """

    terms: tuple[BackboneTerm, ...]
    inputs: tuple[Input, ...] = ()
    growth: Growth = field(default_factory=Growth)
    scatter: tuple[str, ...] = ()
    time: str = ""
    relearn: bool = False
