"""The share of a field's fitted effect that rests on common practice, value by value."""

from __future__ import annotations

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
    """One rule of practice with what was learned of it.

    `of`, `against`: the two sides that it compares, flat field → value. `share`: the share of practice in
    what the fit knows of their difference.
    """

    of: Mapping[str, Value]
    against: Mapping[str, Value]
    share: float


class Comparison(NamedTuple):
    """The two instruments, of one model, that an effect is counted between."""

    model: Model
    subject: Instrument
    reference: Instrument


@dataclass(frozen=True)
class Reliance:
    """Shares of practice, from 0 (evidence alone) to 1 (practice alone).

    `named`: path of a factor → (position, share) of each value that rules name. Values that a rule is about
    come before those that rules only compare with, and both are in order. A position is the value; but of a
    finish it is the log of its share of the production, of an edition the log of its size, and of a number
    its part of the edition, as a price model counts them.
    """

    named: Mapping[str, Sequence[_Named]] = field(default_factory=dict)

    def share(self, path: str, observed: Value, reference: Value, between: Comparison) -> float:
        """The share at the observed value, or at the reference's where no rule names the observed one.

        A number or a grade takes the nearest that is named. 0.0 where no rule speaks of the field, or of
        either value.
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
        return 0.0 if position is None else _nearest(named, position)

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
        """As JSON."""
        return {path: [list(one) for one in named] for path, named in self.named.items()}


EVIDENCE_ALONE = Reliance()


def read_reliance(state: Mapping[str, Any]) -> Reliance:
    """The shares that `state` gave."""
    return Reliance(
        {path: tuple((position, share) for position, share in named) for path, named in state.items()}
    )


def reliance_of(rules: Iterable[RuleShare]) -> Reliance:
    """Gather the shares of all rules. A rule speaks of the fields in which its two sides differ."""
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
    """The mean share at each position that is not among those `beyond`."""
    return [(at, math.fsum(shares[at]) / len(shares[at])) for at in sorted(shares.keys() - set(beyond))]


# The number that a rule gives in place of a catalogue's name → the factor that the effect belongs to.
_FACTORS = {"finish_share": "finish", "edition_total": "edition"}


def _position_of_rule(flat: str, side: Mapping[str, Any]) -> Position:
    value: Position = side[flat]
    if isinstance(value, str | bool):
        return value
    if flat in _FACTORS:
        return _log(float(value))
    return float(value) / side["edition_total"] if flat == "edition_number" else float(value)


def _position(path: str, value: Any, model: Model, it: Instrument) -> float | None:
    """The position of a value (see `Reliance`); None where it is not known or the catalogue does not say."""
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


def _nearest(named: Sequence[tuple[float, float]], position: float) -> float:
    """The share at the nearest position, the first of two as near."""
    return min(named, key=lambda one: abs(one[0] - position))[1]
