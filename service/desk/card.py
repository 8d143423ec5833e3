"""The card of a price model as a part of a page: its texts and tables by name, its charts as pictures.

A bundle can come from a stranger. So only the elements below are taken over, without styles, links and
whatever could run; a chart becomes a picture, in which nothing runs.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from html.parser import HTMLParser

from markupsafe import Markup, escape

# Element of the card → element of the page, whose first heading is the page's own.
_ELEMENTS = {
    **{name: name for name in ("p", "dl", "dt", "dd", "div", "figure", "figcaption", "ul", "ol", "li")},
    **{name: name for name in ("table", "caption", "thead", "tbody", "tr", "th", "td")},
    **{name: name for name in ("strong", "em", "code", "pre", "small", "sub", "sup", "span", "br")},
    "h1": "h2",
    "h2": "h3",
    "h3": "h4",
}
# Elements that are left out with all that is in them.
_LEFT_OUT = ("script", "style", "title", "template", "iframe", "object", "noscript")
_CLASSES = {"lead": "lead", "note": "note", "tiles": "tiles", "pair": "pairs", "scroll": "wide"}
_CHART = re.compile(r"<svg\b.*?</svg\s*>", re.DOTALL | re.IGNORECASE)
_LABEL = re.compile(r'aria-label="([^"]*)"')


def charts(card: str) -> list[str]:
    """Return the charts of a card as SVG, in their order."""
    return _CHART.findall(card)


def shown(card: str, address: Callable[[int], str]) -> Markup:
    """Return the card as a part of a page. `address`: where the chart of this number is to be had."""
    found, drawn = _Taken(), charts(card)
    for at, text in enumerate(_CHART.split(card)):
        if at:
            label = _LABEL.search(drawn[at - 1][:2000])
            found.chart(address(at - 1), unescape(label[1]) if label else "A chart")
        found.feed(text)
    found.close()
    return Markup("").join(found.parts)


class _Taken(HTMLParser):
    """Takes over the elements that a page may have."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[Markup] = []
        self._open: list[str] = []
        self._skipped = 0

    def chart(self, address: str, alt: str) -> None:
        """Put in a chart."""
        self.parts.append(Markup('<img class="chart" src="{}" alt="{}" loading="lazy">').format(address, alt))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _LEFT_OUT:
            self._skipped += 1
        name = _ELEMENTS.get(tag)
        if name is None or self._skipped:
            return
        given = dict(attrs)
        kept = Markup("")
        if given.get("class") in _CLASSES:
            kept += Markup(' class="{}"').format(_CLASSES[str(given["class"])])
        if name == "th" and given.get("scope") in ("row", "col"):
            kept += Markup(' scope="{}"').format(given["scope"])
        self.parts.append(Markup(f"<{name}{kept}>"))  # the name is one of ours
        if name != "br":
            self._open.append(name)

    def handle_endtag(self, tag: str) -> None:
        if tag in _LEFT_OUT:
            self._skipped = max(0, self._skipped - 1)
        name = _ELEMENTS.get(tag)
        if self._skipped or name not in self._open:
            return
        while self._open:
            last = self._open.pop()
            self.parts.append(Markup(f"</{last}>"))  # the name is one of ours
            if last == name:
                return

    def handle_data(self, data: str) -> None:
        if not self._skipped:
            self.parts.append(escape(data))

    def close(self) -> None:
        """Close what the card left open."""
        super().close()
        self.parts += [Markup(f"</{name}>") for name in reversed(self._open)]
        self._open.clear()
