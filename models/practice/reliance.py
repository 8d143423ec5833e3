"""The share of a field's fitted effect that rests on rules of common practice, by value of the field."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from models.domain.catalogue import Model
from models.domain.instrument import Instrument
from models.domain.parsing import Value
from models.practice import NAMEABLE

Position = str | float | bool
_Named = tuple[Position, float]


class RuleShare(NamedTuple):
    """One rule of common practice, with the share that it has in the fitted effect.

    `of`, `against`: the two instruments that the rule compares, flat field → value. `share`: how much of what
    the fit knows about their price difference comes from the rule, from 0 to 1.
    """

    of: Mapping[str, Value]
    against: Mapping[str, Value]
    share: float


class Comparison(NamedTuple):
    """The subject and the reference, two instruments of one catalogue model, between which an effect lies."""

    model: Model
    subject: Instrument
    reference: Instrument


@dataclass(frozen=True)
class Reliance:
    """The share of each effect that rests on rules, from 0 (evidence alone) to 1 (rules alone).

    `named`: path of a factor → (position, share) of each value that rules name. Values from the side `of` of
    a rule come before values only from the side `against`, each group in ascending order. A position is the
    value itself, with three exceptions: the log of a finish's share of production, the log of an edition's
    size, and an edition number divided by that size.
    """

    named: Mapping[str, Sequence[_Named]] = field(default_factory=dict)

    def share(self, path: str, observed: Value, reference: Value, between: Comparison) -> float:
        """Return the share of the observed value; of the reference's value if no rule names the observed one.

        Numbers and grades take the share of the nearest named value. The share is 0.0 where no rule names the
        field or either value.
        """
        terms = self._terms.get(path)
        if terms is not None:
            found = terms.get(observed)
            return terms.get(reference, 0.0) if found is None else found
        named = self._numbers.get(path)
        if named is None:
            return 0.0
        position = _position(path, observed, between.model, between.subject)
        if position is None:
            position = _position(path, reference, between.model, between.reference)
        if position is None:
            return 0.0
        return min(named, key=lambda one: abs(one[0] - position))[1]  # Of two equally near, the first.

    @cached_property
    def _terms(self) -> Mapping[str, Mapping[Value, float]]:
        return {p: dict(named) for p, named in self.named.items() if not isinstance(named[0][0], float)}

    @cached_property
    def _numbers(self) -> Mapping[str, Sequence[tuple[float, float]]]:
        return {
            path: tuple((float(position), share) for position, share in named)
            for path, named in self.named.items()
            if isinstance(named[0][0], float)
        }

    def state(self) -> dict[str, Any]:
        """Return the shares as JSON."""
        return {path: [list(one) for one in named] for path, named in self.named.items()}


EVIDENCE_ALONE = Reliance()


def read_reliance(state: Mapping[str, Any]) -> Reliance:
    """Read the shares that `Reliance.state` returned."""
    return Reliance(
        {path: tuple((position, share) for position, share in named) for path, named in state.items()}
    )


def reliance_of(rules: Iterable[RuleShare]) -> Reliance:
    """Combine the shares of all rules by field; a rule counts for the fields in which its sides differ."""
    about: dict[str, dict[Position, list[float]]] = {}
    beside: dict[str, dict[Position, list[float]]] = {}
    for rule in rules:
        for flat in rule.of:
            if rule.of[flat] != rule.against[flat]:
                path = _FACTORS.get(flat, NAMEABLE[flat].path)
                for sides, side in ((about, rule.of), (beside, rule.against)):
                    shares = sides.setdefault(path, {}).setdefault(_position_of_rule(flat, side), [])
                    shares.append(rule.share)
    return Reliance({path: (*_means(about[path]), *_means(beside[path], about[path])) for path in about})


def _means(shares: Mapping[Position, Sequence[float]], beyond: Iterable[Position] = ()) -> list[_Named]:
    """Return (position, mean share) in ascending order, without the positions in `beyond`."""
    return [(at, math.fsum(shares[at]) / len(shares[at])) for at in sorted(shares.keys() - set(beyond))]


# A number that a rule names instead of a finish or an edition → the factor that its effect belongs to.
_FACTORS = {"finish_share": "finish", "edition_total": "edition"}


def _position_of_rule(flat: str, side: Mapping[str, Any]) -> Position:
    value: Position = side[flat]
    if isinstance(value, str | bool):
        return value
    if flat in _FACTORS:
        return _log(float(value))
    return float(value) / side["edition_total"] if flat == "edition_number" else float(value)


def _position(path: str, value: Any, model: Model, it: Instrument) -> float | None:
    """Return the position of a value (see `Reliance`); None if it or its catalogue entry is not known."""
    if value is None:
        return None
    if path == "finish":
        finish = model.finish(value)
        return _log(finish.share) if finish and finish.share is not None else None
    if path in ("edition", "edition_number"):
        edition = model.edition(it.edition)
        total = edition.production_total if edition else None
        if total is None:
            return None
        return _log(total) if path == "edition" else float(value) / total
    return float(value)


def _log(value: float) -> float:
    return math.log(max(value, 1e-4))
