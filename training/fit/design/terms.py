"""The terms of the regression (backbone) on instruments. Open data sets use `BackboneTerm` for theirs."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from models.domain.vocabulary import BY_FLAT, PARTS
from models.price.core.backbone import BLANK, LEVEL, Block, Role, loss_of, scale_of
from models.price.core.basis import Table
from models.price.instruments.features import BLANKS, CONDITION_LOSSES, ORIGINALITY_LOSSES, STEPS_OF
from training.fit.design.recipes import (
    BasisFactory,
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
class BackboneTerm:
    """A term of the regression: recipes whose bases, multiplied, become one block of design columns.

    `part`: the part of the value that the block belongs to, whose total is a tree input; "" for none.
    """

    name: str
    recipes: tuple[BasisFactory, ...]
    role: Role = LEVEL
    group: str = ""
    pooled: bool = True
    part: str = ""

    def fitted(self, table: Table) -> Block | None:
        """Return the block fitted to this table, or None where a recipe finds too little data."""
        bases = [recipe(table) for recipe in self.recipes]
        if any(basis is None for basis in bases):
            return None
        found = tuple(basis for basis in bases if basis is not None)
        return Block(self.name, found, self.role, self.group or self.name, self.pooled, self.part)


def _losses(family: str, fields: Sequence[str]) -> Iterable[BackboneTerm]:
    role = loss_of(family)
    for field in fields:
        count, part = STEPS_OF[field], loss_part(field)
        kind = "grade" if count == 5 else "part" if BY_FLAT[field] in PARTS else field
        yield BackboneTerm(f"{field} slope", (graded(field, count),), role, f"slope {kind}", part=part)
        yield BackboneTerm(f"{field} steps", (graded_steps(field, count),), role, f"steps {kind}", part=part)
        # A blank costs the usual loss or more, as faults are left unsaid more often than good news.
        yield BackboneTerm(f"{field} unknown", (unknown(field),), role, f"unknown {family}", part=part)


def loss_part(field: str) -> str:
    """Return the part of the value that a field's loss belongs to. Refinishes are a part of their own."""
    if field in CONDITION_LOSSES:
        return "condition"
    return "refinish" if field == "originality_finish" else "changed parts"


def instrument_terms() -> tuple[BackboneTerm, ...]:
    """Return all terms of the regression on an instrument's log price."""
    losses = [*_losses("condition", CONDITION_LOSSES), *_losses("originality", ORIGINALITY_LOSSES)]
    level = [replace(term, part=part) for part, terms in LEVEL_TERMS.items() for term in terms]
    return (*level, *_blanks(), *losses, *_scales())


# Part of the value → its terms.
LEVEL_TERMS: Mapping[str, Sequence[BackboneTerm]] = {
    "identity": [
        BackboneTerm("maker", (levels("maker"),)),
        BackboneTerm("model", (levels("model"),)),
        BackboneTerm("year", (linear("year"),)),
        BackboneTerm("year curve", (smooth("year"),)),
        BackboneTerm("run", (linear("year_in_run"),)),
        BackboneTerm("run curve", (smooth("year_in_run", 8, 5),)),
        BackboneTerm("run by model", (levels("model"), linear("year_in_run"))),
        BackboneTerm("run curve by model", (levels("model"), smooth("year_in_run", 8, 3))),
        BackboneTerm("weight", (linear("weight"),)),
        BackboneTerm("weight curve", (smooth("weight", 8, 4),)),
        BackboneTerm("weight by model", (levels("model"), linear("weight"))),
    ],
    "edition": [
        BackboneTerm("edition", (levels("edition"),)),
        BackboneTerm("special", (levels("special"),)),
        BackboneTerm("log_total", (linear("log_total"),)),
        BackboneTerm("number", (linear("log_number"),)),
        BackboneTerm("number curve", (smooth("log_number", 8, 5),)),
        BackboneTerm("number share", (linear("number_share"),)),
        BackboneTerm("number share curve", (smooth("number_share", 8, 4),)),
        BackboneTerm("number share by edition", (levels("edition"), linear("number_share"))),
        BackboneTerm("number by edition", (levels("edition"), linear("log_number"))),
    ],
    "finish": [
        BackboneTerm("finish_rarity", (linear("finish_rarity"),)),
        BackboneTerm("finish_rarity curve", (smooth("finish_rarity", 8, 4),)),
        BackboneTerm("finish", (levels("finish"),)),
        BackboneTerm("maker finish", (levels("maker_finish", unknown=False),)),
        BackboneTerm("model finish", (levels("model_finish", unknown=False),)),
    ],
    "build": [
        BackboneTerm("build", (levels("build"),)),
        BackboneTerm("build by model", (levels("build"), levels("model"))),
        BackboneTerm("build by edition", (levels("build"), levels("special"))),
    ],
    "figure": [
        BackboneTerm("figure", (linear("figure"),)),
        BackboneTerm("figure steps", (steps("figure", 5),)),
        BackboneTerm("figure by model", (levels("model"), linear("figure"))),
    ],
    "provenance": [BackboneTerm(name, (levels(name),)) for name in ("history", "paperwork", "case")],
    "market": [
        BackboneTerm("index", (walk("time", 0.25),)),
        # A market that rises or falls steadily does so for a while longer, so its slopes go on for up to a
        # year past the last evidence, with their standard errors. After that the level is held.
        BackboneTerm("drift", (trend("time"),), pooled=False),
        BackboneTerm("course", (course("time"),)),
        BackboneTerm("drift by maker", (levels("maker"), trend("time"))),
        BackboneTerm("drift by model", (levels("model"), trend("time"))),
        BackboneTerm("walk by maker", (levels("maker"), walk("time", 1.0))),
    ],
    "channel": [
        BackboneTerm("channel", (levels("channel"),)),
        BackboneTerm("channel by maker", (levels("channel"), levels("maker"))),
    ],
}


def _blanks() -> list[BackboneTerm]:
    """Return the terms that lower a value for each blank field (see `RoleKind.BLANK`)."""
    # The coefficients are not negative and the columns are −1 where blank, so a blank can only lower a value.
    return [BackboneTerm(name, (raw(name, -1.0),), BLANK, "blank") for name in ("number_unknown", *BLANKS)]


def _scales() -> list[BackboneTerm]:
    return [
        BackboneTerm(f"{family} by {column}", (levels(column),), scale_of(family))
        for family in ("condition", "originality")
        for column in ("build", "maker", "model")
    ]
