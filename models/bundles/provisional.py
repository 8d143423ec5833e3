"""One rule says which price models are provisional. Its reasons, and what it asks of a promotion, follow.

A price model is provisional until it has earned the gate: enough sales could be kept out by time, a holdout
model that never saw them was judged on them, and the gate let it pass. The reasons:

- Later sales alone show what a market does next, so nothing else earns the gate.
- Whoever starts has too few sales to keep any out, and needs values all the same. Cross-validation of whole
  instruments can show that ranges clearly do not hold, and not much more. A price model that it has nothing
  against may serve, and every answer says that it is provisional.
- A price model that was promoted by force against the gate, or unjudged, has not earned the gate either.
- A provisional price model never takes the place of one that has earned the gate, unless somebody says who
  wants it and why: what is known to hold would be given up for what is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def provisional(*, on_later_sales: bool, passed: bool) -> bool:
    """The rule. `on_later_sales`: it was judged on sales kept out by time; `passed`: what the gate said."""
    return not (on_later_sales and passed)


def is_provisional(manifest: Mapping[str, Any]) -> bool:
    """Say whether a bundle's manifest calls it provisional; one older than that entry is not."""
    return bool(manifest.get("provisional", False))


def in_place_of_earned(candidate: Mapping[str, Any], current: Mapping[str, Any] | None) -> list[str]:
    """List the objections, by manifests, to a provisional bundle in place of one that earned the gate."""
    if current is None or is_provisional(current) or not is_provisional(candidate):
        return []
    return [f"provisional: it would take the place of {current['version']}, which has earned the gate"]
