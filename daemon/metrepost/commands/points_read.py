"""Reading points for `metrepost points`: what `probe` does, and registers that a read clears while no daemon runs."""

import asyncio
import math
from collections.abc import Collection, Sequence
from pathlib import Path

from ..configuration.plan import LoadedLine
from ..endpoints.contract import Clock, Probed
from ..endpoints.plan import Endpoint
from ..endpoints.start import runner_for
from ..journal.errors import JournalError
from ..journal.lock import FolderLock
from ..points.model import Point


class NotReadError(Exception):
    """A point that must not be read now. The message says why and what to do."""


async def read_points(
    line: LoadedLine, wanted: Sequence[Point], folder: Path, clock: Clock
) -> tuple[dict[str, Probed], dict[str, str]]:
    """Read each point once from its endpoint: what came by tag, and why those were not read that must not be.

    Registers that a read clears are read only while this process holds the state folder, so that no daemon loses a peak by it and
    none starts meanwhile. They are read twice: the first read takes away what had gathered before the reference was applied.
    """
    plain = {p.tag for p in wanted if not p.clears_on_read}
    cleared = {p.tag for p in wanted if p.clears_on_read}
    found = await _read(line, plain, clock)
    refused: dict[str, str] = {}
    if cleared:
        try:
            found |= await _read_cleared(line, cleared, folder, clock)
        except NotReadError as error:
            refused = dict.fromkeys(sorted(cleared), str(error))
    return found, refused


async def read_point(line: LoadedLine, point: Point, folder: Path, clock: Clock) -> Probed:
    """Read one point once. Raises NotReadError for one that must not be read now."""
    found, refused = await read_points(line, [point], folder, clock)
    if refused:
        raise NotReadError(refused[point.tag])
    return found[point.tag]


async def _read(line: LoadedLine, tags: Collection[str], clock: Clock) -> dict[str, Probed]:
    groups = []
    for endpoint in line.endpoints:
        here = [p.tag for p in endpoint.points if p.tag in tags]
        if here:
            groups.append(runner_for(endpoint, lambda batch: None, clock).probe(here))
    return {probed.tag: probed for group in await asyncio.gather(*groups) for probed in group}


async def _read_cleared(line: LoadedLine, tags: Collection[str], folder: Path, clock: Clock) -> dict[str, Probed]:
    lock = _hold(folder, line.plan.name)
    try:
        await _read_clearing(line.endpoints, tags, clock)
        await asyncio.sleep(max(line.plan.tags[tag].interval for tag in tags))  # the device gathers anew for this long
        return await _read_clearing(line.endpoints, tags, clock)
    finally:
        lock.release()


def _hold(folder: Path, line: str) -> FolderLock:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return FolderLock(folder, line)
    except (JournalError, OSError) as error:
        raise NotReadError(
            f"not read, for reading clears it and a daemon would lose the value: {error}. "
            "End the daemon for this, or waive the point with its reason"
        ) from error


async def _read_clearing(endpoints: Sequence[Endpoint], tags: Collection[str], clock: Clock) -> dict[str, Probed]:
    from ..endpoints.modbus_runner import ModbusRunner  # only Modbus has such registers

    found: dict[str, Probed] = {}
    for endpoint in endpoints:
        here = [p.tag for p in endpoint.points if p.tag in tags]
        runner = runner_for(endpoint, lambda batch: None, clock) if here else None
        if isinstance(runner, ModbusRunner):
            found |= {probed.tag: probed for probed in await runner.probe(here, allow_clearing=True)}
    return found


def shown(probed: Probed, point: Point) -> str:
    """A reading in a line of text."""
    value = "no value" if math.isnan(probed.value) else f"{probed.value:.7g} {point.unit}".rstrip()
    return f"{value}, {probed.quality}" + (f" ({probed.reason})" if probed.reason else "")
