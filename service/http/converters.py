"""URL converters for names and ids in a path, which can be any text, slashes included."""

from __future__ import annotations

from collections.abc import Mapping

from werkzeug.routing import BaseConverter, PathConverter


class NameConverter(PathConverter):
    """A name of any characters. Unlike Werkzeug's own `path`, it can hold line breaks."""

    regex = r"[^/](?s:.)*?"
    schema: Mapping[str, str] = {"type": "string"}


class RecordConverter(NameConverter):
    """An id that the caller chose. It cannot end with /history or /confirmation, paths below such a one."""

    regex = rf"{NameConverter.regex}(?<!/history)(?<!/confirmation)"


class IdConverter(BaseConverter):
    """An id that the service made. It holds no dot, so that one with an ending is a path of its own."""

    regex = "[^/.]+"
    part_isolating = True
    schema: Mapping[str, str] = {"type": "string", "pattern": f"^{regex}$"}


CONVERTERS = {"name": NameConverter, "record": RecordConverter, "id": IdConverter}
