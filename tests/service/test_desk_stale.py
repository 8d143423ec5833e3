"""Two tabs at the desk do not overwrite each other: the stale one is refused, and keeps what was typed."""

from __future__ import annotations

from typing import Any

import pytest
from apps import caller_of, without_evidence
from desk_cases import Case
from desks import Read, Somebody
from records import SALE
from reporting import SETTINGS, settled

SOLD = {"date": "2026-01-02", "price": "900.00"}


@pytest.fixture
def ann(signed_in: Somebody) -> Somebody:
    without_evidence(signed_in.app)
    return signed_in


def tag_on(ann: Somebody, path: str, action: str = "") -> str:
    """The tag of a page's form: of the one that is sent to `action`, else of the first."""
    page = ann.get(path).text
    _, _, form = page.partition(f'action="{path}/{action}"') if action else ("", "", page)
    found = [one["value"] for one in Read(form).all("input") if one.get("name") == "if_match"]
    assert found, path
    return str(found[0])


def assert_stale(found: Any, *typed: str) -> str:
    """The form was refused as stale, and what was typed still stands in it; give its new tag."""
    assert found.status_code == 412, Read(found.text).text
    read = Read(found.text)
    assert "It has changed since you opened this page" in read.text
    kept = [one.get("value") for one in read.all("input")]
    assert all(words in kept or words in read.text for words in typed), typed
    return str(next(one["value"] for one in read.all("input") if one.get("name") == "if_match"))


def test_a_stale_correction_of_evidence_is_refused_and_can_be_sent_again(ann: Somebody) -> None:
    dealer = caller_of(ann.app, "evidence")
    dealer.post("/v1/evidence", {**SALE, "id": "T-1"})
    path, form = "/desk/evidence/T-1", {**SALE, "instrument.maker": "Ostvik", "instrument.model": "Dal"}
    form.pop("instrument")
    tag = tag_on(ann, path)
    assert ann.send(f"{path}/correct", **{**form, "price": "801.00", "if_match": tag}).status_code == 303
    late = ann.send(f"{path}/correct", **{**form, "price": "802.00", "if_match": tag})
    newer = assert_stale(late, "802.00")
    assert dealer.get("/v1/evidence/T-1").json["price"] == "801.00"
    for part in ("withdraw", "confirm"):
        assert_stale(ann.send(f"{path}/{part}", reason="typed before", if_match=tag))
    assert ann.send(f"{path}/correct", **{**form, "price": "802.00", "if_match": newer}).status_code == 303
    assert dealer.get("/v1/evidence/T-1").json["price"] == "802.00"


def test_a_stale_form_of_a_request_changes_nothing(ann: Somebody) -> None:
    case = Case(ann)
    settled(case.program)
    tag = tag_on(ann, case.path)
    assert case.send("grading", **case.grades(condition__neck="2"), if_match=tag).status_code == 303
    before = case.api
    assert_stale(case.send("grading", **case.grades(condition__neck="4"), if_match=tag))
    reason = "The case is gone."
    adjusted = {"by": "per_cent", "adjustment__per_cent": "-5", "adjustment__reason": reason}
    assert_stale(case.send("adjustment", **adjusted, if_match=tag), "-5", reason)
    assert_stale(case.send("questions", message="Which case?", if_match=tag), "Which case?")
    assert_stale(case.send("refusal", reason="No time.", if_match=tag), "No time.")
    assert_stale(case.send("erasure", confirm="erase", if_match=tag), "erase")
    use = "For the insurer."
    issue = {"type_of_value": "fair_market_value", "intended_use": use}
    assert_stale(case.send("reports", **issue, if_match=tag), use)
    assert case.api == before and case.program.get(f"/v1/requests/{case.id}/reports").json["reports"] == []
    assert case.send("reports", **issue, if_match=tag_on(ann, case.path)).status_code == 303


def test_what_takes_two_steps_is_held_against_the_page_once(ann: Somebody) -> None:
    """A new request is taken up first: the second step sees what the first one made."""
    case = Case(ann, state="received")
    asked = case.send("questions", message="Which case?", if_match=tag_on(ann, case.path))
    assert asked.status_code == 303 and case.api["state"] == "waiting_for_owner"
    other = Case(ann, state="received")
    refused = other.send("refusal", reason="No time.", if_match=tag_on(ann, other.path))
    assert refused.status_code == 303 and other.api["state"] == "declined"


def test_stale_settings_and_outcomes_are_refused(ann: Somebody) -> None:
    settings = "/desk/reports"
    tag = tag_on(ann, settings)
    assert ann.send(settings, **SETTINGS, if_match=tag).status_code == 303
    newer = assert_stale(ann.send(settings, **{**SETTINGS, "name": "Bo Lie"}, if_match=tag), "Bo Lie")
    assert newer == tag_on(ann, settings)
    case = Case(ann)
    assert case.send("reports", type_of_value="fair_market_value").status_code == 303
    tag = tag_on(ann, case.path, "outcome")
    assert case.send("outcome", **SOLD, if_match=tag).status_code == 303
    assert_stale(case.send("outcome", **{**SOLD, "price": "700.00"}, if_match=tag), "700.00")
    again = case.send("outcome", **{**SOLD, "price": "700.00"}, if_match=tag_on(ann, case.path, "outcome"))
    assert again.status_code == 303
