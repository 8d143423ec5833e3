"""Where a record of evidence is: its id is the caller's own, and can hold slashes."""

from __future__ import annotations

from werkzeug.routing import PathConverter


class RecordConverter(PathConverter):
    """An id that does not end as the path of a record's history does: that one is no record of its own."""

    regex = r"[^/].*?(?<!/history)"
