"""The fitted core on any table: backbone, boosted residual, posterior, spread. Nothing of guitars."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.price.backbone import Backbone, read_block
from models.price.basis import Floats, Table
from models.price.hidden import Hidden, read_hidden
from models.price.posterior import Posterior
from models.price.spread import Spread, read_spread
from models.price.trees import Forest


@dataclass(frozen=True)
class Input:
    """One column of the forest: a number, a level by its code, or the backbone's effect of some blocks."""

    name: str
    column: str = ""
    codes: Mapping[str, float] | None = None
    blocks: tuple[str, ...] = ()

    def values(self, backbone: Backbone, table: Table) -> Floats:
        """(n,) the column."""
        if self.blocks:
            places = [at for at, block in enumerate(backbone.blocks) if block.name in self.blocks]
            return backbone.sums(places, table)
        if self.codes is None:
            return np.asarray(table[self.column], np.float64)
        codes = self.codes
        return np.array([codes.get(level, np.nan) for level in table[self.column]], np.float64)

    def state(self) -> dict[str, Any]:
        """As JSON."""
        codes = None if self.codes is None else dict(self.codes)
        return {"name": self.name, "column": self.column, "codes": codes, "blocks": list(self.blocks)}


def read_input(state: Mapping[str, Any]) -> Input:
    """The input that `state()` described."""
    return Input(state["name"], state["column"], state["codes"], tuple(state["blocks"]))


@dataclass(frozen=True)
class Core:
    """log price of a table's rows: the median, and how far prices lie from it."""

    backbone: Backbone
    inputs: tuple[Input, ...]
    forest: Forest | None
    forest_texts: tuple[str, ...]
    posterior: Posterior
    spread: Spread
    hidden: Hidden | None = None

    def center(self, table: Table) -> Floats:
        """(n,) median log price."""
        center = self.backbone.predict(table)
        if self.hidden is not None:
            center = center + self.hidden.predict(table)
        return center if self.forest is None else center + self.forest.predict(self.forest_columns(table))

    def forest_columns(self, table: Table) -> Floats:
        """(n, inputs) what the forest sees."""
        return np.stack([i.values(self.backbone, table) for i in self.inputs], axis=1)

    def scale(self, table: Table, center: Floats) -> Floats:
        """(n,) scale of the price around its median, in log."""
        return self.spread.scale(table, center, self.posterior.variance(*self.backbone.jacobian(table)))

    def interval(self, table: Table, levels: Sequence[float]) -> tuple[Floats, Floats, Floats]:
        """(n,) median and (n, levels) ends of the central ranges, all in log."""
        center = self.center(table)
        scale = self.scale(table, center)
        low, high = self.spread.ends(levels)
        return center, center[:, None] + scale[:, None] * low, center[:, None] + scale[:, None] * high

    def to_files(self) -> dict[str, bytes]:
        """As JSON, npz and boosters in text."""
        state = {
            "blocks": [block.state() for block in self.backbone.blocks],
            "intercept": self.backbone.intercept,
            "cap": None if np.isinf(self.backbone.cap) else self.backbone.cap,
            "inputs": [i.state() for i in self.inputs],
            "spread": self.spread.state(),
            "boosters": len(self.forest_texts),
            "hidden": None if self.hidden is None else self.hidden.state(),
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
        return files | {f"booster-{i}.txt": text.encode() for i, text in enumerate(self.forest_texts)}


def read_core(files: Mapping[str, bytes]) -> Core:
    """The core that `to_files` wrote. Raises KeyError where a file is missing."""
    state = json.loads(files["core.json"])
    with np.load(io.BytesIO(files["core.npz"]), allow_pickle=False) as npz:
        arrays = {name: npz[name] for name in npz.files}
    texts = tuple(files[f"booster-{i}.txt"].decode() for i in range(state["boosters"]))
    blocks = tuple(read_block(b) for b in state["blocks"])
    cap = float("inf") if state["cap"] is None else float(state["cap"])
    return Core(
        backbone=Backbone(blocks, arrays["theta"], state["intercept"], cap),
        inputs=tuple(read_input(i) for i in state["inputs"]),
        forest=Forest.from_text(texts) if texts else None,
        forest_texts=texts,
        posterior=Posterior(arrays["sd"], arrays["directions"]),
        spread=read_spread(state["spread"], arrays["shape"]),
        hidden=None if state["hidden"] is None else read_hidden(state["hidden"]),
    )
