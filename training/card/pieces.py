"""HTML that the sections of the model card share: figures as text, pictures and tables."""

from collections.abc import Mapping, Sequence
from html import escape


def written(value: float | None, form: str) -> str:
    """Format a figure as text; None becomes a dash."""
    return "–" if value is None else form.format(value)


def factor(found: float | None, nothing: str = "–") -> str:
    """A factor as text; `nothing` where there is none."""
    return f"{found:.2f}" if found else nothing


def span(found: Mapping[str, float] | None, nothing: str = "–") -> str:
    """A factor and its span as text; `nothing` where there is none."""
    return f"{found['factor']:.2f} ({found['low']:.2f} to {found['high']:.2f})" if found else nothing


def figure(svg: str, caption: str, words: str) -> str:
    """Return a picture with its caption as HTML. `words`: the text that a screen reader reads instead."""
    told = svg.replace("<svg ", f'<svg role="img" aria-label="{escape(words)}" ', 1)
    return f"<figure>{told}<figcaption>{escape(caption)}</figcaption></figure>"


def table(caption: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return an HTML table; the first cell of each row is its heading."""
    head = "".join(f"<th scope=col>{escape(cell)}</th>" for cell in header)
    body = "".join(
        f"<tr><th scope=row>{escape(row[0])}</th>{''.join(f'<td>{escape(c)}</td>' for c in row[1:])}</tr>"
        for row in rows
    )
    return (
        f"<div class=scroll><table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )
