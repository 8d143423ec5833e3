"""A fit of many rows learns its first variances on a part of them, unless a kind of evidence is not in it."""

from __future__ import annotations

import numpy as np
import pytest
from plain import Plain

from models.price.core.basis import Table
from training.fit import core
from training.fit.design.data import Data
from training.fit.design.recipes import levels
from training.fit.design.specification import Specification
from training.fit.design.terms import BackboneTerm
from training.fit.solve.solution import Solution

ROWS, EACH = 1200, 4
ENCODING = Plain({"build": "usual"})
SPEC = Specification((BackboneTerm("build", (levels("build"),)),))
KINDS = ("", "asking", "offer")  # sales, askings, offers


def fitted(
    monkeypatch: pytest.MonkeyPatch, at_each: tuple[str, str], between: str, learn_on: int
) -> Solution:
    """Fit rows whose every fourth is one of two kinds in turn, with a third kind between them."""
    kinds = [between if row % EACH else at_each[row // EACH % 2] for row in range(ROWS)]
    rng = np.random.default_rng(5)
    build = rng.choice(np.array(["usual", "spared", "other"], object), ROWS)
    spread = np.array([0.1 + 0.1 * KINDS.index(kind) for kind in kinds])
    y = 8 + np.where(build == "spared", 0.5, 0.0) + rng.normal(0, 1, ROWS) * spread
    table: Table = {"build": build}
    data = Data(table, ENCODING.rows_of(table), y, kinds, kinds, [str(row) for row in range(ROWS)])
    monkeypatch.setattr(core, "_LEARN_ON", learn_on)
    return core.fit_core(data, SPEC, ENCODING).estimate


@pytest.mark.parametrize("missing", KINDS)
def test_a_part_that_lacks_a_kind_of_evidence_is_not_learned_on(
    monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    first, second = (kind for kind in KINDS if kind != missing)
    whole, parted = (
        fitted(monkeypatch, (first, second), missing, learn_on) for learn_on in (ROWS, ROWS // EACH)
    )
    assert parted.sigma2.tolist() == whole.sigma2.tolist()
    assert parted.theta.tolist() == whole.theta.tolist()


def test_a_part_that_has_every_kind_of_evidence_is_learned_on(monkeypatch: pytest.MonkeyPatch) -> None:
    whole, parted = (fitted(monkeypatch, ("", ""), "", learn_on) for learn_on in (ROWS, ROWS // EACH))
    assert parted.sigma2.tolist() != whole.sigma2.tolist()
    assert parted.sigma2 == pytest.approx(whole.sigma2, rel=0.05)
