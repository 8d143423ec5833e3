"""Format the report on what more records would bring to a price model as text for a terminal."""

from collections.abc import Mapping
from typing import Any

from training.growth.report import percent
from training.study.table import aligned

_KINDS = (("sale", "sales"), ("asking", "asking prices"), ("offer", "offers"), ("instruments", "instruments"))
_HEADINGS = (
    ("models", "The models that gain most from ten more sales"),
    ("makers", "The makers that gain most from ten more sales"),
    ("fields", "The fields that gain most from ten more sales, by how often they occur"),
)


def lines(found: Mapping[str, Any]) -> list[str]:
    """Return the lines of the report. `found`: its JSON, with the bundle's version and standing."""
    records = ", ".join(f"{found['records'].get(key, 0):,} {word}" for key, word in _KINDS)
    word = " (provisional)" if found["provisional"] else ""
    out = [f"bundle {found['version']}{word}: {records}", "", *_past(found), "", *_expected(found)]
    for key, heading in _HEADINGS:
        out += ["", heading, *(f"  {entry['sentence']}" for entry in found["next"][key])]
        if not found["next"][key]:
            out.append("  none: ten more sales would narrow nothing")
    return out


def _past(found: Mapping[str, Any]) -> list[str]:
    judged = (
        "each size is judged by the holdout"
        if found["judged_by"] == "holdout"
        else "each size is judged by sales of instruments that its fits have no record of"
    )
    rows: list[tuple[str, ...]] = [
        ("part", "fits", "sales", "asking", "offers", "judged", "error%", "rmse", "80% range")
    ]
    rows += [
        (
            f"{size['share']:.3g}",
            str(size["fits"]),
            *(f"{size[kind]:,.0f}" for kind in ("sale", "asking", "offer", "judged")),
            f"{size['median_error']:.1f}",
            f"{size['rmse_log']:.3f}",
            f"±{size['range']:.0f}%",
        )
        for size in found["past"]
    ]
    if not found["past"]:
        return ["Past: no part of the records has enough sales for a fit"]
    return [f"Past: error and range by the number of records; {judged}", *_indented(rows)]


def _expected(found: Mapping[str, Any]) -> list[str]:
    if found["expected"] is None:
        return [f"Expected: {found['expected_note']}"]
    measures = found["expected"]
    rows: list[tuple[str, ...]] = [("sales", "error%", "rmse", "80% range")]
    for at, (sales, times) in enumerate(_times(measures["rmse_log"]["at"])):
        error, rmse, width = (measures[name]["at"][at] for name in ("median_error", "rmse_log", "width"))
        wide = {key: percent(width[key] / 2) for key in ("value", "low", "high")}
        rows.append(
            (f"{sales:,} ({times})", _span(error, ".1f"), _span(rmse, ".3f"), "±" + _span(wide, ".0f") + "%")
        )
    return ["Expected, with the middle 80% of the curves through sizes measured anew", *_indented(rows)]


def _times(at: list[Mapping[str, Any]]) -> list[tuple[int, str]]:
    first = at[0]["sales"]
    return [
        (one["sales"], "today" if one["sales"] == first else f"{one['sales'] / first:.0f} times")
        for one in at
    ]


def _span(figure: Mapping[str, float], form: str) -> str:
    return f"{figure['value']:{form}} ({figure['low']:{form}} to {figure['high']:{form}})"


def _indented(rows: list[tuple[str, ...]]) -> list[str]:
    return ["  " + line for line in aligned(rows)]
