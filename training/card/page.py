"""The model card as one HTML page that loads nothing else: no script, font or picture."""

from collections.abc import Mapping, Sequence
from datetime import date
from html import escape
from typing import Any

import numpy as np

from models.study.judge import Judged
from models.study.ratio import ACCEPTED
from training.card import practice, trees
from training.card.charts.values import (
    coverage_chart,
    importance_chart,
    index_chart,
    predicted_against_paid,
    ratio_by_price,
)
from training.card.pieces import figure, table, written
from training.card.style import STYLE
from training.study.judging import LEFT_OUT

_MOST_FACTORS = 15

# Name of a figure → (its label, its number format).
_FIGURES: Mapping[str, tuple[str, str]] = {
    "median_error": ("median absolute error", "{:.1f}%"),
    "rmse_log": ("RMSE of the log price", "{:.3f}"),
    "median_ratio": ("median ratio", "{:.3f}"),
    "mean_ratio": ("mean ratio", "{:.3f}"),
    "weighted_mean_ratio": ("weighted mean ratio", "{:.3f}"),
    "cod": ("COD", "{:.1f}"),
    "prd": ("PRD", "{:.3f}"),
    "prb": ("PRB", "{:+.3f}"),
}


def page(card: Mapping[str, Any], judged: Judged | None) -> str:
    """Return the whole page as HTML.

    `card`: the result of `contents`, with `title` and `made` added. `judged`: the sales on which the model
    was judged, with their values and ranges; None if there were no such sales.
    """
    parts = [
        f"<h1>{escape(card['title'])}</h1>",
        f"<p class=lead>{_lead(card)}</p>",
        *_provisional(card),
        _CAUTION,
        *(_judgement(card, judged) if judged is not None else [_NOTHING_KEPT]),
        _index(card),
        _importance(card["importance"][:_MOST_FACTORS]),
        *practice.section(card["practice"], card["spreads"]),
        *trees.section(card["trees"]),
        _evidence(card["evidence"]),
    ]
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(card['title'])}</title><style>{STYLE}</style></head>\n<body><main>\n{body}\n"
        "</main></body></html>\n"
    )


_CAUTION = (
    "<p class=note>Values are statistical estimates from the evidence given: not an authentication, and not "
    "a qualified or certified appraisal.</p>"
)
_NOTHING_KEPT = (
    "<p class=note>No sales were kept out for judging: how good these values are is not known.</p>"
)


def _lead(card: Mapping[str, Any]) -> str:
    told = card["evidence"]
    return (
        f"Made {escape(card['made'])} from {told['sale']:,} sales, {told['asking']:,} asking prices and "
        f"{told['offer']:,} offers of {told['models']:,} models, {told['first']} to {told['last']}."
    )


def _provisional(card: Mapping[str, Any]) -> list[str]:
    if not card.get("provisional"):
        return []
    why = escape(card["why_provisional"])
    return [
        f"<p class=note><strong>Provisional.</strong> {why} It has not yet shown on enough later sales that "
        "its values and ranges hold, and every answer by it says so.</p>"
    ]


def _how(card: Mapping[str, Any]) -> str:
    """Explain how the price model was judged, in the paragraph that stands before the figures."""
    study = card["study"]
    sales = f"{study['overall']['sales']:,} sales from {study['first']} to {study['last']}"
    if card.get("judged_by") == LEFT_OUT:
        return (
            f"<p>{sales} are too few to keep any out by time. A second model, fitted in the same way without "
            "any record of the instrument, valued each sale for its date and channel; the model itself was "
            "then fitted on all the evidence. Such figures cannot show what the market does next.</p>"
        )
    return (
        f"<p>{sales} were kept out. A second model, fitted only on earlier sales, valued each sale for its "
        "date and channel; the model itself was then fitted on all the evidence.</p>"
    )


def _judgement(card: Mapping[str, Any], judged: Judged) -> list[str]:
    study = card["study"]
    whole = study["overall"]
    error, ratio = whole["median_error"]["value"], whole["median_ratio"]["value"]
    inside = whole["coverage"].get("0.9")
    paid_words = f"Scatter of price paid against value for {whole['sales']} sales: half within {error:.1f}%."
    ratio_words = (
        f"Ratio of value to price by value: overall median {ratio:.3f}; the table holds the figures."
    )
    cover_words = f"Share of prices inside the ranges, by group: overall {inside:.1%} inside the 90% range."
    return [
        "<h2>How good the values are</h2>",
        _how(card),
        _tiles(whole),
        "<div class=pair>",
        figure(predicted_against_paid(judged.center, judged.paid), "Value against price", paid_words),
        figure(ratio_by_price(judged.center, judged.paid), "Ratio by price", ratio_words),
        "</div>",
        _ratio_table(whole),
        "<h2>Do the ranges hold?</h2>",
        figure(
            coverage_chart(_coverage_rows(study), judged.levels),
            "Coverage by level and group. Line: target. Bar: variation expected by chance. Hollow diamond: "
            "outside it.",
            cover_words,
        ),
        _group_table(study),
    ]


def _tiles(whole: Mapping[str, Any]) -> str:
    tiles = [
        (f"{whole['median_error']['value']:.1f}%", "median absolute error"),
        (f"{whole['median_ratio']['value']:.3f}", "median ratio"),
        (f"{whole['coverage']['0.9']:.1%}", "of prices inside the 90% range"),
        (f"{whole['interval_score']:.2f}", "interval score at 90% (log)"),
    ]
    return "<dl class=tiles>" + "".join(f"<div><dt>{t}</dt><dd>{n}</dd></div>" for n, t in tiles) + "</dl>"


def _ratio_table(whole: Mapping[str, Any]) -> str:
    rows = []
    for key, (label, form) in _FIGURES.items():
        told = whole[key]
        accepted = ACCEPTED.get(key)
        limits = f"{accepted[0]:g} to {accepted[1]:g}" if accepted else ""
        span = f"{written(told['low'], form)} to {written(told['high'], form)}"
        rows.append([label, written(told["value"], form), span, limits])
    return table("Ratio study", ["", "figure", "95% interval", "accepted for property (IAAO 2013)"], rows)


def _coverage_rows(study: Mapping[str, Any]) -> list[tuple[str, int, list[float]]]:
    rows = [("all sales", study["overall"]["sales"], list(study["overall"]["coverage"].values()))]
    for groups in study["groups"].values():
        rows += [(name, f["sales"], list(f["coverage"].values())) for name, f in groups.items()]
    return rows


def _group_table(study: Mapping[str, Any]) -> str:
    levels = list(study["overall"]["coverage"])
    header = ["group", "sales", "error", "ratio", "COD", "PRD", "score", *(f"{float(x):.0%}" for x in levels)]
    rows = [_group_row("all sales", study["overall"])]
    for grouping, groups in study["groups"].items():
        rows += [_group_row(f"{grouping}: {name}", figures) for name, figures in groups.items()]
    return table("By group: median absolute error, ratio study, interval score, coverage", header, rows)


def _group_row(name: str, f: Mapping[str, Any]) -> list[str]:
    figures = [written(f[k]["value"], form) for k, form in _SHORT.items()]
    return [
        name,
        f"{f['sales']:,}",
        *figures,
        f"{f['interval_score']:.2f}",
        *(f"{x:.0%}" for x in f["coverage"].values()),
    ]


_SHORT = {"median_error": "{:.1f}%", "median_ratio": "{:.3f}", "cod": "{:.1f}", "prd": "{:.3f}"}


def _index(card: Mapping[str, Any]) -> str:
    index, repeat = card["index"], card["repeat_sales"]
    days = [date.fromisoformat(day) for day in index["days"]]
    center, low, high = (np.array(index[name]) for name in ("center", "low", "high"))
    check = _check(repeat, days, center) if repeat else None
    svg = index_chart(days, center, low, high, index["band"], check)
    words = (
        f"Market index from {days[0]} to {days[-1]}, last day 100: it began at {center[0]:.0f}, its highest "
        f"was {center.max():.0f}, its lowest {center.min():.0f}."
    )
    note = ""
    if repeat:
        note = (
            f"<p>Squares: {repeat['pairs']:,} pairs of sales of one and the same serial number, a method "
            "that knows nothing of the model (Bailey, Muth &amp; Nourse 1963); laid on the index at their "
            "mean.</p>"
        )
    return f"<h2>The market</h2>{figure(svg, 'Market index', words)}{note}"


def _check(
    repeat: Mapping[str, Any], days: Sequence[date], center: np.ndarray
) -> tuple[list[date], Any] | None:
    known = [
        (date(y, 7, 1), v) for y, v in zip(repeat["years"], repeat["index"], strict=True) if v is not None
    ]
    if len(known) < 2:
        return None
    at = np.array([day.toordinal() for day, _ in known])
    level = np.array([value for _, value in known])
    ours = np.interp(at, [day.toordinal() for day in days], center)
    return [day for day, _ in known], level * np.exp(np.mean(np.log(ours / level)))


def _importance(rows: Sequence[Mapping[str, Any]]) -> str:
    shown = [(row["label"], row["family"], 100 * float(np.expm1(row["effect"]))) for row in rows]
    if not shown:
        return ""
    first = ", ".join(f"{label} ({size:.1f}%)" for label, _, size in shown[:3])
    words = f"Mean size of the effect of each field on the price, largest first: {first}."
    svg = importance_chart(shown)
    intro = (
        "<p>How much each field moved the values of the last sales from those of a typical instrument of "
        "the same model. Maker and model set the level that this is counted from.</p>"
    )
    return f"<h2>What matters most</h2>{intro}{figure(svg, 'Mean size of effects', words)}"


def _evidence(told: Mapping[str, Any]) -> str:
    names = ("sale", "asking", "offer", "makers", "models")
    rows = [[name, f"{told[name]:,}"] for name in names]
    rows += [[f"channel: {name}", f"{count:,}"] for name, count in told["channels"].items()]
    return "<h2>The evidence</h2>" + table("What the model was fitted on", ["", "count"], rows)
