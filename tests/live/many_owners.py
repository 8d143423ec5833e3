"""Many owners at once, each with a large photograph, beside others that want values.

`make owners` runs it on the demo market with 200 owners and photographs of 8 MB, and prints the table; the
suite runs a dozen on a fake price model (`test_many_owners.py`).
"""

from __future__ import annotations

import io
import multiprocessing
import sys
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from PIL import Image
from running import Running

from models.bundles.registry import Registry

OWNERS, SIDE, LARGE = 200, (6000, 4000), 8_000_000
UNLIMITED = {
    "BOOKMATCH_LIMIT_WEBSITE": "0",
    "BOOKMATCH_LIMIT_PHOTOGRAPHS": "0",  # all owners of this run have one address
    "BOOKMATCH_LIMIT_SYSTEM": "0",
    "BOOKMATCH_PROXIES": "1",  # so that each owner comes from an address of its own
}
_PAUSE = 0.1  # seconds between two valuations of those who want values


@dataclass
class Report:
    """The findings of one run. `alone` and `beside`: seconds that valuations took."""

    owners: int
    size: int
    seconds: float = 0.0
    alone: list[float] = field(default_factory=list)
    beside: list[float] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)

    def rows(self) -> list[tuple[str, str]]:
        """The table: what, and how much of it."""
        return [
            ("owners at once, bytes of each photograph", f"{self.owners}, {self.size:,}"),
            ("seconds until the last had its answer", f"{self.seconds:.1f}"),
            ("valuations alone, 50% and 99%", _percentiles(self.alone)),
            ("valuations beside, 50% and 99%", _percentiles(self.beside)),
            ("valuations beside, longest", f"{1000 * max(self.beside, default=0):.0f} ms"),
            ("wrong, missing or lost", str(len(self.failures))),
        ]


def at(share: float, seconds: list[float]) -> float:
    """The seconds within which this share of the answers came."""
    return sorted(seconds)[int(share * (len(seconds) - 1))]


def _percentiles(seconds: list[float]) -> str:
    return f"{1000 * at(0.5, seconds):.0f} ms, {1000 * at(0.99, seconds):.0f} ms of {len(seconds)}"


def photograph(side: tuple[int, int], size: int) -> bytes:
    """A JPEG of this many pixels a side and about this many bytes: noise that compresses badly enough."""
    noise = Image.effect_noise((side[0] // 2, side[1] // 2), 60).resize(side).convert("RGB")
    for quality in range(98, 20, -4):
        made = io.BytesIO()
        noise.save(made, "JPEG", quality=quality)
        if made.tell() <= size * 1.15:
            break
    return made.getvalue()


def ask_for_values(
    url: str, headers: Mapping[str, str], asked: Mapping[str, Any], begun: Any, stopped: Any, told: Any
) -> None:
    """Ask for a valuation ten times a second until stopped, as a page does; tell seconds and failures.

    `begun` is set before the first: starting this process takes longer than a dozen owners do.
    """
    seconds, failures = list[float](), list[str]()
    with httpx.Client(base_url=url, headers=headers, timeout=60) as client:
        begun.set()
        while not stopped.wait(_PAUSE):
            began = time.monotonic()
            try:
                found = client.post("/v1/valuations", json=asked)
                if found.status_code != 201:
                    failures.append(f"valuation: {found.status_code}")
            except httpx.TransportError as error:
                failures.append(f"valuation: {error!r}")
            seconds.append(time.monotonic() - began)
    told.put((seconds, failures))


class Owner(threading.Thread):
    """Sends a request and a photograph, and reads back what was kept."""

    def __init__(
        self, service: Running, key: str, number: int, asked: Mapping[str, Any], picture: bytes
    ) -> None:
        super().__init__()
        self._url, self._key, self._number = service.url, key, number
        self._asked, self._picture = asked, picture
        self.id = ""
        self.failure: str | None = None

    def run(self) -> None:
        headers = {
            "Authorization": f"Bearer {self._key}",
            "Origin": "https://www.example.org",
            "X-Forwarded-For": f"10.{self._number // 250}.{self._number % 250}.7",
        }
        try:
            with httpx.Client(base_url=self._url, headers=headers, timeout=600) as client:
                self._send(client)
        except httpx.TransportError as error:
            self.failure = repr(error)

    def _send(self, client: httpx.Client) -> None:
        contact = {"name": f"Owner {self._number}", "email": f"owner{self._number}@example.org"}
        body = {**self._asked, "contact": contact, "purpose": "sale", "consent": True}
        made = client.post("/v1/requests", json=body)
        if made.status_code != 201:
            self.failure = f"request: {made.status_code} {made.text[:300]}"
            return
        self.id = made.json()["id"]
        sent = client.post(
            f"/v1/requests/{self.id}/photographs?view=front",
            content=self._picture,
            headers={"Content-Type": "image/jpeg"},
        )
        if sent.status_code != 201:
            self.failure = f"photograph: {sent.status_code} {sent.text[:300]}"


def meet(
    folder: Path,
    store: Path,
    instrument: Mapping[str, Any],
    *,
    fake: bool,
    owners: int,
    picture: bytes,
    settings: Mapping[str, str] | None = None,
) -> Report:
    """Let so many owners meet a service at once, beside one who asks for values all the time."""
    report = Report(owners, len(picture))
    asked = {"instrument": dict(instrument)}
    with Running(folder, store, fake, {**UNLIMITED, **(settings or {})}) as service:
        words = ("--website", "--origin", "https://www.example.org")
        website = service.call("keys", "create", "page", *words).split()[0]
        system = service.new_key("requests")
        report.alone = _values(service, asked, report.failures, lambda: time.sleep(5))
        crowd = [Owner(service, website, n, asked, picture) for n in range(owners)]

        def all_at_once() -> None:
            began = time.monotonic()
            for owner in crowd:
                owner.start()
            for owner in crowd:
                owner.join()
            report.seconds = time.monotonic() - began

        report.beside = _values(service, asked, report.failures, all_at_once)
        report.failures += [owner.failure for owner in crowd if owner.failure]
        report.failures += _lost(service, system, crowd)
    return report


def _values(service: Running, asked: Mapping[str, Any], failures: list[str], during: Any) -> list[float]:
    """The seconds that valuations took, asked for by a process that the owners' threads do not keep up."""
    other = multiprocessing.get_context("spawn")
    begun, stopped, told = other.Event(), other.Event(), other.Queue()
    arguments = (service.url, dict(service.headers), dict(asked), begun, stopped, told)
    asking = other.Process(target=ask_for_values, args=arguments)
    asking.start()
    assert begun.wait(60), "the process that asks for values did not begin"
    during()
    stopped.set()
    seconds, failed = told.get(timeout=90)
    asking.join()
    failures += failed
    return list(seconds)


def _lost(service: Running, key: str, crowd: list[Owner]) -> list[str]:
    """The requests that were accepted and are not there."""
    lost = []
    with httpx.Client(base_url=service.url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client:
        for owner in crowd:
            if owner.id:
                kept = client.get(f"/v1/requests/{owner.id}/photographs")
                if kept.status_code != 200 or len(kept.json()["photographs"]) != 1:
                    lost.append(f"{owner.id}: {kept.status_code} {kept.text[:200]}")
    return lost


def main(store: Path) -> int:
    """Two hundred owners; leaves with 1 if anything was lost or others waited over a tenth of a second."""
    first = Registry(store).load().valuer.catalogue.models[0]
    instrument = {"maker": first.maker, "model": first.name}
    picture = photograph(SIDE, LARGE)
    with tempfile.TemporaryDirectory() as folder:
        report = meet(Path(folder), store, instrument, fake=False, owners=OWNERS, picture=picture)
    for name, said in report.rows():
        print(f"{name:<60} {said}")
    print(*report.failures[:20], sep="\n")
    return 1 if report.failures or at(0.99, report.beside) >= 0.1 else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
