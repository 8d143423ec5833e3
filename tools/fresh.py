"""Run both commands as a newcomer would, in a fresh clone with an empty home, and time them.

Only what is committed is tried. Leaves with 1 where a command fails or takes longer than it may.
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SERVE_SECONDS, AGAIN_SECONDS, TEST_SECONDS = 240, 20, 600
LOG = ROOT / ".cache" / "fresh.log"  # all that the tests said
# What the run of `make` that called this left behind, and what would point into this clone.
LEFT_OUT = ("MAKEFLAGS", "MAKELEVEL", "MFLAGS", "MAKECMDGOALS", "VIRTUAL_ENV", "XDG_CACHE_HOME")


def main() -> int:
    """Clone, serve, ask, serve again, test; print one line of figures for each."""
    with tempfile.TemporaryDirectory(prefix="bookmatch-fresh-") as folder:
        clone, home = Path(folder, "clone"), Path(folder, "home")
        home.mkdir()
        subprocess.run(["git", "clone", "--quiet", str(ROOT), str(clone)], check=True)
        env = {name: value for name, value in os.environ.items() if name not in LEFT_OUT}
        env |= {"HOME": str(home), "BOOKMATCH_BIND": f"127.0.0.1:{free_port()}"}
        results = [
            serve_once("make serve, first", clone, env, SERVE_SECONDS),
            serve_once("make serve, again", clone, env, AGAIN_SECONDS),
            test_once(clone, env),
        ]
    return 0 if all(results) else 1


def free_port() -> int:
    """A port of this machine that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def serve_once(name: str, clone: Path, env: dict[str, str], limit: float) -> bool:
    """Serve, paste the printed request, stop; whether it was answered with 201 in time."""
    start = time.monotonic()
    with serving(clone, env, limit) as lines:
        command = printed_request(lines)
        status = pasted(command, env) if command else "no request was printed"
    return told(name, time.monotonic() - start, limit, status == "201", f"answered {status}")


@contextmanager
def serving(clone: Path, env: dict[str, str], limit: float) -> Iterator[Iterator[str]]:
    """The lines that `make serve` prints, for as long as it may take."""
    server = subprocess.Popen(
        ["make", "serve"], cwd=clone, env=env, stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    late = threading.Timer(limit, stop, [server])
    late.start()
    try:
        assert server.stdout is not None
        yield iter(server.stdout)
    finally:
        late.cancel()
        stop(server)
        server.wait()


def stop(server: subprocess.Popen[str]) -> None:
    """What Ctrl-C does: a signal to all that the command started."""
    if server.poll() is None:
        os.killpg(server.pid, signal.SIGINT)


def printed_request(lines: Iterator[str]) -> str:
    """The request as it was printed, all its lines; empty where the command ended without."""
    text = ""
    for line in lines:
        print("   ", line, end="", flush=True)
        if line.startswith("curl ") or text:
            text += line
        if text and _complete(text):
            return text
    return ""


def _complete(text: str) -> bool:
    try:
        return bool(shlex.split(text)) and not text.endswith("\\\n")
    except ValueError:  # a quote is still open
        return False


def pasted(command: str, env: dict[str, str]) -> str:
    """The status of the answer to the request, run by a shell as a person would."""
    shown = ["bash", "-c", f"{command.strip()} -o /dev/null -w '%{{http_code}}'"]
    done = subprocess.run(shown, env=env, capture_output=True, text=True, timeout=60, check=False)
    return done.stdout or done.stderr.strip()


def test_once(clone: Path, env: dict[str, str]) -> bool:
    """All checks and tests, as continuous integration runs them: no input, no terminal."""
    start = time.monotonic()
    quiet = {**env, "CI": "true"}
    command = ["bash", ".ci/run"]
    done = subprocess.run(
        command,
        cwd=clone,
        env=quiet,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    took = time.monotonic() - start
    LOG.parent.mkdir(exist_ok=True)
    LOG.write_text(done.stdout, encoding="utf-8")
    print(done.stdout[-3000:])
    closing = re.findall(r"^.*\d+ passed.*$", done.stdout, re.MULTILINE)
    said = closing[-1].strip("= ") if closing else "no test ran"
    return told("make test", took, TEST_SECONDS, done.returncode == 0 and bool(closing), said)


def told(name: str, took: float, limit: float, good: bool, said: str) -> bool:
    """Print one result; whether it was good and in time."""
    passed = good and took <= limit
    print(f"{'passed' if passed else 'FAILED'}  {name}: {took:.0f} s of {limit:.0f} s; {said}", flush=True)
    return passed


if __name__ == "__main__":
    sys.exit(main())
