"""A valuation's request and valuer, new or stored, from which the parts of its answer are made."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from models.valuation.valuer import Valuation, Valuer
from service.api.values.services import ValuationRequest
from service.context import bundle


@dataclass(frozen=True)
class Case:
    """A request for a valuation, with the valuer that answered it. `made`: the valuation, if already made."""

    request: ValuationRequest
    valuer: Valuer
    made: Valuation | None = None

    @cached_property
    def valuation(self) -> Valuation:
        """The valuation. If it is made again, it has the same figures, because the valuer is the same."""
        return self.made or self.valuer.value(
            self.request.subject, self.request.currency, self.request.levels
        )


def new_case(wanted: ValuationRequest, made: Valuation) -> Case:
    """Return the case of a valuation that this request has just made."""
    return Case(wanted, bundle().valuer, made)
