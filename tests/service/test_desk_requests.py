"""Requests at the desk, from the queue to the report, and that what the desk does the API says too."""

from __future__ import annotations

import pytest
from desk_cases import Case
from desks import Read, Somebody
from reporting import SETTINGS, photographed

STRANGE = ["<script>document.title='got'</script>", '"><img src=x onerror=alert(1)>', "</textarea><b id=got>"]


@pytest.fixture
def ann(signed_in: Somebody) -> Somebody:
    return signed_in


def test_the_queue_lists_requests_by_state(ann: Somebody) -> None:
    new = Case(ann, state="received", name="Ronja", asked='{"amount": "1500.00", "currency": "USD"}')
    photographed(ann.app, new.id)
    at_work = Case(ann)
    page = ann.get("/desk").text
    assert new.id in page and at_work.id not in page
    row = Read(page).text
    for said in ("Ostvik", "Ronja", "insurance", "$1,500.00", "less than an hour"):
        assert said in row, said
    assert at_work.id in ann.get("/desk?state=reviewing").text
    both = ann.get("/desk?state=all&limit=500").text
    assert new.id in both and at_work.id in both
    first = ann.get("/desk?state=all&limit=1")
    assert "cursor=after-req_" in first.text
    assert ann.get("/desk?state=nothing").headers["Location"] == "/desk"


def test_a_request_is_shown_with_all_that_is_known(ann: Somebody) -> None:
    case = Case(ann, message="It hung in a <b>church</b>.", asked='{"amount": "1500.00", "currency": "USD"}')
    photographed(ann.app, case.id, "headstock_front")
    page = case.page
    for said in (
        "Ms Owner",
        "owner@home.example",
        "It hung in a <b>church</b>.",
        "Headstock, front",
        "$1,500.00",
    ):
        assert said in page.text, said
    # By hand, as `fakes` says: exp(8), and 24 blanks to each side of the 80% range.
    assert "$2,980.96" in page.text
    picture = next(one for one in page.all("img") if one.get("class") == "waterfall")
    assert str(picture["src"]).startswith("data:image/svg+xml;base64,") and picture["alt"]
    small = next(str(one["src"]) for one in page.all("img") if "thumbnail" in str(one["src"]))
    found = ann.get(small)
    assert found.mimetype == "image/jpeg" and found.data[:3] == b"\xff\xd8\xff"
    assert ann.get(small.replace("/thumbnail", "")).data[:3] == b"\xff\xd8\xff"
    assert ann.app.test_client().get(small).status_code == 303


def test_grades_are_saved_and_in_hand_is_marked(ann: Somebody) -> None:
    case = Case(ann, state="received")
    grades = case.grades(condition__neck="3", originality__pickups="period", provenance__paperwork="true")
    found = case.send("grading", do="save", **{**grades, "in_hand.condition.frets": "yes"})
    assert found.headers["Location"] == f"{case.path}#grading", Read(found.text).text
    now = case.api
    assert now["graded"]["condition"] == {"neck": 3} and now["graded"]["provenance"] == {"paperwork": True}
    assert (now["state"], now["in_hand"]) == ("reviewing", ["condition.frets"])
    # exp(8 − .1 · 3 − .1): three steps of wear, and one of the pickups.
    assert "$1,998.20" in case.page.text
    history = case.program.get(f"/v1/requests/{case.id}/history").json["events"]
    assert {one["actor"] for one in history if one["action"] == "graded"} == {ann.key_id}


def test_a_value_can_be_seen_before_the_grades_are_saved(ann: Somebody) -> None:
    case = Case(ann)
    before = case.api
    sent = case.grades(condition__neck="3")
    whole = case.send("grading", do="value", **sent)
    part = case.send("value", **sent)
    for found in (whole, part):
        assert found.status_code == 200 and "$2,208.35" in found.text and "not saved" in found.text
    assert "<html" not in part.text and case.api == before
    assert 'value="3" selected' in whole.text
    wrong = case.send("value", **case.grades(year="19x"))
    assert wrong.status_code == 422 and "No value" in wrong.text
    bad = case.send("grading", do="save", **case.grades(year="19x"))
    invalid = [one["name"] for one in Read(bad.text).all("input") if one.get("aria-invalid")]
    assert (bad.status_code, invalid) == (422, ["instrument.year"]) and case.api == before


def test_the_adjustment_stands_apart_with_its_reason(ann: Somebody) -> None:
    case = Case(ann)
    refused = case.send("adjustment", by="per_cent", adjustment__per_cent="-10")
    assert refused.status_code == 422 and case.api["adjustment"] is None
    case.send("adjustment", by="per_cent", adjustment__per_cent="-10", adjustment__reason="A worn case.")
    assert case.api["adjustment"]["per_cent"] == "-10"
    text = case.page.text
    assert "$2,980.96" in text and "$2,682.86" in text and "A worn case." in text
    case.send(
        "adjustment",
        by="amount",
        adjustment__amount="-80.96",
        adjustment__currency="USD",
        adjustment__reason="x",
    )
    assert case.api["adjustment"]["amount"] == "-80.96" and "$2,900.00" in case.page.text
    case.send("adjustment", do="remove")
    assert case.api["adjustment"] is None


def test_the_owner_is_asked_and_a_request_is_declined_and_taken_up(ann: Somebody) -> None:
    case = Case(ann, state="received")
    assert case.send("questions").status_code == 422 and case.api["state"] == "received"
    found = case.send("questions", message="Is the neck straight?", **{"ask.condition.neck": "yes"})
    assert found.status_code == 303, Read(found.text).text
    now = case.api
    assert (now["state"], now["questions"]) == ("waiting_for_owner", ["condition.neck"])
    assert [one["text"] for one in now["messages"]] == ["Is the neck straight?"]
    case.send("work")
    assert case.api["state"] == "reviewing"
    assert case.send("refusal").status_code == 422
    case.send("refusal", reason="We value no such instruments.")
    assert case.api["state"] == "declined" and "We value no such" in case.page.text
    case.send("work")
    assert case.api["state"] == "reviewing"


def test_notes_are_kept(ann: Somebody) -> None:
    case = Case(ann)
    assert case.send("notes").status_code == 422
    case.send("notes", text="Look at the label.\nTwice.")
    notes = case.program.get(f"/v1/requests/{case.id}/notes").json["notes"]
    assert [(one["text"], one["key_id"]) for one in notes] == [("Look at the label.\nTwice.", ann.key_id)]
    assert "Look at the label." in case.page.text


def test_texts_of_owner_and_specialist_are_never_more_than_texts(ann: Somebody) -> None:
    for strange in STRANGE:
        case = Case(ann, name=strange, message=strange, email=strange, phone=strange)
        case.send("notes", text=strange)
        case.send("adjustment", by="per_cent", adjustment__per_cent="1", adjustment__reason=strange)
        case.send("questions", message=strange)
        wrong = case.send("grading", do="save", **case.grades(serial=strange, year=strange, finish=strange))
        issued = case.send("reports", type_of_value=strange, intended_use=strange)
        for page in (
            ann.get(case.path).text,
            wrong.text,
            issued.text,
            ann.get("/desk?state=all&limit=500").text,
        ):
            read = Read(page)
            assert not [one for _, one in read.elements if one.get("id") == "got" or "onerror" in one]
            assert len(read.all("script")) == 1 and not [
                one for one in read.all("img") if one.get("src") == "x"
            ]
        settings = ann.send("/desk/reports", **{**SETTINGS, "business": strange, "address": strange})
        read = Read(ann.get("/desk/reports").text if settings.status_code == 303 else settings.text)
        assert len(read.all("script")) == 1 and not [
            one for _, one in read.elements if one.get("id") == "got"
        ]


def test_a_page_of_a_request_is_well_formed(ann: Somebody) -> None:
    case = Case(ann)
    for path in (case.path, "/desk", "/desk/reports", "/desk/e-mails"):
        found = ann.get(path)
        page, read = found.text, Read(found.text)
        assert found.status_code == 200, path
        ids = [one["id"] for _, one in read.elements if one.get("id")]
        assert len(ids) == len(set(ids)), path
        labelled = {one.get("for") for one in read.all("label")}
        for tag in ("input", "select", "textarea"):
            for one in read.all(tag):
                assert one.get("type") in ("hidden", "checkbox", "radio") or one["id"] in labelled, one
        for one in read.all("a"):
            target = str(one["href"])
            assert not target.startswith("#") or target[1:] in ids, (path, target)
        assert len(page.encode()) < 150_000, path


def test_characters_that_a_database_refuses_are_refused_before(ann: Somebody) -> None:
    case = Case(ann)
    nul = "a%00b"
    for path in (
        f"/desk/requests/{nul}",
        f"{case.path}/photographs/{nul}.jpg",
        f"/desk/reports/{nul}.pdf",
        f"/desk/evidence/{nul}",
        f"/desk/catalogue/{nul}/{nul}",
    ):
        assert ann.get(path).status_code == 404, path
    for part, name in (("notes", "text"), ("questions", "message"), ("refusal", "reason")):
        assert case.send(part, **{name: "a\x00b"}).status_code == 422, part
    assert case.send("grading", **case.grades(serial="a\x00b")).status_code == 422
    assert ann.send(f"/desk/requests/{nul}/work").status_code == 404
