"""True specimens of the demo market: all wear follows one amount of play, and parts are changed over time."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.price.core.basis import Floats, Ints
from training.demo.world.natures import WEAR_COST
from training.demo.world.workshops import World

Drawn = dict[str, NDArray[Any]]

_CUT_WEAR = {
    "condition_neck": 0.25,
    "condition_hardware": 0.2,
    "condition_frets": 0.3,
    "condition_back": -0.25,
}
# Chance that a part is no longer original, and how replacements split into period, modern and missing.
_REPLACED = {
    "originality_pickups": 0.15,
    "originality_wiring": 0.16,
    "originality_tuners": 0.20,
    "originality_bridge": 0.13,
    "originality_tailpiece": 0.10,
    "originality_nut": 0.22,
    "originality_pickguard": 0.17,
}
_SPLIT = np.cumsum((0.38, 0.50, 0.12))
PARTS = tuple(_REPLACED)


def draw_specimens(world: World, rng: np.random.Generator, n: int) -> Drawn:
    """Draw n new specimens: one array (n,) per field, coded as in `truth.Columns`, and `quality`.

    `quality` is the part of a specimen's worth that no field records, in standard deviations.
    """
    weights = np.array([m.popularity for m in world.models])
    model = rng.choice(len(weights), n, p=weights / weights.sum())
    c: Drawn = {"model": model, "maker": np.array([m.maker_index for m in world.models])[model]}
    c["build"] = rng.choice(3, n, p=(0.93, 0.03, 0.04))
    _edition_and_year(world, rng, c)
    c["finish"] = _finish(world, rng, model)
    figured = np.array([m.named.figured for m in world.models])[model]
    c["figure"] = np.where(figured, rng.choice(6, n, p=(0.08, 0.17, 0.30, 0.25, 0.14, 0.06)), 0)
    weight = np.array([m.weight_kg for m in world.models])[model] + rng.normal(0.0, 0.22, n)
    c["weight_kg"] = np.round(weight, 2)
    c["serial"] = rng.permutation(max(2 * n, 50_000))[:n] + 100  # no serial comes twice
    play = rng.normal(0.0, 1.0, n) - 0.5 * (c["edition_number"] > 0) + 0.3 * (c["build"] == 1)
    _condition(rng, c, play)
    _originality(rng, c, play)
    c["provenance_history"] = rng.choice(4, n, p=(0.72, 0.16, 0.10, 0.02))
    c["provenance_paperwork"] = (rng.random(n) < 0.14 + 0.25 * (c["provenance_history"] > 0)).astype(np.int64)
    c["provenance_case"] = rng.choice(4, n, p=(0.50, 0.10, 0.26, 0.14))
    c["quality"] = rng.normal(0.0, 1.0, n)
    return c


def _edition_and_year(world: World, rng: np.random.Generator, c: Drawn) -> None:
    """Draw edition, number and year into `c`; a few lie beyond the recorded numbers and years."""
    model, n = c["model"], len(c["model"])
    edition, number = np.full(n, -1), np.zeros(n, dtype=np.int64)
    first = np.array([m.first_year for m in world.models])[model]
    last = np.array([m.last_year for m in world.models])[model]
    for i, m in enumerate(world.models):
        chances = [min(max(e.made / 1500, 0.015), 0.25) for e in m.editions]
        at = np.flatnonzero(model == i)
        drawn = rng.choice(len(chances) + 1, len(at), p=[1 - sum(chances), *chances]) - 1
        for k, e in enumerate(m.editions):
            mine = at[drawn == k]
            edition[mine], first[mine], last[mine] = k, e.first_year, e.last_year
            if e.named.numbered:
                number[mine] = rng.integers(1, e.made + 1, len(mine))
    year = first + np.floor(rng.beta(1.6, 1.6, n) * (last - first + 1)).astype(np.int64)
    year = np.where(c["build"] == 1, np.minimum(year, first + 1), year)
    outside = rng.random(n)
    year = np.where(outside < 0.006, first - 1, np.where(outside < 0.012, last + 1, year))
    c["edition"], c["edition_number"], c["year"] = edition, number, year


def _finish(world: World, rng: np.random.Generator, model: Ints) -> Ints:
    """Draw finishes by their shares; about one specimen in 200 has a finish that was not offered (−1)."""
    finish = np.zeros(len(model), dtype=np.int64)
    for i, m in enumerate(world.models):
        at = np.flatnonzero(model == i)
        finish[at] = rng.choice(len(m.shares), len(at), p=np.array(m.shares) / sum(m.shares))
    return np.where(rng.random(len(model)) < 0.005, -1, finish)


def _condition(rng: np.random.Generator, c: Drawn, play: Floats) -> None:
    n = len(play)
    age = (1985 - c["year"]) / 15.0
    for part in WEAR_COST:
        grade = 1.35 + _CUT_WEAR.get(part, 0.0) + 0.95 * play + 0.3 * age + rng.normal(0.0, 0.55, n)
        c[part] = np.clip(np.rint(grade), 0, 5).astype(np.int64)
    c["condition_electronics"] = _by_rank(rng, play, 0.3, (0.90, 0.085, 0.015))
    c["condition_structure"] = _by_rank(rng, play, 0.3, (0.885, 0.045, 0.015, 0.045, 0.01))


def _originality(rng: np.random.Generator, c: Drawn, play: Floats) -> None:
    n = len(play)
    tinkered = rng.normal(0.0, 1.0, n) + 0.35 * play - 0.5 * (c["edition_number"] > 0)
    c["originality_finish"] = _by_rank(rng, tinkered, 0.35, (0.86, 0.05, 0.09))
    again = c["originality_finish"] == 2
    for part in ("condition_top", "condition_back", "condition_headstock"):
        c[part] = np.where(again, np.minimum(c[part], 1 + c[part] // 2), c[part])
    for part, chance in _REPLACED.items():
        step = 1 + np.searchsorted(_SPLIT[:-1], rng.random(n), side="right")
        replaced = _by_rank(rng, tinkered, 0.5, (1 - chance, chance)) > 0
        c[part] = np.where(replaced, step, 0)
    c["originality_frets"] = _by_rank(rng, play, 0.5, (0.8, 0.2))
    c["originality_routing"] = _by_rank(rng, tinkered, 0.5, (0.91, 0.055, 0.035))


def _by_rank(rng: np.random.Generator, latent: Floats, share: float, chances: tuple[float, ...]) -> Ints:
    """Draw terms with these chances, later ones for a higher `latent`, which makes up `share` of the draw."""
    z = np.sqrt(share) * (latent - latent.mean()) / latent.std()
    z = z + np.sqrt(1 - share) * rng.normal(0.0, 1.0, len(latent))
    cuts = np.quantile(z, np.cumsum(chances)[:-1])
    return np.asarray(np.searchsorted(cuts, z, side="left"), np.int64)


def later_life(rng: np.random.Generator, c: Drawn) -> Drawn:
    """Return the same specimens some years later: a little more wear, now and then a part changed."""
    out = {name: values.copy() for name, values in c.items()}
    n = len(out["model"])
    for part in WEAR_COST:
        out[part] = np.minimum(out[part] + (rng.random(n) < 0.12), 5)
    for part in PARTS:
        changed = (rng.random(n) < 0.05) & (out[part] == 0)
        out[part] = np.where(changed, 2, out[part])
    refretted = rng.random(n) < 0.06
    out["originality_frets"] = np.where(refretted, 1, out["originality_frets"])
    out["condition_frets"] = np.where(refretted, 0, out["condition_frets"])
    return out
