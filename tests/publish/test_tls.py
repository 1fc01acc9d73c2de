"""TLS to a real broker: its certificate is checked, the client's is asked for."""

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support_broker import Broker
from support_journal import note
from support_publish import publishing
from support_tls import Authority

pytestmark = pytest.mark.broker


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
