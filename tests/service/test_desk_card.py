"""The card of a price model at the desk: read there, and safe even if a stranger made it."""

from __future__ import annotations

from apps import parts
from desks import Read, Somebody

from service.desk.card import charts, shown

CHART = """<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="Up &amp; down" viewBox="0 0 9 9">
<style>*{x:y}</style><path d="M0 0" style="fill: none"/></svg>"""
CARD = f"""<!doctype html><html><head><title>T</title><style>p {{ color: red }}</style></head><body><main>
<h1>Model card</h1><p class=lead style="color: red">Made of 3 &lt; 4 sales.</p>
<figure>{CHART}<figcaption>Prices</figcaption></figure>
<div class=scroll><table><caption>Study</caption>
<tr><th scope=row>ratio</th><td>1.018</td></tr></table></div>"""
HOSTILE = """<script>alert(1)</script><p onclick="x()">a</p><img src=x onerror=alert(1)>
<a href="javascript:x">b</a>
<form action=/desk/sessions><input name=a></form><iframe src=//evil.example>c</iframe><meta http-equiv=refresh
content="0;url=//evil.example"><base href=//evil.example><p style="x">&lt;script&gt;d</p></div></main>
<style>e</style>
<svg><script>alert(1)</script></svg><p class="card narrow">f<table><tr><td>g"""


def test_texts_tables_and_charts_are_taken_over_without_styles() -> None:
    page = str(shown(CARD, lambda number: f"chart-{number}"))
    assert '<h2>Model card</h2><p class="lead">Made of 3 &lt; 4 sales.</p>' in page
    assert '<img class="chart" src="chart-0" alt="Up &amp; down" loading="lazy">' in page
    assert '<th scope="row">ratio</th><td>1.018</td>' in page and '<div class="wide">' in page
    assert "red" not in page and "style" not in page and "T<" not in page
    assert page.count("<div") == page.count("</div>")
    assert charts(CARD) == [CHART]
    assert shown("<p>a</div>b", str) == "<p>ab</p>"


def test_of_a_hostile_card_nothing_runs_leads_elsewhere_or_breaks_out() -> None:
    read = Read(str(shown(HOSTILE, lambda number: f"chart-{number}")))
    assert {tag for tag, _ in read.elements} == {"p", "img", "table", "tr", "td"}
    assert [one for _, one in read.elements if one] == [
        {"class": "chart", "src": "chart-0", "alt": "A chart", "loading": "lazy"}
    ]
    assert read.text == "a b <script>d f g"


def test_it_is_a_page_of_the_desk_with_its_charts_beside(signed_in: Somebody) -> None:
    version = parts(signed_in.app).live.version
    path = f"/desk/price-models/{version}/card"
    assert path in [one.get("href") for one in Read(signed_in.get("/desk/price-models").text).all("a")]
    page = signed_in.get(path)
    assert page.status_code == 200 and "Model card" in Read(page.text).text
    assert "unsafe" not in page.headers["Content-Security-Policy"]
    (chart,) = [str(one["src"]) for one in Read(page.text).all("img")]
    picture = signed_in.get(chart)
    assert (picture.mimetype, picture.data[:4]) == ("image/svg+xml", b"<svg")
    assert "unsafe" not in picture.headers["Content-Security-Policy"]
    assert signed_in.get(f"{path}/1.svg").status_code == 404
    file = signed_in.get(f"{path}.html")
    assert file.headers["Content-Disposition"].startswith("attachment")
    assert file.data.startswith(b"<!doctype html>")
