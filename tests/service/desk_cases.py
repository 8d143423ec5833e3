"""A request at the desk, and a program that sees it through the API."""

from __future__ import annotations

import json
from typing import Any

from apps import caller_of
from desks import Read, Somebody
from reporting import requested


class Case:
    """A request, its page at the desk, and a program that sees it through the API."""

    def __init__(self, ann: Somebody, **about: Any) -> None:
        it = {"maker": "Ostvik", "model": "Fjell 2"}
        about = {"instrument": json.dumps(it), **about}
        self.ann, self.id = ann, requested(ann.app, graded=it, **about)[0]
        self.path = f"/desk/requests/{self.id}"
        self.program = caller_of(ann.app, "requests", "evidence", "valuations")

    @property
    def api(self) -> Any:
        return self.program.get(f"/v1/requests/{self.id}").json

    @property
    def page(self) -> Read:
        return Read(self.ann.get(self.path).text)

    def send(self, part: str, **form: Any) -> Any:
        return self.ann.send(f"{self.path}/{part}", **form)

    def grades(self, **changes: str) -> dict[str, str]:
        """All that the form of grades would send, with these changes."""
        form = Read(self.ann.get(self.path).text)
        sent = {str(one["name"]): one.get("value") or "" for one in form.all("input") if one.get("name")}
        kept = {name: value for name, value in sent.items() if name.startswith("instrument.")}
        return {**kept, **{f"instrument.{name.replace('__', '.')}": value for name, value in changes.items()}}
