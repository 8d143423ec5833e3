"""An owner whose maker or model is not in the catalogue is told what to do next."""

from __future__ import annotations

import pytest
from apps import caller_of
from flask import Flask
from owner_pages import Parsed, send
from reporting import settled


@pytest.mark.parametrize(
    ("language", "step"),
    [
        ("en", "or write to ada@holm.example, so that the specialist adds yours."),
        ("de", "oder schreiben Sie an ada@holm.example, damit die Fachperson Ihren aufnimmt."),
    ],
)
def test_an_owner_whose_maker_is_not_known_is_told_whom_to_write_to(
    own_app: Flask, language: str, step: str
) -> None:
    settled(caller_of(own_app, "requests"), email="ada@holm.example")
    for name, value in (("instrument.maker", "Nobody"), ("instrument.model", "Nothing")):
        found = send(own_app, **{"language": language, name: value})
        assert found.status_code == 422 and step in Parsed(found.text).text
    page = Parsed(own_app.test_client().get(f"/form?language={language}").text)
    told = [str(about["data-wrong"]) for about in page.named("p") if "data-wrong" in about]
    assert [words.endswith(step) for words in told].count(True) == 2  # for a script: of maker and model
    assert caller_of(own_app, "requests").get("/v1/requests").json["requests"] == []
