"""The true price function of a demo market: a specimen's log value, and the effect of each field on it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Family
from models.price.core.basis import Floats, Ints
from training.demo.world.natures import (
    CHANNEL_LEVEL,
    CONDITION_COST,
    CUSTOM_ORDER,
    FIGURE_GAIN,
    LOW_NUMBER,
    ORIGINALITY_COST,
    PROVENANCE_GAIN,
    WEAR_COST,
    WEAR_POWER,
    WEIGHT_PER_KG,
    Nature,
)
from training.demo.world.workshops import World, WorldModel, market_level

# CSV name of a field → array (n,). Terms and grades are positions in the vocabulary. A finish is a position
# in its maker's list (−1: not offered), an edition one in its model's list (−1: no edition). An
# edition_number of 0 means none.
Columns = Mapping[str, NDArray[Any]]

# Fields whose effect is counted. A reference has the same maker and model, and a serial has no effect.
COUNTED: tuple[str, ...] = tuple(f.flat for f in FIELDS if f.flat not in ("maker", "model", "serial"))
FAMILY: Mapping[str, Family] = {f.flat: f.family for f in FIELDS}
_DEALER = CHANNEL_NAMES.index("dealer")
_PART_OF_A_FAULT = 0.2  # log penalty at which 1 / e of the dealer's premium for a clean specimen is left
# Recorded size of an edition from which on history gains nothing extra, and at which it gains the most.
_COMMON, _RAREST = 300, 15
_ORDERS = 8  # random orders of fields, each used with its reverse; one is exact for an additive price


@dataclass(frozen=True)
class Truth:
    """The true price function of one world with the price parameters of one nature."""

    world: World
    nature: Nature

    def log_value(self, c: Columns, day: Ints, channel: Ints) -> Floats:
        """Return (n,) log US dollars by day (ordinal) and channel (index), without unrecorded quality."""
        market = self.log_market(c["model"], day, channel)
        return self.log_specimen(c) + market + self._at_dealers(c, channel)

    def log_market(self, model: Ints, day: Ints, channel: Ints) -> Floats:
        """Return (n,) the market's part of the log value: the maker's index and the channel's level."""
        makers = np.array([m.maker_index for m in self.world.models])
        levels = np.array([CHANNEL_LEVEL[name] for name in CHANNEL_NAMES])
        return np.asarray(market_level(self.world, makers[model], day) + levels[channel])

    def log_specimen(self, c: Columns) -> Floats:
        """Return (n,) the specimen's part of the log value, its model's level included."""
        m = c["model"]
        gains = self._identity(c) + self._rarity(c) + self._provenance(c)
        total = gains - _saturated(self._penalty(c), self.nature.saturation)
        if self.nature.floor:
            # A smooth maximum of the specimen's factor and the floor. With sharpness 5 it differs from the
            # factor by less than a hundredth where the factor is above twice the floor.
            total = np.logaddexp(5 * total, 5 * np.log(self.nature.floor)) / 5
        return np.asarray(self._per_model("level")[m] + total)

    def effects(self, c: Columns, reference: Columns | None = None) -> dict[str, Floats]:
        """Return field → (n,) log effect, counted from `reference`, by default the one of the same model.

        Effects are baseline Shapley values over the fields, averaged over `_ORDERS` orders and their
        reverses. They sum to the specimen's log value less that of its reference.
        """
        if reference is None:
            reference = self.reference(c["model"])
        found = {name: np.zeros(len(c["model"])) for name in COUNTED}
        rng = np.random.default_rng(7)
        for _ in range(_ORDERS):
            order = rng.permutation(len(COUNTED))
            for one in (order, order[::-1]):
                self._walk([COUNTED[i] for i in one], c, reference, found)
        return {name: total / (2 * _ORDERS) for name, total in found.items()}

    def _walk(self, order: list[str], c: Columns, reference: Columns, found: dict[str, Floats]) -> None:
        hybrid = dict(reference)
        before = self.log_specimen(hybrid)
        for name in order:
            if np.array_equal(hybrid[name], c[name]):
                continue
            hybrid[name] = c[name]
            after = self.log_specimen(hybrid)
            found[name] += after - before
            before = after

    def reference(self, model: Ints) -> dict[str, NDArray[Any]]:
        """Return each model's reference specimen: traces of wear, all original and working, nothing special.

        It is a production instrument with the commonest finish, the model's median figure, the middle year
        of production and the original case. It has no edition, no number, no history and no paperwork.
        """
        zero = np.zeros(len(model), dtype=np.int64)
        c: dict[str, NDArray[Any]] = dict.fromkeys((f.flat for f in FIELDS), zero)
        c |= dict.fromkeys(WEAR_COST, zero + 1)
        c["model"] = model
        c["edition"] = zero - 1
        c["year"] = self._per_model("middle_year")[model].astype(np.int64)
        c["finish"] = self._per_model("common_finish")[model].astype(np.int64)
        c["figure"] = np.where(self._figured()[model], 2, 0)
        c["weight_kg"] = self._per_model("weight_kg")[model]
        return c

    def _per_model(self, name: str) -> Floats:
        return np.array([getattr(m, name) for m in self.world.models], dtype=np.float64)

    def _figured(self) -> NDArray[np.bool_]:
        return np.array([m.named.figured for m in self.world.models])

    def _identity(self, c: Columns) -> Floats:
        m = c["model"]
        run = self._run(c)
        bump = self._per_model("year_bump")[m] * np.cos(np.pi * run)
        weight = WEIGHT_PER_KG * (c["weight_kg"] - self._per_model("weight_kg")[m])
        return np.asarray(-self._per_model("year_slope")[m] * run + bump + weight)

    def _run(self, c: Columns) -> Floats:
        """Return (n,) the year on the scale of the model's run: −1 is the first year, 1 the last."""
        first, last, m = self._per_model("first_year"), self._per_model("last_year"), c["model"]
        run = (c["year"] - (first + last)[m] / 2) / np.maximum((last - first)[m] / 2, 1)
        return np.asarray(np.clip(run, -1.2, 1.2))

    def _provenance(self, c: Columns) -> Floats:
        """Return (n,) log gain of history, paperwork and case; history may gain more on a small edition."""
        recorded = _edition_table(self.world.models, "recorded")[c["model"], c["edition"]]
        rare = np.log(_COMMON / np.maximum(recorded, 1)) / np.log(_COMMON / _RAREST)
        rare = np.where(recorded > 0, np.clip(rare, 0.0, 1.0), 0.0)
        gains = {flat: np.array(steps)[c[flat]] for flat, steps in PROVENANCE_GAIN.items()}
        gains["provenance_history"] = gains["provenance_history"] * (1 + self.nature.storied_rarity * rare)
        return np.asarray(sum(gains.values()))

    def _at_dealers(self, c: Columns, channel: Ints) -> Floats:
        """Return (n,) log premium at a dealer: in full for a clean specimen, falling with the penalty."""
        clean = np.exp(-np.maximum(self._penalty(c), 0.0) / _PART_OF_A_FAULT)
        return np.where(channel == _DEALER, self.nature.dealer_clean * clean, 0.0)

    def _rarity(self, c: Columns) -> Floats:
        m, build = c["model"], c["build"]
        prototype = self.nature.prototype + self._per_model("prototype")[m]
        custom = CUSTOM_ORDER + self._per_model("custom_order")[m]
        made = np.where(build == 1, prototype, 0.0) + np.where(build == 2, custom, 0.0)
        return np.asarray(made + self._finish(c) + self._figure(c) + self._edition(c))

    def _finish(self, c: Columns) -> Floats:
        widest = max(len(m.shares) for m in self.world.models)
        effects = np.array([_padded(m.finish_effects, widest + 1) for m in self.world.models])
        effects[:, -1] = 0.15  # a finish that was not offered: its index −1 picks the last column
        return np.asarray(effects[c["model"], c["finish"]])

    def _figure(self, c: Columns) -> Floats:
        m = c["model"]
        widest = max(len(s) for s in self.world.showing)
        showing = np.array([_padded(s, widest + 1) for s in self.world.showing])
        makers = np.array([x.maker_index for x in self.world.models])
        shown = showing[makers[m], c["finish"]] * self.nature.figure_by_finish
        own = np.exp(self.nature.slope_spread * self._per_model("figure_slope")[m])
        gain = np.array(FIGURE_GAIN)[c["figure"]] * own * (1 + shown)
        return np.where(self._figured()[m], gain, 0.0)

    def _edition(self, c: Columns) -> Floats:
        """Return (n,) log gain of an edition, and of a low number where the edition is numbered."""
        models, at = self.world.models, c["edition"]
        effect = _edition_table(models, "effect")[c["model"], at]
        recorded = _edition_table(models, "recorded")[c["model"], at]
        numbered = (c["edition_number"] > 0) & (recorded > 0)
        share = np.clip(c["edition_number"] / np.maximum(recorded, 1), 0.0, 1.0)
        low = np.where(numbered, LOW_NUMBER * (1 - share) ** 3, 0.0)
        lost = np.zeros(len(at))
        for flat in ("originality_pickguard", "originality_tailpiece", "originality_pickups"):
            known_by = np.array(
                [_padded([e.known_by == flat for e in m.editions], 3) for m in models], dtype=np.float64
            )
            lost += known_by[c["model"], at] * (c[flat] >= 2)
        keeps = 1 - self.nature.known_part * lost
        return np.asarray(np.where(effect > 0, effect * keeps, effect) + low)

    def _penalty(self, c: Columns) -> Floats:
        """Return (n,) log cost of condition and originality; below 0 if better than the reference."""
        nature, m, prototype = self.nature, c["model"], c["build"] == 1
        z = np.clip(self._per_model("standard_level")[m], -2, 2)
        semi = np.array([x.named.body == "semi" for x in self.world.models])[m]
        spared = dict.fromkeys(("condition_top", "condition_back"), 1 - nature.semi_relief * semi)
        wear = sum(
            cost * (c[part] ** WEAR_POWER - 1.0) * spared.get(part, 1.0) for part, cost in WEAR_COST.items()
        )
        wear = nature.wear * wear * np.exp(nature.slope_spread * self._per_model("wear_slope")[m])
        wear = wear * (1 - nature.proto_relief * prototype)
        refinish = nature.refinish * np.array(ORIGINALITY_COST["originality_finish"])[c["originality_finish"]]
        refinish = refinish * np.exp(0.5 * nature.slope_spread * self._per_model("refinish_slope")[m])
        refinish = refinish * (1 + nature.dear_refinish * z)
        parts = {k: v for k, v in ORIGINALITY_COST.items() if k != "originality_finish"}
        changed = _table(parts, c) * (1 - nature.early_parts * self._run(c))
        return np.asarray(wear + refinish + _table(CONDITION_COST, c) + changed)


def _table(costs: Mapping[str, tuple[float, ...]], c: Columns) -> Floats:
    return np.asarray(sum(np.array(steps)[c[flat]] for flat, steps in costs.items()))


def _saturated(penalty: Floats, level: float) -> Floats:
    """Return the penalty levelled off at `level`; a negative one (a gain) counts in full."""
    if np.isinf(level):
        return penalty
    return np.where(penalty > 0, level * (1 - np.exp(-np.maximum(penalty, 0.0) / level)), penalty)


def _padded(values: Any, width: int) -> list[float]:
    row = [float(v) for v in values]
    return row + [0.0] * (width - len(row))


def _edition_table(models: tuple[WorldModel, ...], name: str) -> Floats:
    """Return (models, 3) an attribute of each edition; the last column, for index −1, is no edition (0)."""
    return np.array([_padded([getattr(e, name) for e in m.editions], 3) for m in models])
