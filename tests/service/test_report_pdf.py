"""The PDF of a report is archivable (PDF/A-2a) and tagged for screen readers (PDF/UA-1).

No checker of either standard is among the packages that the tests may use, so these are checks of our own, of
what both standards ask of any file: tags, language, title, embedded fonts with their characters, alternative
texts, headings in order, header cells, and metadata that name both standards.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest
from apps import caller_of
from flask import Flask
from PIL import Image
from pypdf import PdfReader
from reporting import issued, photographed, requested, settled

from service.children.runner import run

PDFA, PDFUA = "{http://www.aiim.org/pdfa/ns/id/}", "{http://www.aiim.org/pdfua/ns/id/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"


@pytest.fixture(scope="module")
def pdf(shared_app: Flask) -> PdfReader:
    specialist = caller_of(shared_app, "requests")
    settled(specialist)
    request_id, _ = requested(shared_app)
    for view, colour in (("front", "#803010"), ("serial", "#308010")):
        photographed(shared_app, request_id, view, colour)
    path = f"/v1/reports/{issued(specialist, request_id)['id']}.pdf"
    return PdfReader(io.BytesIO(specialist.get(path).get_data()))


def root(pdf: PdfReader) -> Any:
    return pdf.trailer["/Root"]


def elements(pdf: PdfReader) -> Iterator[Any]:
    """Every element of the structure, in reading order."""
    waiting = [root(pdf)["/StructTreeRoot"]["/K"]]
    while waiting:
        found = waiting.pop().get_object()
        if isinstance(found, list):
            waiting.extend(reversed(found))
        elif isinstance(found, dict):
            if "/S" in found:
                yield found
            if "/K" in found:
                waiting.append(found["/K"])


def test_it_says_that_it_is_tagged_in_which_language_and_shows_its_title(pdf: PdfReader) -> None:
    assert root(pdf)["/MarkInfo"]["/Marked"] and root(pdf)["/Lang"] == "en"
    assert root(pdf)["/ViewerPreferences"]["/DisplayDocTitle"]
    assert pdf.metadata and pdf.metadata.title == "Valuation report: 1964 Ostvik Fjell 2"
    assert all(page["/Tabs"] == "/S" and "/StructParents" in page for page in pdf.pages)


def test_its_metadata_name_both_standards_in_one_description(pdf: PdfReader) -> None:
    packet = root(pdf)["/Metadata"].get_object().get_data()
    tree = ET.fromstring(packet[packet.index(b"<x:") : packet.rindex(b"<?xpacket")])
    assert len(tree.findall(f"{RDF}RDF")) == 1
    said: dict[str, str] = {}
    for description in tree.iter(f"{RDF}Description"):
        said |= description.attrib
    assert (said[f"{PDFA}part"], said[f"{PDFA}conformance"], said[f"{PDFUA}part"]) == ("2", "A", "1")
    assert b"pdfaExtension:schemas" in packet
    (intent,) = root(pdf)["/OutputIntents"]
    assert intent.get_object()["/S"] == "/GTS_PDFA1" and pdf.trailer["/ID"]


def test_every_font_is_embedded_with_its_characters(pdf: PdfReader) -> None:
    fonts = {}
    for page in pdf.pages:
        fonts |= {name: font.get_object() for name, font in page["/Resources"]["/Font"].items()}
    assert len(fonts) >= 3
    for font in fonts.values():
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        described = inner["/FontDescriptor"].get_object()
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & described.keys() and "/ToUnicode" in font


def test_every_picture_has_a_text_and_every_heading_its_place(pdf: PdfReader) -> None:
    found = list(elements(pdf))
    figures = [element for element in found if element["/S"] == "/Figure"]
    assert len(figures) == 5 and all(str(figure["/Alt"]).strip() for figure in figures)
    levels = [int(element["/S"][2]) for element in found if re.fullmatch("/H[1-6]", element["/S"])]
    assert levels[0] == 1 and levels.count(1) == 1 and 3 in levels
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_every_table_has_header_cells_that_its_cells_name(pdf: PdfReader) -> None:
    found = list(elements(pdf))
    named = {str(element["/ID"]) for element in found if element["/S"] == "/TH" and "/ID" in element}
    cells = [element for element in found if element["/S"] == "/TD"]
    assert cells and named
    for cell in cells:
        headers = cell["/A"]["/Headers"]
        assert headers and {str(header) for header in headers} <= named


def test_nothing_in_it_runs_or_leads_elsewhere(pdf: PdfReader) -> None:
    assert not {"/OpenAction", "/AA", "/AcroForm", "/Names"} & root(pdf).keys()
    assert not any("/Annots" in page or "/AA" in page for page in pdf.pages)
    assert not pdf.attachments


def test_the_process_that_sets_it_fetches_nothing(tmp_path: Any) -> None:
    picture = tmp_path / "private.png"
    Image.new("RGB", (40, 40), "red").save(picture)
    style = tmp_path / "private.css"
    style.write_text("p::after { content: 'fetched' }")
    pages = {
        "file": f'<link rel=stylesheet href="file://{style}"><img src="file://{picture}" alt=x><p>told</p>',
        "http": '<img src="http://127.0.0.1:9/x.png" alt=x><p>told</p>',
        "relative": '<img src="../../etc/hostname" alt=x><p>told</p>',
    }
    for name, body in pages.items():
        page = f"<!doctype html><html lang=en><title>x</title><body>{body}".encode()
        made = PdfReader(io.BytesIO(run("service.reports.printing", page, seconds=30, memory=2**30)))
        assert not made.pages[0].images, name
        text = made.pages[0].extract_text()
        assert "told" in text and "fetched" not in text, name
