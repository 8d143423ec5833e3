"""Webhooks over TLS: the certificate must be of the name, though the connection goes to a checked address."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from apps import NewDatabase
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from migrated import migrated
from webhook_ground import HOST, Ground, Receiver, receiving

from service.webhooks import posting

NAME = "shop.example.org"


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate of a shop with its key, in one file."""
    key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a shop of the tests")])
    own = x509.SubjectAlternativeName([x509.DNSName(NAME)])
    built = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    built = built.serial_number(x509.random_serial_number()).add_extension(own, critical=False)
    made = built.not_valid_before(now - timedelta(hours=1)).not_valid_after(now + timedelta(days=1))
    form = serialization.Encoding.PEM
    private = key.private_bytes(form, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    path = tmp_path_factory.mktemp("certificate") / "server.pem"
    path.write_bytes(private + made.sign(key, hashes.SHA256()).public_bytes(form))
    return path


@pytest.fixture
def ground(new_database: NewDatabase) -> Iterator[Ground]:
    engine = migrated(new_database("sqlite"))
    yield Ground(engine)
    engine.dispose()


@pytest.fixture
def receiver(certificate: Path) -> Iterator[Receiver]:
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(certificate)
    with receiving(tls=tls) as found:
        tls.sni_callback = lambda _, name, __: found.names.append(name)
        yield found


@pytest.fixture
def trusted(certificate: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    posting.trust.cache_clear()
    yield
    posting.trust.cache_clear()


def sent(ground: Ground, receiver: Receiver, host: str) -> str | None:
    """Send one change to the host; why it failed."""
    ground.endpoint(f"https://{host}:{receiver.port}/hooks")
    ground.change("A-1")
    ground.send(resolve=lambda host, port: [HOST])
    (row,) = ground.deliveries()
    return None if row.state == "delivered" else str(row.failure)


@pytest.mark.usefixtures("trusted")
def test_the_certificate_is_checked_against_the_name_not_the_address(
    ground: Ground, receiver: Receiver
) -> None:
    assert sent(ground, receiver, NAME) is None
    assert receiver.names == [NAME] and receiver.messages[0].headers["host"] == f"{NAME}:{receiver.port}"


@pytest.mark.usefixtures("trusted")
def test_a_certificate_of_another_name_is_refused(ground: Ground, receiver: Receiver) -> None:
    assert sent(ground, receiver, "other.example.org") == "its certificate cannot be trusted"
    assert receiver.messages == []


def test_a_certificate_that_nobody_vouches_for_is_refused(ground: Ground, receiver: Receiver) -> None:
    assert sent(ground, receiver, NAME) == "its certificate cannot be trusted"
    assert receiver.messages == []


@pytest.mark.usefixtures("trusted")
def test_no_setting_of_the_environment_sends_it_elsewhere(
    ground: Ground, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    with receiving() as proxy:
        for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY", "HTTP_PROXY"):
            monkeypatch.setenv(name, proxy.url(path=""))
        assert sent(ground, receiver, NAME) is None
        assert proxy.messages == []
