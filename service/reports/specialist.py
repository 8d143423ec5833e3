"""The specialist's own settings: the words of a report that are theirs, filled in once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

LONGEST_LINE, LONGEST_TEXT = 200, 4_000


class SpecialistText(NamedTuple):
    """One setting of the specialist's.

    `needed`: no report is issued without it. `lines`: whether it can have several lines. `offered`: a text of
    ours, which counts only once the specialist has sent it as theirs.
    """

    meaning: str
    needed: bool = True
    lines: bool = False
    offered: str | None = None


SETTINGS: Mapping[str, SpecialistText] = {
    "name": SpecialistText("the specialist's name, as reports give it"),
    "business": SpecialistText("the name of the business", needed=False),
    "address": SpecialistText("the postal address", lines=True),
    "email": SpecialistText("the e-mail address at which the specialist can be reached"),
    "qualifications": SpecialistText("what qualifies the specialist to value such instruments", lines=True),
    "interest": SpecialistText(
        "the interest in the property that is appraised",
        offered="Full ownership, free of loans, liens and shares of others.",
    ),
    "intended_users": SpecialistText(
        "who may rely on a report beside the client",
        lines=True,
        offered="No one but the client is an intended user.",
    ),
    "use": SpecialistText(
        "the use of the property on the effective date, and the use that the value reflects",
        lines=True,
        offered="Its use on the effective date, and the use that the value reflects, is the same: a playable "
        "instrument that is collected.",
    ),
    "scope_of_work": SpecialistText(
        "what was done for the report, and what was not",
        lines=True,
        offered="The instrument was graded part by part from the owner's description and photographs. It was "
        "compared with recorded sales, and valued by a statistical price model whose version is stated. It "
        "was not inspected in hand unless this report says so, and nothing was taken apart.",
    ),
    "assistance": SpecialistText(
        "who gave significant help with the appraisal",
        lines=True,
        offered="No one gave significant personal property appraisal assistance to the person who signs.",
    ),
    "exclusions": SpecialistText(
        "which approaches to value were left out, and why",
        lines=True,
        offered="The sales comparison approach was used. The cost approach was left out, because what it "
        "would cost to make such an instrument anew does not set its price; the income approach was left "
        "out, because such instruments are not usually held for rent.",
    ),
    "certification": SpecialistText(
        "the certification that is signed",
        lines=True,
        offered="I certify that, to the best of my knowledge and belief: the statements of fact in this "
        "report are true; the opinion is my own, unbiased, and limited only by the assumptions and "
        "conditions that are stated; I have no present or prospective interest in the instrument and no "
        "bias towards anyone involved, unless this report says so; neither my engagement nor my fee depends "
        "on a value or on any result; unless this report says so, I have given no service about this "
        "instrument within the last three years, and have not inspected it in hand; no one but those named "
        "gave significant assistance.",
    ),
    "signature": SpecialistText("the name as the specialist signs"),
    "currency": SpecialistText("the currency of reports (ISO 4217)", offered="USD"),
    "liquidation_share": SpecialistText(
        "the share of sales at auction that are expected to bring less than a liquidation value, as decimal "
        "text of one: 0.1 is a tenth; needed for liquidation values alone, and the specialist signs for it",
        needed=False,
    ),
    "reply_received": SpecialistText("a word of the specialist's in the e-mail on receipt", False, True),
    "reply_reported": SpecialistText("a word of the specialist's in the e-mail with the report", False, True),
    "reply_declined": SpecialistText("a word of the specialist's in the e-mail that declines", False, True),
}
