"""Reports, outcomes, e-mails and erasing at the desk; and that the API can do all that the desk does."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from apps import caller_of, parts
from desk_cases import Case
from desks import Read, Somebody
from flask import Flask
from reporting import SETTINGS, settled
from sqlalchemy import insert

from service.db.engine import writing
from service.db.request_tables import OUTBOX


@pytest.fixture
def ann(signed_in: Somebody) -> Somebody:
    return signed_in


def test_what_is_missing_for_a_report_leads_to_where_it_is_filled_in(ann: Somebody) -> None:
    case = Case(ann)
    page = case.page
    assert "/desk/reports#f-certification" in [one.get("href") for one in page.all("a")]
    refused = case.send("reports", type_of_value="fair_market_value")
    links = {str(one["href"]) for one in Read(refused.text).all("a")}
    assert refused.status_code == 422 and "/desk/reports#f-signature" in links
    shown = {f"/desk/reports#{one['id']}" for one in Read(ann.get("/desk/reports").text).all("textarea")}
    assert "/desk/reports#f-certification" in shown


def test_settings_are_saved_whole(ann: Somebody) -> None:
    made = ann.send("/desk/reports", **SETTINGS)
    assert made.status_code == 303, Read(made.text).text
    kept = caller_of(ann.app, "requests").get("/v1/specialist").json["settings"]
    assert {name: kept[name] for name in SETTINGS} == SETTINGS
    wrong = ann.send("/desk/reports", **{**SETTINGS, "currency": "XXQ", "liquidation_share": "7"})
    bad = {one["name"] for one in Read(wrong.text).all("input") if one.get("aria-invalid")}
    assert wrong.status_code == 422 and bad == {"currency", "liquidation_share"}


def test_a_report_is_issued_read_and_corrected(ann: Somebody) -> None:
    case = Case(ann)
    settled(case.program)
    made = case.send("reports", type_of_value="retail_replacement", effective_date="2026-01-02")
    assert made.headers.get("Location") == f"{case.path}#reports", Read(made.text).text
    assert case.api["state"] == "reported"
    links = re.findall(r"/desk/reports/rep_\w+\.(?:pdf|html)", ann.get(case.path).text)
    assert len(links) == 2
    pdf, page = (ann.get(link) for link in sorted(links, reverse=True))
    assert pdf.data[:5] == b"%PDF-" and pdf.mimetype == "application/pdf"
    assert "sha256-" in page.headers["Content-Security-Policy"]
    assert "unsafe" not in page.headers["Content-Security-Policy"] and "Ada Holm" in page.text
    assert "take it up again first" in case.page.text
    assert case.send("reports", type_of_value="auction_estimate").status_code == 409
    case.send("work")
    assert case.send("reports", type_of_value="auction_estimate").status_code == 422
    newest = links[0].rpartition("/")[2].partition(".")[0]
    again = case.send(
        "reports", type_of_value="auction_estimate", replaces=newest, reason="It was sold at auction."
    )
    assert again.status_code == 303, Read(again.text).text
    listed = case.program.get(f"/v1/requests/{case.id}/reports").json["reports"]
    assert [(one["version"], one["replaces"]) for one in listed] == [(1, None), (2, newest)]
    assert ann.get("/desk/reports/rep_x.exe").status_code == 404


def test_the_outcome_is_recorded_beside_the_value_of_the_report(ann: Somebody) -> None:
    case = Case(ann)
    assert case.send("outcome", date="2026-02-01", price="2500").status_code == 422
    settled(case.program)
    case.send("reports", type_of_value="retail_replacement", effective_date="2026-01-02")
    sold = case.send("outcome", date="2026-02-01", price="2500", source="told by the owner")
    assert sold.status_code == 303, Read(sold.text).text
    page = ann.get(case.path).text
    record = re.search(r"/desk/evidence/(val_\w+)", page)
    assert record and "$2,500.00" in page
    kept = case.program.get(f"/v1/evidence/{record[1]}").json
    assert (kept["kind"], kept["price"], kept["source"]) == ("sale", "2500", "told by the owner")


def test_an_email_that_failed_is_sent_again(ann: Somebody) -> None:
    case = Case(ann)
    now = datetime.now(UTC)
    words = {"recipient": "owner", "template": "received", "context": "{}", "created": now, "due": now}
    row = {"name": f"{case.id} x", "request_id": case.id, "parked": now, "failure": "refused", **words}
    with writing(parts(ann.app).engine) as connection:
        connection.execute(insert(OUTBOX).values(**row, attempts=9))
    page = ann.get("/desk/e-mails").text
    actions = [str(one["action"]) for one in Read(page).all("form")]
    (again,) = [one for one in actions if one.endswith("/sending")]
    assert "refused" in page
    assert ann.send(again).status_code == 303 and ann.send(again).status_code == 409
    mine = [one for one in case.program.get("/v1/e-mails").json["emails"] if one["request"] == case.id]
    assert [one["state"] for one in mine] == ["queued"]


def test_a_person_is_erased_if_the_word_is_typed(ann: Somebody) -> None:
    case = Case(ann, message="Mine since 1970.")
    assert case.send("erasure", confirm="yes").status_code == 422 and case.api["contact"]
    assert case.send("erasure", confirm="Erase").status_code == 303
    assert case.api["contact"] is None
    page = case.page.text
    assert "Ms Owner" not in page and "Mine since 1970." not in page and "Erased." in page


# Every form of the desk, and the operation of the API that does the same; none: signing in has no such.
SAME = {
    "/desk/sign-in": None,
    "/desk/sign-out": None,
    "/desk/sessions/end": None,
    "/desk/sessions/<entry_id>/end": None,
    "/desk/new-evidence": ("POST", "/v1/evidence"),
    "/desk/new-model": ("PUT", "/v1/catalogue/draft/makers/{maker}/models/{model}"),
    "/desk/catalogue/<name:maker>/<name:model>": (
        "PUT",
        "/v1/catalogue/draft/makers/{maker}/models/{model}",
    ),
    "/desk/evidence/<record:evidence_id>/correct": ("PUT", "/v1/evidence/{evidence_id}"),
    "/desk/evidence/<record:evidence_id>/withdraw": ("DELETE", "/v1/evidence/{evidence_id}"),
    "/desk/evidence/<record:evidence_id>/confirm": ("PUT", "/v1/evidence/{evidence_id}/confirmation"),
    "/desk/price-models/<version>/promote": ("POST", "/v1/price-models/{version}/promote"),
    "/desk/price-models/<version>/rollback": ("POST", "/v1/price-models/{version}/rollback"),
    "/desk/reports": ("PUT", "/v1/specialist"),
    "/desk/requests/<request_id>/work": ("PATCH", "/v1/requests/{request_id}"),
    "/desk/requests/<request_id>/grading": ("PATCH", "/v1/requests/{request_id}"),
    "/desk/requests/<request_id>/value": ("POST", "/v1/attributions"),
    "/desk/requests/<request_id>/adjustment": ("PATCH", "/v1/requests/{request_id}"),
    "/desk/requests/<request_id>/questions": ("PATCH", "/v1/requests/{request_id}"),
    "/desk/requests/<request_id>/refusal": ("PATCH", "/v1/requests/{request_id}"),
    "/desk/requests/<request_id>/notes": ("POST", "/v1/requests/{request_id}/notes"),
    "/desk/requests/<request_id>/erasure": ("DELETE", "/v1/requests/{request_id}/contact"),
    "/desk/requests/<request_id>/reports": ("POST", "/v1/requests/{request_id}/reports"),
    "/desk/requests/<request_id>/outcome": ("PUT", "/v1/valuations/{valuation_id}/outcome"),
    "/desk/e-mails/<email_id>/sending": ("POST", "/v1/e-mails/{email_id}/sending"),
}


def test_what_the_desk_does_the_api_can_do(shared_app: Flask) -> None:
    forms = {
        rule.rule
        for rule in shared_app.url_map.iter_rules()
        if rule.rule.startswith("/desk") and "POST" in (rule.methods or ())
    }
    assert forms == set(SAME)
    document = shared_app.test_client().get("/openapi.json").json
    for same in SAME.values():
        if same:
            method, path = same
            assert method.lower() in document["paths"][path], same
