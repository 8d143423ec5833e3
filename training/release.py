"""Fit a price model, judge it, write it to the store as a bundle (a folder), and promote it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any

import orjson

from models.bundles.bundle import read_bundle, write_bundle
from models.bundles.places import Store
from models.bundles.registry import Registry, objections
from models.bundles.trial import check_values
from models.domain.catalogue import Catalogue
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EVIDENCE, EvidenceSnapshot
from models.domain.money import Rates
from models.errors import BookmatchError, Fault, InputError
from models.practice import NO_PRACTICE, SHIPPED, Practice
from models.price.interface import PriceModel
from models.study.judge import Judged, only_sales, study
from training.card.contents import contents, plain
from training.card.page import page
from training.study.folds import cross_validated
from training.study.gate import ANSWERS_FILE, Answers, Verdict
from training.study.holdout import MONTHS
from training.study.judging import FittedModel, Judgement, judgement

CARD_PAGE, CARD_JSON = "card.html", "card.json"


@dataclass(frozen=True)
class WrittenBundle:
    """The version of a bundle (a stored price model) that was written, and the judgement on it."""

    version: str
    judgement: Judgement

    @property
    def judged(self) -> Judged | None:
        """The sales that the model was judged by, with the values given for them; None without any."""
        return self.judgement.judged

    @property
    def verdict(self) -> Verdict:
        """The result of the gate, the check before promotion."""
        return self.judgement.verdict


def fit_anew(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    seed: int,
    **settings: Any,
) -> FittedModel:
    """Fit a price model. `settings`: see `training.fit.fit_model`.

    The fitting code is imported here, as it is slow to load and the rest of this module works without it.
    """
    from training.fit import fit_model

    return fit_model(rows, catalogue, rates, seed=seed, **settings)


def fit_for_backtest(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    seed: int,
    practice: Practice = NO_PRACTICE,
) -> PriceModel:
    """Fit a price model silently, and return it without the report of its fit. Worker processes call this."""
    return fit_anew(rows, catalogue, rates, seed, progress=False, practice=practice).model


def make_bundle(
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    store: Store,
    *,
    practice: Practice = NO_PRACTICE,
    seed: int = 0,
    months: float = MONTHS,
    about: dict[str, Any] | None = None,
    progress: bool = True,
    jobs: int = 1,
) -> WrittenBundle:
    """Fit a price model, judge it, compare it with the current one and write it to the store, unpromoted.

    `months`: the sales of this many last months are kept out for judging (`training.study.holdout`); with 0
    nothing is judged. `about`: entries for the manifest. `jobs`: number of parallel fits in cross-validation.
    Raises InputError for evidence without a sale.
    """
    if not only_sales(rows):
        step = "add the record of a sale"
        raise InputError([Fault("evidence", 0, "closed sales are too few to fit", "at least 1", step)])
    fit = partial(fit_anew, catalogue=catalogue, rates=rates, seed=seed, progress=progress, practice=practice)
    quick = partial(fit_for_backtest, practice=practice)
    few = partial(cross_validated, rows, catalogue, rates, quick, seed=seed, jobs=jobs, progress=progress)
    found = judgement(rows, rates, store, months, fit, few)
    whole = fit(rows, learned=found.learned, width=found.width)
    return write_judged(
        whole, found, rows, catalogue, rates, store, practice=practice, seed=seed, about=about
    )


def write_judged(
    fit: FittedModel,
    found: Judgement,
    rows: Sequence[Evidence],
    catalogue: Catalogue,
    rates: Rates,
    store: Store,
    *,
    practice: Practice = NO_PRACTICE,
    seed: int = 0,
    about: dict[str, Any] | None = None,
) -> WrittenBundle:
    """Write a fitted model to the store as a bundle, with its evidence, model card and judgement."""
    told = plain(study(found.judged)) if found.judged else None
    standing = {
        "provisional": found.provisional,
        "why_provisional": found.why_provisional,
        "judged_by": found.by,
        "gate": found.verdict.to_json(),
    }
    card = {
        "title": "Model card",
        "made": datetime.now(UTC).date().isoformat(),
        "seed": seed,
        **contents(fit.model, rows, rates, told, fit.report),
        **standing,
    }
    said = {
        **(about or {}),
        "seed": seed,
        "evidence": card["evidence"],
        "judged": told["overall"] if told else None,
        "judged_by": found.by,
        "gate": standing["gate"],
    }
    if found.provisional:
        said["why_provisional"] = found.why_provisional
    files = _files(card, found.judged, rows, practice)
    version = write_bundle(store, fit.model, catalogue, rates, said, files, provisional=found.provisional)
    return WrittenBundle(version, found)


def _files(
    card: dict[str, Any], judged: Judged | None, rows: Sequence[Evidence], practice: Practice
) -> dict[str, bytes]:
    files = {
        EVIDENCE: EvidenceSnapshot.of(rows).to_bytes(),
        CARD_PAGE: page(card, judged).encode(),
        CARD_JSON: orjson.dumps(card, option=orjson.OPT_INDENT_2),
    }
    if judged is not None:
        files[ANSWERS_FILE] = Answers.of(judged).to_bytes()
    if practice.text:
        files[SHIPPED.name] = practice.text.encode()
    return files


class StoppedByGateError(BookmatchError):
    """A bundle was not promoted, as there are objections to it. It is in the store; `force` promotes it."""


def promote(
    made: WrittenBundle, store: Store, *, force: bool = False, who: str | None = None, why: str | None = None
) -> None:
    """Make a bundle the current one. `who` and `why` go into the store's history.

    Raises StoppedByGateError if there are objections (`models.bundles.registry.objections`) and no `force`.
    """
    registry = Registry(store)
    against = "; ".join(objections(registry.manifest(made.version), registry.current_manifest()))
    if against and not force:
        raise StoppedByGateError(
            f"{made.version} was written but not promoted: {against}; use --force with --who and --why to "
            "override"
        )
    usual = f"as provisional: {made.judgement.why_provisional}" if made.judgement.provisional else ""
    reason = why or usual or "the gate let it pass"
    if against:
        reason = f"{why} (by force; the gate said: {against})"
    check_values(read_bundle(registry.folder(made.version)))
    registry.promote(made.version, who=who or "the gate", why=reason)
