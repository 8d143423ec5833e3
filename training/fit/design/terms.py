"""The terms of an instrument's backbone, in one place; open data sets define theirs by `Term` too."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from models.price.core.backbone import BLANK, LEVEL, Block
from models.price.core.basis import Table
from models.price.instruments.features import BLANKS, CONDITION_LOSSES, ORIGINALITY_LOSSES, STEPS_OF
from training.fit.design.recipes import (
    Maker,
    course,
    graded,
    graded_steps,
    levels,
    linear,
    raw,
    smooth,
    steps,
    trend,
    unknown,
    walk,
)


@dataclass(frozen=True)
class Term:
    """One block to be: the product of bases over these columns, by these recipes.

    `part`: the part of the value that the block belongs to, of which the trees see the total; "" for none.
    """

    name: str
    recipes: tuple[Maker, ...]
    role: str = LEVEL
    group: str = ""
    pooled: bool = True
    part: str = ""

    def fitted(self, table: Table) -> Block | None:
        """The block on this data, or None where one of its columns says nothing here."""
        bases = [recipe(table) for recipe in self.recipes]
        if any(basis is None for basis in bases):
            return None
        found = tuple(basis for basis in bases if basis is not None)
        return Block(self.name, found, self.role, self.group or self.name, self.pooled, self.part)


def _losses(family: str, fields: Sequence[str]) -> Iterable[Term]:
    role = f"loss:{family}"
    for field in fields:
        count, part = STEPS_OF[field], loss_part(field)
        kind = "grade" if count == 5 else "part" if field.split("_")[1] in _PARTS else field
        yield Term(f"{field} slope", (graded(field, count),), role, f"slope {kind}", part=part)
        yield Term(f"{field} steps", (graded_steps(field, count),), role, f"steps {kind}", part=part)
        # A blank is the usual loss and more: faults are left unsaid more often than good news.
        yield Term(f"{field} unknown", (unknown(field),), role, f"unknown {family}", part=part)


_PARTS = ("pickups", "wiring", "tuners", "bridge", "tailpiece", "nut", "pickguard")


def loss_part(field: str) -> str:
    """The part of the value that a loss belongs to: a refinish works on others unlike changed parts do."""
    if field in CONDITION_LOSSES:
        return "condition"
    return "refinish" if field == "originality_finish" else "changed parts"


def instrument_terms() -> tuple[Term, ...]:
    """The backbone of a collectible guitar's log price."""
    losses = [*_losses("condition", CONDITION_LOSSES), *_losses("originality", ORIGINALITY_LOSSES)]
    level = [replace(term, part=part) for part, terms in LEVEL_TERMS.items() for term in terms]
    return (*level, *_blanks(), *losses, *_scales())


# Part of the value → its terms.
LEVEL_TERMS: Mapping[str, Sequence[Term]] = {
    "identity": [
        Term("maker", (levels("maker"),)),
        Term("model", (levels("model"),)),
        Term("year", (linear("year"),)),
        Term("year curve", (smooth("year"),)),
        Term("run", (linear("year_in_run"),)),
        Term("run curve", (smooth("year_in_run", 8, 5),)),
        Term("run by model", (levels("model"), linear("year_in_run"))),
        Term("run curve by model", (levels("model"), smooth("year_in_run", 8, 3))),
        Term("weight", (linear("weight"),)),
        Term("weight curve", (smooth("weight", 8, 4),)),
        Term("weight by model", (levels("model"), linear("weight"))),
    ],
    "edition": [
        Term("edition", (levels("edition"),)),
        Term("special", (levels("special"),)),
        Term("log_total", (linear("log_total"),)),
        Term("number", (linear("log_number"),)),
        Term("number curve", (smooth("log_number", 8, 5),)),
        Term("place", (linear("place"),)),
        Term("place curve", (smooth("place", 8, 4),)),
        Term("place by edition", (levels("edition"), linear("place"))),
        Term("number by edition", (levels("edition"), linear("log_number"))),
    ],
    "finish": [
        Term("finish_rarity", (linear("finish_rarity"),)),
        Term("finish_rarity curve", (smooth("finish_rarity", 8, 4),)),
        Term("finish", (levels("finish"),)),
        Term("maker finish", (levels("maker_finish", unknown=False),)),
        Term("model finish", (levels("model_finish", unknown=False),)),
    ],
    "build": [
        Term("build", (levels("build"),)),
        Term("build by model", (levels("build"), levels("model"))),
        Term("build by edition", (levels("build"), levels("special"))),
    ],
    "figure": [
        Term("figure", (linear("figure"),)),
        Term("figure steps", (steps("figure", 5),)),
        Term("figure by model", (levels("model"), linear("figure"))),
    ],
    "provenance": [Term(name, (levels(name),)) for name in ("history", "paperwork", "case")],
    "market": [
        Term("index", (walk("time", 0.25),)),
        # A market that rises or falls steadily goes on for a while: its slopes are carried on for a year past
        # the last evidence, with the doubt that they have, and then held.
        Term("drift", (trend("time"),), pooled=False),
        Term("course", (course("time"),)),
        Term("drift by maker", (levels("maker"), trend("time"))),
        Term("drift by model", (levels("model"), trend("time"))),
        Term("walk by maker", (levels("maker"), walk("time", 1.0))),
    ],
    "channel": [
        Term("channel", (levels("channel"),)),
        Term("channel by maker", (levels("channel"), levels("maker"))),
    ],
}


def _blanks() -> list[Term]:
    """The terms that lower a value below the reference instrument's for each blank field; see `BLANK`."""
    # The coefficients are not negative and the columns are −1 where blank, so a blank can only lower a value.
    return [Term(name, (raw(name, -1.0),), BLANK, "blank") for name in ("number_unknown", *BLANKS)]


def _scales() -> list[Term]:
    return [
        Term(f"{family} by {column}", (levels(column),), f"scale:{family}")
        for family in ("condition", "originality")
        for column in ("build", "maker", "model")
    ]
