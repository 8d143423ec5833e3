"""Names and ids in a path: any text, slashes included."""

from __future__ import annotations

from werkzeug.routing import PathConverter


class NameConverter(PathConverter):
    """A name as somebody wrote it. Werkzeug's own `path` ends at a line break, as if nothing were there."""

    regex = r"[^/](?s:.)*?"


class RecordConverter(NameConverter):
    """An id that does not end as the path of a record's history does: that one is no record of its own."""

    regex = rf"{NameConverter.regex}(?<!/history)"


CONVERTERS = {"name": NameConverter, "record": RecordConverter}
