"""The fitted core of a price model, for any kind of table.

Its parts: the backbone, a pooled regression on log price; boosted trees that correct it; the posterior, the
uncertainty of the regression's coefficients; and the spread, the distribution of prices around values.
"""

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import BundleDamagedError
from models.price.core.backbone import Backbone, read_block
from models.price.core.checks import check_ascending, check_numbers, read_json
from models.price.core.missing_losses import MissingLossModel, read_missing_losses
from models.price.core.pairs import PairTables
from models.price.core.posterior import Posterior
from models.price.core.spread import Spread, read_spread

PART, LOSS, BLANKS, COLUMN = "part", "loss", "blanks", "column"
NOT_KNOWN = -1e9  # The trees' input for a number that is not known; it lies below all known numbers.


@dataclass(frozen=True)
class Input:
    """One input of the trees.

    `kind`: "part", the sum of the backbone's level terms that belong to the part `name`; "loss", the sum of
    its scaled losses of that part; "blanks", the number of `columns` that are not known; "column", a number
    column as it is. `sign`: −1 if the value must never rise with the input, else 0.
    """

    name: str
    kind: str
    columns: tuple[str, ...] = ()
    sign: int = 0


@dataclass(frozen=True)
class Trees:
    """Boosted trees that correct the backbone; most of their inputs are sums of its terms.

    With the backbone's level and losses, the log value becomes (1 − `weight` · `handed_level`) · level
    − (1 − `weight` · `handed`) · losses + `weight` · trees. So the trees can reshape the share `handed` of
    the losses. They never rise with a loss, so for any weight from 0 to 1 the value does not either.
    `handed_level` is 0 for trees fitted on the backbone's residuals, and 1 for trees fitted on whole prices.
    """

    inputs: tuple[Input, ...]
    texts: tuple[str, ...]
    tables: PairTables
    weight: float
    handed: float
    handed_level: float = 0.0

    @property
    def kept_losses(self) -> float:
        """The share of the backbone's losses that counts in a value beside the trees."""
        return 1.0 - self.weight * self.handed

    @property
    def kept_level(self) -> float:
        """The share of the backbone's level that counts in a value beside the trees."""
        return 1.0 - self.weight * self.handed_level


@dataclass(frozen=True)
class Core:
    """The fitted parts from which an `Evaluator` computes the median log price of a row and its ranges.

    `spread` is None during a fit, until the spread is fitted.
    """

    backbone: Backbone
    trees: Trees | None
    posterior: Posterior
    spread: Spread | None
    missing_losses: MissingLossModel | None = None

    def to_files(self) -> dict[str, bytes]:
        """Return the core as files of JSON, npz and text of trees. Raises ValueError if it has no spread."""
        if self.spread is None:
            raise ValueError("the core has no spread yet: fit it first")
        trees = self.trees
        state = {
            "blocks": [block.state() for block in self.backbone.blocks],
            "intercept": self.backbone.intercept,
            "cap": None if np.isinf(self.backbone.cap) else self.backbone.cap,
            "trees": trees
            and {
                "inputs": [vars(one) for one in trees.inputs],
                "boosters": len(trees.texts),
                "weight": trees.weight,
                "handed": trees.handed,
                "handed_level": trees.handed_level,
            },
            "spread": self.spread.state(),
            "missing_losses": self.missing_losses and self.missing_losses.state(),
        }
        arrays = io.BytesIO()
        np.savez_compressed(
            arrays,
            theta=self.backbone.theta,
            sd=self.posterior.sd,
            directions=self.posterior.directions,
            shape=self.spread.shape,
        )
        files = {"core.json": json.dumps(state).encode(), "core.npz": arrays.getvalue()}
        texts = trees.texts if trees else ()
        return files | {f"booster-{i}.txt": text.encode() for i, text in enumerate(texts)}


def read_core(files: Mapping[str, bytes]) -> Core:
    """Read a core that `to_files` wrote.

    Raises KeyError if a file is missing, ForestError if the text of the trees is damaged, and
    BundleDamagedError if the trees can rise with a loss, a share is not from 0 to 1, an array does not have
    the shape that the blocks need, or a number is not finite.
    """
    state = read_json(files["core.json"])
    with np.load(io.BytesIO(files["core.npz"]), allow_pickle=False) as npz:
        arrays = {name: npz[name] for name in npz.files}
    blocks = tuple(read_block(b) for b in state["blocks"])
    _check_arrays(arrays, sum(block.size for block in blocks))
    cap = float("inf") if state["cap"] is None else float(state["cap"])
    return Core(
        backbone=Backbone(blocks, arrays["theta"], state["intercept"], cap),
        trees=None if state["trees"] is None else _read_trees(state["trees"], files),
        posterior=Posterior(arrays["sd"], arrays["directions"]),
        spread=read_spread(state["spread"], arrays["shape"]),
        missing_losses=read_missing_losses(state["missing_losses"]) if state["missing_losses"] else None,
    )


def _check_arrays(arrays: Mapping[str, NDArray[Any]], size: int) -> None:
    """Check the arrays of a core whose blocks have `size` columns; the intercept is one more."""
    check_numbers("theta", arrays["theta"], size)
    check_numbers("sd", arrays["sd"], size + 1)
    check_numbers("directions", arrays["directions"], size + 1, None)
    check_numbers("shape", arrays["shape"], None)
    check_ascending("the residuals of shape", arrays["shape"].tolist(), equal=True)


def _read_trees(state: Mapping[str, Any], files: Mapping[str, bytes]) -> Trees:
    texts = tuple(files[f"booster-{i}.txt"].decode() for i in range(state["boosters"]))
    inputs = tuple(Input(**{**one, "columns": tuple(one["columns"])}) for one in state["inputs"])
    tables = PairTables.from_text(texts)
    wrong = tables.wrong_steps([i.sign for i in inputs])
    shares = [state[name] for name in ("weight", "handed", "handed_level")]
    if wrong or not all(0 <= share <= 1 for share in shares):
        raise BundleDamagedError(f"the trees of this bundle break a sign or a share: {wrong or shares}")
    return Trees(inputs, texts, tables, *shares)
