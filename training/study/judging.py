"""Judge a price model before it is written: by later sales or, if these are too few, by left-out instruments.

`models.bundles.provisional` has the rule by which such a price model is called provisional.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from models.bundles.bundle import Bundle
from models.bundles.places import Store
from models.bundles.provisional import provisional
from models.bundles.registry import Registry
from models.domain.evidence import Evidence
from models.domain.money import Rates
from models.errors import BundleError, BundleMissingError
from models.price.interface import PriceModel
from models.study.judge import Judged, judge
from training.study.folds import LEAST as LEAST_SPECIMENS
from training.study.gate import ANSWERS_FILE, Answers, Check, Verdict, answers_of_current, gate, gate_of_few
from training.study.holdout import LEAST, split_by_time
from training.study.width import width_factor, width_factor_of_few

LATER_SALES, LEFT_OUT = "later sales", "left-out instruments"


class FittedModel(Protocol):
    """A price model with the report of its fit."""

    @property
    def model(self) -> PriceModel: ...

    @property
    def report(self) -> dict[str, Any]: ...


@dataclass(frozen=True)
class Judgement:
    """The judgement on a price model, made before its final fit on all evidence.

    `by`: `LATER_SALES`, `LEFT_OUT`, or None if it was not judged. `judged`: the sales it was judged by, with
    the values given for them. `reason`: why it was judged in this way. `learned`: the variances that the
    final fit starts from. `width`: the factor on the widths of the final model's ranges.
    """

    by: str | None
    judged: Judged | None
    verdict: Verdict
    reason: str
    learned: Any = None
    width: float = 1.0

    @property
    def provisional(self) -> bool:
        """Say whether the model is provisional, by the rule of `models.bundles.provisional`."""
        return provisional(on_later_sales=self.by == LATER_SALES, passed=self.verdict.passed)

    @property
    def why_provisional(self) -> str | None:
        """The reason why the model is provisional, as a sentence; None if it is not."""
        if not self.provisional:
            return None
        return "The gate did not let it pass." if self.by == LATER_SALES else self.reason


def judgement(
    rows: Sequence[Evidence],
    rates: Rates,
    store: Store,
    months: float,
    holdout: Callable[[Sequence[Evidence]], FittedModel],
    few: Callable[[], Judged | None],
) -> Judgement:
    """Judge the model to be fitted on these rows. `holdout` fits on earlier rows; `few` cross-validates."""
    if months <= 0:
        detail = "no months were kept out, as was asked, so nothing shows that it is any good"
        check = Check("judged on later sales", False, detail)
        return Judgement(None, None, Verdict((check,), 0), "No sales were kept out to judge it by.")
    split = split_by_time(rows, months)
    if split.first is None:
        return _of_few(few())
    fitted = holdout(split.before)
    judged = judge(fitted.model, split.kept, rates)
    # The final fit starts from the holdout model's variances. That model's errors set the width of ranges.
    learned, width = getattr(fitted, "learned", None), width_factor(judged)
    reason = f"The sales from {split.first} on were kept out."
    return Judgement(LATER_SALES, judged, pass_gate(judged, store, rates), reason, learned, width)


def _of_few(judged: Judged | None) -> Judgement:
    """Judge a price model with too few sales to keep out. `judged`: cross-validated sales, or None."""
    reason = f"Fewer than {LEAST} sales could be kept out by time"
    if judged is None:
        detail = f"fewer than {LEAST_SPECIMENS} instruments were sold, so nothing can be judged yet"
        verdict = Verdict((Check("judged on left-out sales", True, detail),), 0)
        return Judgement(None, None, verdict, f"{reason}, and {detail}.")
    reason += f", so each of {len(judged.paid)} was judged by a fit without any record of its instrument."
    return Judgement(LEFT_OUT, judged, gate_of_few(judged), reason, width=width_factor_of_few(judged))


def pass_gate(judged: Judged, store: Store, rates: Rates) -> Verdict:
    """Check the answers of a model fitted on earlier sales, also against the store's current bundle."""
    try:
        current = Registry(store).load()
    except BundleMissingError:
        return gate(judged)
    except BundleError as error:
        # A damaged current bundle is mended by promoting a new one, so it must not block the promotion.
        verdict = gate(judged)
        note = Check("current bundle", True, f"it cannot be read, and was not compared with: {error}")
        return Verdict((*verdict.checks, note), verdict.common)
    usable, said = answers_of_current(current.valuer.model, _kept_answers(current), judged, rates)
    return gate(judged, usable, said)


def _kept_answers(current: Bundle) -> Answers | None:
    """Return the stored answers of the current bundle's holdout model (fitted on earlier sales), or None.

    Answers from cross-validation do not count, as those fits knew the market of later days.
    """
    by_holdout = current.manifest["about"].get("judged_by", LATER_SALES) == LATER_SALES
    if not by_holdout or ANSWERS_FILE not in current.manifest["files"]:
        return None
    return Answers.from_bytes(current.file(ANSWERS_FILE))
