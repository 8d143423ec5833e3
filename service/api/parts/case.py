"""A valuation with all that it stands on, new or stored: the parts of its answer are made from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from models.valuation.valuer import Valuation, Valuer
from service.api.values.services import ValuationRequest
from service.context import bundle


@dataclass(frozen=True)
class Case:
    """A request with the valuer that answers or answered it. `made`: the valuation, if it is at hand."""

    request: ValuationRequest
    valuer: Valuer
    made: Valuation | None = None

    @cached_property
    def valuation(self) -> Valuation:
        """The valuation: the same figures each time it is made, for the valuer is the same."""
        return self.made or self.valuer.value(
            self.request.subject, self.request.currency, self.request.levels
        )


def new_case(wanted: ValuationRequest, made: Valuation) -> Case:
    """The case of a valuation that this request made."""
    return Case(wanted, bundle().valuer, made)
