"""URL converters for names and ids in a path, which can be any text, slashes included."""

from __future__ import annotations

from werkzeug.routing import PathConverter


class NameConverter(PathConverter):
    """A name of any characters. Unlike Werkzeug's own `path`, it can hold line breaks."""

    regex = r"[^/](?s:.)*?"


class RecordConverter(NameConverter):
    """An id of a record. It cannot end with /history or /confirmation, which are paths below a record."""

    regex = rf"{NameConverter.regex}(?<!/history)(?<!/confirmation)"


CONVERTERS = {"name": NameConverter, "record": RecordConverter}
