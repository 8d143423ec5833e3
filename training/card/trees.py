"""The card's section on the boosted trees: what they learnt, in charts and sentences."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from training.card.charts.trees import bend_chart, map_chart, pairs_chart
from training.card.pieces import figure

_NO_TREES = (
    "<p>This bundle has no boosted trees: there were too few sales to grow any. Its values are those of the "
    "pooled backbone alone, in which condition, originality and rarity each act on their own.</p>"
)
_MEANING = (
    "<p>The backbone multiplies: a given loss of condition takes the same share of every value. The trees "
    "see the backbone’s own totals of each part of a value, two at a time, and bend that where the sales say "
    "so. A loss can never add value, however they bend it.</p>"
)


def section(told: Mapping[str, Any] | None) -> list[str]:
    """Return the section's HTML parts. `told`: the figures about the trees; None if the model has none."""
    title = "<h2>The boosted trees</h2>"
    if told is None:
        return [title, _NO_TREES]
    parts = [title, f"<p>{amount(told)}</p>", _MEANING]
    if told["bends"]:
        parts.append(_bends(told["bends"]))
    if told["pairs"]:
        parts += [_pairs(told["pairs"]), _map(told["map"])]
    return parts


def amount(told: Mapping[str, Any]) -> str:
    """State the number of trees, their weight in a value and what they gain, in sentences."""
    said = (
        f"{told['boosters']:,} boosters with {told['trees']:,} trees in all, served as tables over pairs of "
        f"inputs. Of what they say, the share {told['weight']:.2f} is believed."
    )
    if told["gain"] is None or told["gain_error"] is None:
        return said
    gain, error = 100 * told["gain"], 100 * told["gain_error"]
    verb = "take away" if gain >= 0 else "add"
    sure = "" if gain > 2 * error else " That is too little to tell from chance."
    return (
        f"{said} On sales left out of the fit they {verb} {abs(gain):.2f}% of the squared error of the log "
        f"price (standard error {error:.2f}%).{sure}"
    )


def _bends(bends: Sequence[Mapping[str, Any]]) -> str:
    titles = [f"Condition and {bend['kind']}: by {bend['by']}" for bend in bends]
    words = "How far a loss of condition takes the value down, from the best to the worst of the sales. "
    caption = (
        "Value against the loss of condition that the backbone counts, at a low, middle and high level of "
        "the input of originality and of rarity that bends it most; all other inputs at their medians. In "
        "brackets: what that level does to a value by the backbone. Below: each line beside the backbone’s "
        "own at the same level."
    )
    return figure(bend_chart(bends, titles), caption, words + " ".join(map(_bend_words, bends)))


def _bend_words(bend: Mapping[str, Any]) -> str:
    ends = ", ".join(f"{line['name']} {100 * line['value'][-1]:.1f}%" for line in bend["lines"])
    own = 100 * bend["lines"][1]["backbone"][-1]
    return f"By {bend['by']}, the value left at the worst: {ends}; by the backbone alone {own:.1f}%."


def _pairs(pairs: Sequence[Mapping[str, Any]]) -> str:
    rows = [(" × ".join(pair["inputs"]), 100 * float(np.expm1(pair["strength"]))) for pair in pairs]
    first = ", ".join(f"{name} ({size:.2g}%)" for name, size in rows[:3])
    words = f"Pairs of inputs by what both do together beyond what each does alone, strongest first: {first}."
    caption = (
        "The strongest pairs of inputs: standard deviation, over the sales, of what the two do together "
        "beyond what each does alone, as served"
    )
    return figure(pairs_chart(rows), caption, words)


def _map(told: Mapping[str, Any]) -> str:
    one, other = told["inputs"]
    effect = np.array(told["effect"], dtype=np.float64)
    low, high = (100 * float(np.expm1(end)) for end in (np.nanmin(effect), np.nanmax(effect)))
    words = (
        f"Map of {one} by {other}: together they move a value by {low:+.2g}% to {high:+.2g}% beyond what "
        "each does alone."
    )
    caption = (
        f"The strongest pair, {one} and {other}: what both do together beyond what each does alone, as "
        "served; blue adds, grey takes off. Each row and column is a group of sales, named by what its "
        "median does to a value by the backbone; an empty cell has no sale."
    )
    return figure(map_chart(told), caption, words)
