"""TLS to a real broker: its certificate is checked, the client's is asked for."""

import asyncio
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from support_broker import Broker
from support_journal import note
from support_publish import publishing

pytestmark = pytest.mark.broker


class Authority:
    """A certificate authority for one test."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self.ca = self._write(f"{name}.pem", self._sign(self._name, self._key, ca=True))

    def _sign(self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, *, ca: bool, server: bool = False) -> x509.Certificate:
        now = datetime.now(UTC)
        made = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(hours=1))
            .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True)
        )
        if not ca:
            made = made.add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
            usage = ExtendedKeyUsageOID.SERVER_AUTH if server else ExtendedKeyUsageOID.CLIENT_AUTH
            made = made.add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        return made.sign(self._key, hashes.SHA256())

    def _write(self, name: str, certificate: x509.Certificate) -> str:
        file = self._folder / name
        file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        return str(file)

    def issue(self, name: str, *, server: bool = False) -> dict[str, str]:
        """A certificate and its key, as files."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = self._write(f"{name}.pem", self._sign(subject, key, ca=False, server=server))
        file = self._folder / f"{name}.key"
        file.write_bytes(
            key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        )
        return {"certificate": certificate, "key": str(file)}


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path, "northmere")


@pytest.fixture
def secure(tmp_path: Path, authority: Authority) -> Iterator[Broker]:
    own = authority.issue("broker", server=True)
    extra = f"cafile {authority.ca}\ncertfile {own['certificate']}\nkeyfile {own['key']}\nrequire_certificate true"
    with Broker(tmp_path / "broker", extra=extra) as broker:
        yield broker


async def test_rows_are_delivered_over_tls_with_a_client_certificate(
    secure: Broker, authority: Authority, tmp_path: Path
) -> None:
    """Enough rows, of all sizes, that TLS records and MQTT packets do not coincide."""
    settings = {"tls": True, "ca": authority.ca, **authority.issue("core-3")}
    async with publishing(tmp_path / "state", secure.port, **settings) as p:
        await p.journal.commit([note("x" * (n * 37 % 9000)) for n in range(1000)])
        await asyncio.wait_for(p.journal.drained(), 10)
        assert p.publisher.statistics().failures == 0


@pytest.mark.parametrize("wrong", ["another authority", "no certificate", "no TLS", "no such file"])
async def test_a_wrong_setting_is_told_and_nothing_is_sent(
    secure: Broker, authority: Authority, tmp_path: Path, wrong: str
) -> None:
    other: dict[str, dict[str, Any]] = {
        "another authority": {"tls": True, "ca": Authority(tmp_path, "elsewhere").ca},
        "no certificate": {"tls": True, "ca": authority.ca},
        "no TLS": {},
        "no such file": {"tls": True, "ca": str(tmp_path / "missing.pem")},
    }
    told = {
        "another authority": "TLS with the broker at 127.0.0.1:.* failed",
        "no certificate": "the broker closed the connection|TLS with the broker|cannot be reached",
        "no TLS": "the broker closed the connection|cannot be reached",
        "no such file": "the TLS files of the broker cannot be used .*missing\\.pem",
    }
    async with publishing(tmp_path / "state", secure.port, **other[wrong]) as p:
        await p.journal.commit([note()])
        while p.publisher.statistics().failures < 2:
            await asyncio.sleep(0.01)
        assert not p.task.done()
        statistics = p.publisher.statistics()
        assert (statistics.connections, statistics.backlog) == (0, 1)
        assert re.search(told[wrong], statistics.trouble)
