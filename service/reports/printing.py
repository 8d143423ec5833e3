"""The child that sets a page as PDF; nothing but `service.children.runner` runs it."""

from __future__ import annotations

from typing import Any

from weasyprint import HTML, Document
from weasyprint.urls import URLFetcher

# Archivable with tags; that the tags serve screen readers too is said in the metadata by `_say_accessible`.
_VARIANT = "pdf/a-2a"
# PDF/A lets a file name a standard that it does not know (PDF/UA) only with a schema of the name's own.
_ACCESSIBLE = b"""
<rdf:Description xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/" rdf:about="" pdfuaid:part="1"/>
<rdf:Description xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#"
 rdf:about=""><pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA identification schema</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">
<pdfaProperty:name>part</pdfaProperty:name><pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>the part of ISO 14289 that the file follows</pdfaProperty:description>
</rdf:li></rdf:Seq></pdfaSchema:property></rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>
</rdf:RDF>"""


def main(given: bytes, arguments: list[str]) -> bytes:
    """Return the page `given` as PDF."""
    page = HTML(string=given.decode(), url_fetcher=URLFetcher(allowed_protocols=("data",)))
    made: bytes = page.write_pdf(pdf_variant=_VARIANT, finisher=_say_accessible)
    return made


def _say_accessible(document: Document, pdf: Any) -> None:
    metadata = pdf.objects[int(pdf.catalog["Metadata"].split()[0])]
    metadata.stream = [part.replace(b"</rdf:RDF>", _ACCESSIBLE) for part in metadata.stream]
