"""The Dockerfile makes an image that is pinned, needs no root, no curl and no writable root file system."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

ROOT = Path(__file__).parents[2]
LINES = re.sub(r"\\\n\s*", " ", (ROOT / "Dockerfile").read_text(encoding="utf-8")).splitlines()


def instructions(name: str) -> list[str]:
    return [line.partition(" ")[2].strip() for line in LINES if line.startswith(f"{name} ")]


def test_both_stages_stand_on_one_base_pinned_by_tag_and_digest() -> None:
    bases = {base.split()[0] for base in instructions("FROM")}
    assert len(instructions("FROM")) == 2 and len(bases) == 1
    assert re.fullmatch(r"python:3\.11\.\d+-slim-bookworm@sha256:[0-9a-f]{64}", bases.pop())


def test_it_runs_as_a_user_by_number_that_is_not_root() -> None:
    (user,) = instructions("USER")
    assert re.fullmatch(r"[1-9]\d{3,}:[1-9]\d{3,}", user)
    # What comes after USER is not undone before the service starts.
    assert LINES.index(f"USER {user}") < LINES.index('ENTRYPOINT ["bookmatch"]')


def test_nothing_that_it_runs_needs_a_writable_root() -> None:
    env = " ".join(instructions("ENV"))
    assert "PYTHONDONTWRITEBYTECODE=1" in env
    assert instructions("VOLUME") == ["/var/lib/bookmatch"] == instructions("WORKDIR")[-1:]
    written = re.findall(r"BOOKMATCH_(?:STORE|DATABASE)=(\S+)", env)
    assert len(written) == 2
    assert all(one.removeprefix("sqlite:///").startswith("/var/lib/bookmatch/") for one in written)


class _Health(BaseHTTPRequestHandler):
    status = 200

    def do_GET(self) -> None:
        self.send_response(self.status if self.path == "/healthz" else 404)
        self.end_headers()

    def log_message(self, *_: object) -> None: ...


def test_its_health_check_needs_nothing_but_python() -> None:
    (check,) = instructions("HEALTHCHECK")
    command = json.loads(check[check.index("[") :])
    assert command[0] == "python"
    server = HTTPServer(("127.0.0.1", 0), _Health)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    here = [part.replace("127.0.0.1:8000", f"127.0.0.1:{server.server_port}") for part in command[1:]]

    def asked() -> int:
        return subprocess.run([sys.executable, *here], check=False, capture_output=True).returncode

    try:
        assert asked() == 0
        _Health.status = 503
        assert asked() != 0
    finally:
        _Health.status = 200
        server.shutdown()
        thread.join()
        server.server_close()
    assert asked() != 0  # nothing listens any more
