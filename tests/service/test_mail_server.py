"""Mail servers that want something: TLS, a password, addresses that they can write to."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import AuthResult, LoginPassword
from apps import NewDatabase
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from mail_ground import HOST, Office, new_request, office_on, queued, row_of, serving
from migrated import migrated
from sqlalchemy import Engine

from service.db.engine import writing
from service.mail.outbox import send_again


@pytest.fixture(scope="module")
def engine_of_mail(new_database: NewDatabase) -> Iterator[Engine]:
    engine = migrated(new_database("sqlite"))
    yield engine
    engine.dispose()


@pytest.fixture
def office(engine_of_mail: Engine, tmp_path: Path) -> Iterator[Office]:
    with office_on(engine_of_mail, tmp_path) as found:
        yield found


def logins(seen: list[tuple[bytes, bytes]], wanted: bytes = b"a password") -> Any:
    """Return an authenticator of aiosmtpd that keeps what it was sent."""

    def check(server: Any, session: Any, envelope: Any, mechanism: str, data: LoginPassword) -> AuthResult:
        seen.append((data.login, data.password))
        return AuthResult(success=data.password == wanted, handled=False)

    return check


def test_a_password_is_not_sent_without_tls(office: Office) -> None:
    email_id, seen = queued(office.engine, new_request(office.engine)), list[tuple[bytes, bytes]]()
    with serving(office.post, authenticator=logins(seen), auth_require_tls=False) as address:
        asked = {"mail": address, "mail_user": "me", "mail_password": "a password"}
        assert office.send(**asked) == {"postponed": 1}
    assert row_of(office.engine, email_id).failure.endswith("SMTPNotSupportedError")
    assert (seen, office.post.asked, office.post.taken) == ([], 0, [])


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate of this machine with its key, in one file."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a mail server of the tests")])
    own = x509.SubjectAlternativeName([x509.IPAddress(ip_address(HOST))])
    day = datetime.now(UTC)
    built = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    built = built.serial_number(1).not_valid_before(day - timedelta(days=1)).add_extension(own, False)
    signed = built.not_valid_after(day + timedelta(days=1)).sign(key, hashes.SHA256())
    path = tmp_path_factory.mktemp("certificate") / "server.pem"
    form = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, *form) + signed.public_bytes(serialization.Encoding.PEM)
    )
    return path


def test_tls_is_used_where_it_is_offered_and_the_password_goes_over_it(
    office: Office, certificate: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    email_id, seen = queued(office.engine, new_request(office.engine)), list[tuple[bytes, bytes]]()
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(certificate)
    with serving(office.post, authenticator=logins(seen), tls_context=tls, require_starttls=True) as address:
        asked = {"mail": address, "mail_user": "me"}
        assert office.send(**asked, mail_password="a password") == {"postponed": 1}  # it is not trusted
        assert "SSLCertVerificationError" in row_of(office.engine, email_id).failure and seen == []
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
        office.clock.forward(minutes=10)
        assert office.send(**asked, mail_password="another") == {"postponed": 1}  # ours to mend
        assert row_of(office.engine, email_id).failure.endswith("answered 535")
        office.clock.forward(minutes=10)
        assert office.send(**asked, mail_password="a password") == {"sent": 1}
    assert seen[-1] == (b"me", b"a password") and len(office.post.taken) == 1


@pytest.mark.parametrize("address", ["nobody", "a@b@c", "a b@c.org", "a@c.org\r\nRCPT TO:<x@y.org>", ""])
def test_what_is_no_address_is_parked(office: Office, address: str) -> None:
    email_id = queued(office.engine, new_request(office.engine, email=address))
    assert office.send() == {"failed": 1}
    assert row_of(office.engine, email_id).failure == "its address cannot be written to"
    assert office.post.asked == 0


def test_an_address_that_is_not_ascii_needs_a_server_that_takes_it(office: Office) -> None:
    email_id = queued(office.engine, new_request(office.engine, email="jürgen@münchen.example"))
    assert office.send() == {"failed": 1}
    assert row_of(office.engine, email_id).failure == "the mail server takes no address that is not ASCII"
    with writing(office.engine) as connection:
        send_again(connection, email_id, "command")
    with serving(office.post, utf8=True) as address:
        assert office.send(mail=address) == {"sent": 1}
    assert office.post.taken[0][0] == ["jürgen@xn--mnchen-3ya.example"]


def test_a_domain_that_is_not_ascii_needs_none(office: Office) -> None:
    queued(office.engine, new_request(office.engine, email="anna@münchen.example"))
    assert office.send() == {"sent": 1}
    assert office.post.taken[0][0] == ["anna@xn--mnchen-3ya.example"]
