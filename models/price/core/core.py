"""The fitted core of a price model on any kind of table: backbone, trees, posterior and spread."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.errors import BundleDamagedError
from models.price.core.backbone import Backbone, read_block
from models.price.core.missing_losses import MissingLossModel, read_missing_losses
from models.price.core.pairs import PairTables
from models.price.core.posterior import Posterior
from models.price.core.spread import Spread, read_spread

PART, LOSS, BLANKS, COLUMN = "part", "loss", "blanks", "column"
NOT_KNOWN = -1e9  # what trees see of a column that is not known: below all that is


@dataclass(frozen=True)
class Input:
    """One input of the trees.

    `kind`: "part", the backbone's total of the level's blocks of the part `name`; "loss", the scaled loss of
    the part `name`; "blanks", the number of `columns` that are not known; "column", a number as it is,
    which the key fixes or one player gives. `sign`: −1 where the value may never rise with it, else 0.
    """

    name: str
    kind: str
    columns: tuple[str, ...] = ()
    sign: int = 0


@dataclass(frozen=True)
class Trees:
    """Boosted trees on what the parts of a value do together.

    The share `handed` of the losses is theirs to bend: a value counts 1 − `weight` · `handed` of what the
    backbone's losses take, and `weight` times what the trees say. The trees never rise with a loss, so
    neither does the value, for any weight from 0 to 1. `handed_level`: the same share of the level. It is 0
    where the trees say what the backbone left over, and 1 where they say the whole price beside it.
    """

    inputs: tuple[Input, ...]
    texts: tuple[str, ...]
    tables: PairTables
    weight: float
    handed: float
    handed_level: float = 0.0

    @property
    def kept_losses(self) -> float:
        """The share of the backbone's losses that a value counts itself."""
        return 1.0 - self.weight * self.handed

    @property
    def kept_level(self) -> float:
        """The share of the backbone's level that a value counts itself."""
        return 1.0 - self.weight * self.handed_level


@dataclass(frozen=True)
class Core:
    """log price of a table's rows: the median, and how far prices lie from it. See `Evaluator`.

    `spread`: None while a fit has not come to it.
    """

    backbone: Backbone
    trees: Trees | None
    posterior: Posterior
    spread: Spread | None
    missing_losses: MissingLossModel | None = None

    def to_files(self) -> dict[str, bytes]:
        """As JSON, npz and boosters in text. Raises ValueError for a core that has no spread yet."""
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
    """The core that `to_files` wrote.

    Raises KeyError where a file is missing, BundleDamagedError where the trees break a sign.
    """
    state = json.loads(files["core.json"])
    with np.load(io.BytesIO(files["core.npz"]), allow_pickle=False) as npz:
        arrays = {name: npz[name] for name in npz.files}
    blocks = tuple(read_block(b) for b in state["blocks"])
    cap = float("inf") if state["cap"] is None else float(state["cap"])
    return Core(
        backbone=Backbone(blocks, arrays["theta"], state["intercept"], cap),
        trees=None if state["trees"] is None else _read_trees(state["trees"], files),
        posterior=Posterior(arrays["sd"], arrays["directions"]),
        spread=read_spread(state["spread"], arrays["shape"]),
        missing_losses=read_missing_losses(state["missing_losses"]) if state["missing_losses"] else None,
    )


def _read_trees(state: Mapping[str, Any], files: Mapping[str, bytes]) -> Trees:
    texts = tuple(files[f"booster-{i}.txt"].decode() for i in range(state["boosters"]))
    inputs = tuple(Input(**{**one, "columns": tuple(one["columns"])}) for one in state["inputs"])
    tables = PairTables.from_text(texts)
    wrong = tables.wrong_steps([i.sign for i in inputs])
    shares = [state[name] for name in ("weight", "handed", "handed_level")]
    if wrong or not all(0 <= share <= 1 for share in shares):
        raise BundleDamagedError(f"the trees of this bundle break a sign or a share: {wrong or shares}")
    return Trees(inputs, texts, tables, *shares)
