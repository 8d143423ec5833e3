"""Serve the demo store in the foreground and say how to try it: the last step of `make serve`.

The database, a key and the secret that the key's digest depends on are made on the first run, under var/.
`var/demo.env` holds all settings, so that another shell finds the service: `set -a; . var/demo.env; set +a`.
"""

from __future__ import annotations

import os
import secrets
import shlex
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VAR = ROOT / "var"
DATABASE, SECRET, KEY = VAR / "bookmatch.db", VAR / "secret", VAR / "demo.key"
SETTINGS = VAR / "demo.env"
REQUEST = ROOT / "examples" / "request.json"
READY_SECONDS = 60


def main() -> int:
    """Prepare, serve until told to stop, and leave with the server's exit code."""
    os.chdir(ROOT)
    bind = os.environ.setdefault("BOOKMATCH_BIND", "127.0.0.1:8000")
    refuse_busy(bind)
    make_secret()
    os.environ["BOOKMATCH_STORE"] = str(VAR / "store")
    os.environ["BOOKMATCH_DATABASE"] = f"sqlite:///{DATABASE}"
    os.environ["BOOKMATCH_SECRET_FILE"] = str(SECRET)
    close_to_others()
    service("migrate")
    key = demo_key()
    write_private(SETTINGS, settings(f"http://{bind}", key))
    # In a session of its own: Ctrl-C reaches every process of this one, and a worker that it reaches together
    # with the server's own word to stop can hang until it is killed.
    server = subprocess.Popen([sys.executable, "-m", "service", "serve"], start_new_session=True)
    for stop in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(stop, lambda *_: server.terminate())
    if wait_until_ready(f"http://{bind}", server):
        print(invitation(f"http://{bind}", key), flush=True)
    return server.wait()


def refuse_busy(bind: str) -> None:
    """Leave with a message where something listens already: the server itself would share the port."""
    host, _, port = bind.rpartition(":")
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.settimeout(1)
        if probe.connect_ex((host.strip("[]"), int(port))) == 0:
            sys.exit(f"{bind} is taken. Choose another: BOOKMATCH_BIND=127.0.0.1:8001 make serve")


def make_secret() -> None:
    """Write a fresh secret where there is none; a key needs the secret and the database it was made with."""
    if not (SECRET.exists() and DATABASE.exists()):
        KEY.unlink(missing_ok=True)
    if not SECRET.exists():
        write_private(SECRET, secrets.token_urlsafe(48))


def close_to_others() -> None:
    """Take away what others may do with a database that an older version made: the service refuses it."""
    for path in VAR.glob(f"{DATABASE.name}*"):
        path.chmod(0o600)


def demo_key() -> str:
    """The key that was made for the demo, or a new one where the database is new."""
    if not KEY.exists():
        write_private(KEY, service("keys", "create", "demo").strip())
    return KEY.read_text(encoding="ascii").strip()


def settings(address: str, key: str) -> str:
    """Lines NAME=value that a shell can read: what the service runs with, its address and a key."""
    own = ("BOOKMATCH_STORE", "BOOKMATCH_DATABASE", "BOOKMATCH_SECRET_FILE")
    values = {name: os.environ[name] for name in own} | {"BOOKMATCH_URL": address, "BOOKMATCH_KEY": key}
    return "".join(f"{name}={shlex.quote(value)}\n" for name, value in values.items())


def write_private(path: Path, text: str) -> None:
    """Write a file that only its owner can read, whole or not at all."""
    aside = path.with_name(f".{path.name}.{os.getpid()}")
    with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as stream:
        stream.write(text)
    aside.replace(path)


def service(*arguments: str) -> str:
    """Run one command of the service; leave with its exit code where it fails, as it has said why."""
    done = subprocess.run(
        [sys.executable, "-m", "service", *arguments], stdout=subprocess.PIPE, text=True, check=False
    )
    if done.returncode:
        sys.exit(done.returncode)
    return done.stdout


def wait_until_ready(address: str, server: subprocess.Popen[bytes]) -> bool:
    """Return True if the service says in time that it is ready, and False if it ends or takes too long."""
    for _ in range(READY_SECONDS * 10):
        if server.poll() is not None:
            return False
        try:
            with urllib.request.urlopen(f"{address}/readyz", timeout=5):
                return True
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    print(
        f"The service is not ready after {READY_SECONDS} seconds; `bookmatch check` says why", file=sys.stderr
    )
    return False


def invitation(address: str, key: str) -> str:
    """The address, and one request to paste into a shell."""
    lines = (
        f"curl -sS {address}/v1/valuations",
        f"-H 'Authorization: Bearer {key}'",
        "-H 'Content-Type: application/json'",
        f"-d {shlex.quote(REQUEST.read_text(encoding='utf-8').strip())}",
    )
    return (
        f"\nBookmatch serves the demo market at {address} (documentation: {address}/docs; stop: Ctrl-C)."
        "\nFrom another shell in this folder, `set -a; . var/demo.env; set +a` lets every command find it."
        "\nAsk it for a value:\n\n" + " \\\n  ".join(lines) + "\n"
    )


if __name__ == "__main__":
    sys.exit(main())
