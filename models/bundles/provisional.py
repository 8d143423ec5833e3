"""The rule that says which price models are provisional, and what it means for their promotion.

The gate is the set of checks that a new price model must pass before it is promoted. A price model is
provisional unless its gate judged it on later sales and let it pass: a holdout model was fitted without the
latest sales, and its values and ranges were compared with them. The reasons:

- Only later sales show what a market does next, so no other test is enough.
- With few sales none can be held out, but values are needed all the same. Cross-validation of whole
  instruments can show that ranges clearly do not hold, and not much more. A price model that passes it may
  serve, and every answer says that it is provisional.
- A price model that failed the gate, or was not judged, is provisional even if it is promoted by force.
- A provisional price model never replaces one that is not, unless somebody says who wants it and why: a
  price model that is known to hold would be given up for an untested one.
"""

from collections.abc import Mapping
from typing import Any


def provisional(*, on_later_sales: bool, passed: bool) -> bool:
    """Say if a price model is provisional.

    `on_later_sales`: it was judged on sales later than the evidence of its holdout fit. `passed`: it passed
    the gate, the checks before promotion.
    """
    return not (on_later_sales and passed)


def is_provisional(manifest: Mapping[str, Any]) -> bool:
    """Say whether a manifest calls its bundle provisional; an old manifest without the entry does not."""
    return bool(manifest.get("provisional", False))


def in_place_of_earned(candidate: Mapping[str, Any], current: Mapping[str, Any] | None) -> list[str]:
    """List the objection, if any, to replacing a bundle that is not provisional by a provisional one.

    `candidate`, `current`: the manifests of the two bundles; `current` is None where none is promoted.
    """
    if current is None or is_provisional(current) or not is_provisional(candidate):
        return []
    return [f"provisional: it would take the place of {current['version']}, which has earned the gate"]
