"""The yardstick's table of scores, as text."""

from collections.abc import Mapping

Scores = Mapping[str, Mapping[str, Mapping[str, float]]]

_COLUMNS = (
    ("median_error", "median error", "{:.2f}%"),
    ("rmse_log", "RMSE log", "{:.4f}"),
    ("coverage", "90% coverage", "{:.1%}"),
    ("interval_score", "interval score", "{:.4f}"),
)
_LESS_IS_BETTER = ("median_error", "rmse_log", "interval_score")


def as_text(scores: Scores) -> str:
    """Return a block per contest, a line per contestant, and a star at the best where less is better."""
    lines = []
    for contest, contestants in scores.items():
        best = {key: min(s[key] for s in contestants.values()) for key in _LESS_IS_BETTER}
        lines.append(f"{contest:<31}" + "".join(f"{title:>17}" for _, title, _ in _COLUMNS))
        for name, found in contestants.items():
            cells = [_cell(found[key], form, best.get(key)) for key, _, form in _COLUMNS]
            lines.append(f"  {name:<29}" + "".join(f"{cell:>17}" for cell in cells))
        lines.append("")
    return "\n".join(lines[:-1])


def _cell(value: float, form: str, best: float | None) -> str:
    return form.format(value) + ("*" if value == best else " ")
