"""From evidence to a bundle that says how good it is, and through the gate into use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

import orjson

from models.bundle import write_bundle
from models.catalogue import Catalogue
from models.errors import BookmatchError, BundleError, BundleMissingError, Fault, InputError
from models.evidence import Evidence
from models.kept import EVIDENCE, Kept
from models.money import Rates
from models.price.interface import PriceModel
from models.registry import Registry
from models.study.judge import Judged, judge, only_sales, study
from training.card.contents import contents, plain
from training.card.page import page
from training.study.gate import ANSWERS_FILE, Answers, Check, Verdict, answers_of_current, gate
from training.study.holdout import LEAST, MONTHS, split_by_time
from training.study.width import width_factor

CARD_PAGE, CARD_JSON = "card.html", "card.json"


@dataclass(frozen=True)
class Made:
    """A bundle that was written. `judged`: its twin's answers, None where too few sales could be kept out."""

    version: str
    judged: Judged | None
    verdict: Verdict


class Fitted(Protocol):
    """A model with the report of its fit."""

    @property
    def model(self) -> PriceModel: ...

    @property
    def report(self) -> dict[str, Any]: ...


def fit_anew(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    seed: int,
    *,
    progress: bool,
    learned: Any = None,
    width: float = 1.0,
) -> Fitted:
    """One fit, from what an earlier one `learned` if given; ranges are `width` times as wide.

    The fitting code is imported here, so that all else works without its weight.
    """
    from training.fit import fit_model

    fitted: Fitted = fit_model(
        rows, catalogue, rates, seed=seed, progress=progress, learned=learned, width=width
    )
    return fitted


def fit_for_backtest(rows: Sequence[Evidence], catalogue: Catalogue, rates: Rates, seed: int) -> PriceModel:
    """The model alone, silently: what a backtest needs from a worker process."""
    return fit_anew(rows, catalogue, rates, seed, progress=False).model


def make_bundle(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    store: Path,
    *,
    seed: int = 0,
    months: float = MONTHS,
    about: dict[str, Any] | None = None,
    progress: bool = True,
) -> Made:
    """Fit, judge, describe, write and hold against the current bundle; promotes nothing.

    `months`: how many of the last are kept out for judging (`training.study.holdout`). Raises InputError for
    evidence without enough sales.
    """
    _check_enough(rows)
    split, judged, learned, width = split_by_time(rows, months), None, None, 1.0
    if split.first is not None:
        twin = fit_anew(split.before, catalogue, rates, seed, progress=progress)
        judged = judge(twin.model, split.kept, rates)
        learned, width = getattr(twin, "learned", None), width_factor(judged)
    # The twin's variances are a good place to start from, and its ranges say how wide they have to be.
    fit = fit_anew(rows, catalogue, rates, seed, progress=progress, learned=learned, width=width)
    verdict = pass_gate(judged, store, rates)
    told = plain(study(judged)) if judged else None
    card = {
        "title": "Model card",
        "made": datetime.now(UTC).date().isoformat(),
        "seed": seed,
        **contents(fit.model, rows, catalogue, rates, told, fit.report),
        "gate": verdict.to_json(),
    }
    said = {
        **(about or {}),
        "seed": seed,
        "evidence": card["evidence"],
        "judged": told["overall"] if told else None,
        "gate": card["gate"],
    }
    version = write_bundle(store, fit.model, catalogue, rates, said, _files(card, judged, rows))
    return Made(version, judged, verdict)


def _check_enough(rows: Sequence[Evidence]) -> None:
    count = len(only_sales(rows))
    if count < LEAST:
        step = "add the records of more sales"
        raise InputError(
            [Fault("evidence", count, "closed sales are too few to fit", f"at least {LEAST}", step)]
        )


def _files(card: dict[str, Any], judged: Judged | None, rows: Sequence[Evidence]) -> dict[str, bytes]:
    files = {
        EVIDENCE: Kept.of(rows).to_bytes(),
        CARD_PAGE: page(card, judged).encode(),
        CARD_JSON: orjson.dumps(card, option=orjson.OPT_INDENT_2),
    }
    if judged is not None:
        files[ANSWERS_FILE] = Answers.of(judged).to_bytes()
    return files


def pass_gate(judged: Judged | None, store: Path, rates: Rates) -> Verdict:
    """What the gate says of a candidate judged like this, against the current bundle of the store if any."""
    if judged is None:
        detail = f"fewer than {LEAST} sales could be kept out, so nothing shows that it is any good"
        return Verdict((Check("judged on later sales", False, detail),), 0)
    try:
        current = Registry(store).load()
    except BundleMissingError:
        return gate(judged)
    except BundleError as error:
        # Such a store is mended by promoting a new bundle, so it must not stand in the way of one.
        verdict = gate(judged)
        note = Check("current bundle", True, f"it cannot be read, and was not compared with: {error}")
        return Verdict((*verdict.checks, note), verdict.common)
    kept = None
    if ANSWERS_FILE in current.manifest["files"]:
        kept = Answers.from_bytes(current.file(ANSWERS_FILE))
    usable, said = answers_of_current(current.valuer.model, kept, judged, rates)
    return gate(judged, usable, said)


class GateError(BookmatchError):
    """The gate did not let a bundle pass; it stands in the store and can be promoted by force."""


def promote(
    made: Made, store: Path, *, force: bool = False, who: str | None = None, why: str | None = None
) -> None:
    """Make it current. Without `force` only if the gate let it pass; with it, `who` and `why` are recorded.

    Raises GateError.
    """
    if not made.verdict.passed and not force:
        reasons = "; ".join(made.verdict.reasons)
        raise GateError(
            f"{made.version} was written but not promoted: {reasons}; use --force with --who and --why to "
            "override"
        )
    reason = why or "the gate let it pass"
    if force and not made.verdict.passed:
        reason = f"{why} (by force; the gate said: {'; '.join(made.verdict.reasons)})"
    Registry(store).promote(made.version, who=who or "the gate", why=reason)
