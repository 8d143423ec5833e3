"""Format figures on errors and ranges (a study) as a text table, one line for each quarter or group."""

from collections.abc import Mapping
from typing import Any

_HEAD = ("sales", "error%", "rmse", "ratio", "COD", "PRD", "PRB")
_STATISTICS = (
    ("median_error", "{:.1f}"),
    ("rmse_log", "{:.3f}"),
    ("median_ratio", "{:.3f}"),
    ("cod", "{:.1f}"),
    ("prd", "{:.3f}"),
    ("prb", "{:+.3f}"),
)


def as_text(found: Mapping[str, Any]) -> str:
    """Return a study as text: a table of all sales, quarters and groups, then 95% intervals."""
    levels = [f"{float(level):.0%}" for level in found["overall"]["coverage"]]
    rows = [("", *_HEAD, "score90", *levels), _row("all sales", found["overall"])]
    rows += [_row(f"from {q['origin']}", q) for q in found.get("quarters", [])]
    for grouping, groups in found["groups"].items():
        rows += [_row(f"{grouping}: {name}", figures) for name, figures in groups.items()]
    title = f"{found['overall']['sales']} sales, {found['first']} to {found['last']}"
    word = " (provisional)" if found.get("provisional") else ""
    version = f"bundle {found['version']}{word}: " if "version" in found else ""
    return "\n".join([version + title, "", *aligned(rows), "", *_spans(found["overall"])])


def _row(name: str, figures: Mapping[str, Any]) -> tuple[str, ...]:
    statistics = [_number(figures[key]["value"], form) for key, form in _STATISTICS]
    score = _number(figures["interval_score"], "{:.3f}")
    inside = [f"{100 * share:.0f}%" for share in figures["coverage"].values()]
    return (name, str(figures["sales"]), *statistics, score, *inside)


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else form.format(value)


def _spans(overall: Mapping[str, Any]) -> list[str]:
    """Return one line for each statistic of all sales, with its 95% interval."""
    return [
        f"{key:>20}  {_number(overall[key]['value'], form)}  "
        f"({_number(overall[key]['low'], form)} to {_number(overall[key]['high'], form)})"
        for key, form in _STATISTICS
    ]


def aligned(rows: list[tuple[str, ...]]) -> list[str]:
    """Return one line for each row, with the first column flush left and the others flush right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  ".join([row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))])
        for row in rows
    ]
