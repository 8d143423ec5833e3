"""The proxy of docs/operations.md before the service: TLS, addresses, slow clients, sizes of bodies."""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from documents import ROOT, blocks
from fakes import write_fake
from running import Running

from models.bundles.registry import Registry

NAME = "values.example.org"
ASKED = {"instrument": {"maker": "Ostvik", "model": "Dal", "year": 1966}, "date": "2026-01-02"}
# The places that the document names, and nginx's own, which an ordinary user may not write to.
MAIN = """
user root;
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{}}
http {{
    access_log off;
    {temporary}
    include {folder}/site.conf;
}}
"""
KINDS = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")


@dataclass
class Proxy:
    """A running nginx. `trusted`: the only certificate that clients trust."""

    port: int
    trusted: ssl.SSLContext

    def client(self, address: str = "127.0.0.1", **headers: str) -> httpx.Client:
        """A client that asks from this address of the machine's own."""
        transport = httpx.HTTPTransport(verify=self.trusted, local_address=address)
        return httpx.Client(
            transport=transport,
            base_url=f"https://127.0.0.1:{self.port}",
            headers={"Host": NAME, **headers},
            timeout=30,
        )

    def connect(self) -> ssl.SSLSocket:
        """A connection on which nothing was asked yet."""
        plain = socket.create_connection(("127.0.0.1", self.port), timeout=10)
        return self.trusted.wrap_socket(plain, server_hostname=NAME)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("behind")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    settings = {"BOOKMATCH_PROXIES": "1", "BOOKMATCH_LIMIT_ADDRESS": "3"}
    with Running(folder, folder / "store", settings=settings) as running:
        yield running


@pytest.fixture(scope="module")
def proxy(tmp_path_factory: pytest.TempPathFactory, service: Running) -> Iterator[Proxy]:
    folder = tmp_path_factory.mktemp("proxy")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    subject = ["-subj", f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME},IP:127.0.0.1"]
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "key", "-out", "cert"]
    subprocess.run([*made, "-days", "2", *subject], cwd=folder, check=True, capture_output=True)
    (folder / "site.conf").write_text(site(folder, port, service.port))
    temporary = "\n    ".join(f"{kind}_temp_path {folder}/{kind};" for kind in KINDS)
    (folder / "main.conf").write_text(MAIN.format(folder=folder, temporary=temporary))
    nginx = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
    assert nginx is not None, "nginx is missing: make test says how to install it"
    running = subprocess.Popen([nginx, "-p", str(folder), "-c", str(folder / "main.conf")])
    try:
        found = Proxy(port, ssl.create_default_context(cafile=str(folder / "cert")))
        wait_for(found, folder)
        yield found
    finally:
        running.terminate()
        running.wait()


def site(folder: Path, port: int, behind: int) -> str:
    """The site of the document, with this test's ports and certificate, and a tenth of the seconds."""
    (text,) = [b.text for b in blocks((ROOT / "docs/operations.md").read_text()) if b.kind == "nginx"]
    for said, here in (
        ("server 127.0.0.1:8000;", f"server 127.0.0.1:{behind};"),
        ("listen 443 ssl;", f"listen 127.0.0.1:{port} ssl;"),
        ("/etc/ssl/certs/values.example.org.pem", str(folder / "cert")),
        ("/etc/ssl/private/values.example.org.key", str(folder / "key")),
        ("client_header_timeout 10s;", "client_header_timeout 1s;"),
        ("client_body_timeout 10s;", "client_body_timeout 1s;"),
    ):
        assert text.count(said) == 1, said
        text = text.replace(said, here)
    return text


def wait_for(proxy: Proxy, folder: Path) -> None:
    end = time.monotonic() + 20
    while True:
        try:
            return proxy.connect().close()
        except OSError:
            log = folder / "nginx.log"
            assert time.monotonic() < end, log.read_text() if log.exists() else "nginx did not start"
            time.sleep(0.05)


def test_a_value_comes_over_tls(service: Running, proxy: Proxy) -> None:
    with proxy.client(**service.headers) as client:
        made = client.post("/v1/valuations", json=ASKED)
        assert made.status_code == 201
        assert made.headers["Strict-Transport-Security"] == "max-age=31536000"
        assert client.get(made.headers["Location"]).content == made.content


def test_each_caller_is_limited_by_its_own_address(proxy: Proxy) -> None:
    def statuses(address: str) -> list[int]:
        with proxy.client(address) as client:
            invented = ({"X-Forwarded-For": f"198.51.100.{at}"} for at in range(5))
            return [client.get("/v1/vocabulary", headers=told).status_code for told in invented]

    assert statuses("127.0.0.2") == [401, 401, 401, 429, 429]
    assert statuses("127.0.0.3") == [401, 401, 401, 429, 429]


def test_the_proxy_holds_slow_clients_and_hangs_up(service: Running, proxy: Proxy) -> None:
    head = f"Host: {NAME}\r\nAuthorization: Bearer {service.key}\r\nContent-Type: application/json\r\n"
    begun = f"POST /v1/valuations HTTP/1.1\r\n{head}Content-Length: 9000\r\n\r\n{{".encode()
    slow = [proxy.connect() for _ in range(20)]
    for at, connection in enumerate(slow):
        connection.sendall(begun if at % 2 else b"GET /healthz HTTP/1.1\r\nHost: x\r\n")
    before = service.log.count('"event":"request"')
    with proxy.client() as client:
        began = time.monotonic()
        assert client.get("/healthz").json() == {"status": "alive"}
        assert time.monotonic() - began < 1
    for connection in slow:
        with connection:
            while connection.recv(65536):  # an answer that it took too long, or none; then the end
                pass
    # Nothing of what was half sent has reached the service.
    assert service.log.count('"event":"request"') == before + 1


def test_bodies_have_the_limits_of_their_paths(service: Running, proxy: Proxy) -> None:
    rows = "id,maker,model,note\n" + "".join(f"R{n},Ostvik,Dal,{n:0>500}\n" for n in range(4200))
    assert len(rows) > 2 * 2**20
    with proxy.client(**service.headers) as client:
        refused = client.post("/v1/valuations", content=rows, headers={"Content-Type": "application/json"})
        assert refused.status_code == 413 and "nginx" in refused.text
        larger = client.post(
            "/v1/valuations", content=b" " * 300_000, headers={"Content-Type": "application/json"}
        )
        assert larger.status_code == 413 and larger.json()["type"] == "/docs#problem-too-large"
        listed = client.post(
            "/v1/stocklists?date=2026-01-02", content=rows, headers={"Content-Type": "text/csv"}
        )
        assert listed.status_code == 200 and listed.text.count("\n") == 4201
