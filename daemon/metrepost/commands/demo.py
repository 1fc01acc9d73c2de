"""`metrepost demo`: simulated line, broker, daemon and view in one, nothing to set up; a score against the truth at the end."""

import asyncio
import contextlib
import signal
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

import msgspec
import typer
from rich.console import Console

from .. import logs
from ..clock import SystemClock
from ..configuration.load import load_line
from ..configuration.plan import LoadedLine
from ..configuration.shipped import shipped_config
from ..core import Output
from ..endpoints.plan import Endpoint, ModbusEndpoint
from ..events import AlarmState, Event, ReelState, RollupOut
from ..publish.plan import MqttPlan
from ..publish.recorder import Recorder
from ..readings import Measured
from ..service import LineService, Listener
from .arguments import seconds
from .board import Board, LineFacts
from .embedded_broker import embedded_broker
from .trouble import CommandError, UnreachableError
from .view import View

FACTS_EVERY = 0.25
"""Real seconds between two looks at the line."""


def demo(
    for_: Annotated[str | None, typer.Option("--for", metavar="TIME", help="End after this long, such as 60s.")] = None,
    speed: Annotated[float, typer.Option("--speed", min=0.1, max=20.0, help="Scale of the line clock.")] = 1.0,
    seed: Annotated[int, typer.Option("--seed", help="The same seed makes the same line.")] = 1,
    scenario: Annotated[str, typer.Option("--scenario", help="demo, steady, healthy or bad.")] = "demo",
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Keep events, rollups, truth and logs here.")] = None,
    broker: Annotated[
        str | None, typer.Option("--broker", metavar="URL", help="A broker of your own, mqtt://host:port.")
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="One line an event instead of the picture.")] = False,
) -> None:
    """Watch a simulated line: real Modbus TCP and OPC UA servers, a real MQTT 5 broker, the daemon, and a live view.

    Ends with Ctrl-C or after --for, then scores what was told against what the simulator did.
    """
    duration = seconds(for_)
    with contextlib.ExitStack() as stack:
        folder = out or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="metrepost-demo-")))
        folder.mkdir(parents=True, exist_ok=True)
        state = stack.enter_context(tempfile.TemporaryDirectory(prefix="metrepost-state-"))
        stack.enter_context(_log_to(folder / "log.jsonl"))
        port = _broker(broker, stack)
        console = Console(force_terminal=False if plain else None)
        _say(console, speed)
        asyncio.run(_demo(folder, Path(state), port, console, duration, speed, seed, scenario))
        _score(console, folder, out)


def _broker(url: str | None, stack: contextlib.ExitStack) -> tuple[str, int]:
    if url is None:
        return "127.0.0.1", stack.enter_context(embedded_broker())
    try:
        plan = MqttPlan.parse(url)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--broker") from error
    return plan.host, plan.port


def _say(console: Console, speed: float) -> None:
    if speed != 1.0:
        console.print(
            f"The line clock runs at {speed:g} times: readings stand {speed:g} times further apart on the cable "
            f"({speed * 80 / 60 * 20:.0f} mm at 80 m/min and 20 ms), so drops can be told from lumps only below "
            f"{_told_apart(speed):.0f} m/min of line speed.",
            highlight=False,
        )


def _told_apart(speed: float) -> float:
    return (0.1 - 0.02) / (2 * 0.02 * speed) * 60


@contextlib.contextmanager
def _log_to(file: Path) -> Iterator[None]:
    """Log lines would tear the picture: they go to a file."""
    kept = sys.stderr
    with file.open("w") as stream:
        sys.stderr = stream
        try:
            logs.setup("info", json=True)
            yield
        finally:
            sys.stderr = kept
            logs.setup("warning")


async def _demo(
    folder: Path,
    state: Path,
    broker: tuple[str, int],
    console: Console,
    duration: float | None,
    speed: float,
    seed: int,
    scenario: str,
) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    clock = SystemClock(speed)
    async with _simulator(folder / "truth.jsonl", clock, speed, seed, scenario) as addresses:
        line = _scaled(_moved(load_line(shipped_config() / "core-3.toml"), addresses, broker), speed)
        recorder = Recorder(*broker, line.plan.root, folder)
        try:
            await recorder.start()
        except (OSError, TimeoutError) as error:
            await recorder.stop()
            raise UnreachableError(f"the broker {broker[0]}:{broker[1]} does not answer: {error}") from error
        try:
            with View(Board(line.plan), console) as view:
                await _watch(LineService(line, state, clock=clock, listeners=[_show(view)]), view, stop, duration)
        finally:
            await recorder.stop()


def _show(view: View) -> Listener:
    def listener(item: Output) -> None:
        if isinstance(item, Event | AlarmState | RollupOut | ReelState | Measured):
            view.note(item)

    return listener


async def _watch(service: LineService, view: View, stop: asyncio.Event, duration: float | None) -> None:
    async with asyncio.TaskGroup() as group:
        running = group.create_task(service.run(stop), name="service")
        looking = group.create_task(_look(service, view), name="look")
        try:
            async with asyncio.timeout(duration):
                await asyncio.shield(running)
        except TimeoutError:
            stop.set()
            await running
        looking.cancel()


async def _look(service: LineService, view: View) -> None:
    while True:
        view.see(facts(service))
        await asyncio.sleep(FACTS_EVERY)


def facts(service: LineService) -> LineFacts:
    """What the view's head line shows."""
    core, publisher = service.core, service.publisher.statistics()
    wound = core.take_up_metre()
    return LineFacts(
        time=service.clock.line_time(),
        speed=core.speed,
        state=core.state,
        product=core.product.name,
        reel=core.reel_at(wound) if wound is not None else "",
        metre_at_die=core.die_metre_now,
        metre_at_take_up=wound if wound is not None else 0.0,
        endpoints={r.health.endpoint: r.health.up for r in service.runners},
        broker="connected" if publisher.connected else "connecting",
        waiting=publisher.backlog,
    )


@contextlib.asynccontextmanager
async def _simulator(truth: Path, clock: SystemClock, speed: float, seed: int, scenario: str) -> AsyncIterator[dict[str, str]]:
    """The simulated line as a process of its own, so that daemon and line do not share a loop."""
    moment = f"{clock.line_time()!r}:{time.monotonic()!r}"
    command = [
        sys.executable,
        "-m",
        "metrepost",
        "simulate",
        "core-3",
        "--free-ports",
        "--truth",
        str(truth),
        "--clock",
        moment,
    ]
    command += ["--scenario", scenario, "--seed", str(seed), "--speed", str(speed)]
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, start_new_session=True
    )
    assert process.stdout is not None
    assert process.stderr is not None
    try:
        async with asyncio.timeout(60):
            line = await process.stdout.readline()
        if not line:
            raise CommandError(f"the simulator did not start: {(await process.stderr.read()).decode().strip()[-400:]}")
        yield msgspec.json.decode(line)["addresses"]
    finally:
        if process.returncode is None:
            process.terminate()
            await process.wait()


def _moved(line: LoadedLine, addresses: dict[str, str], broker: tuple[str, int]) -> LoadedLine:
    """The shipped line with the addresses that the simulator and the broker really have."""
    endpoints: list[Endpoint] = []
    for endpoint in line.endpoints:
        address = addresses[endpoint.name]
        if isinstance(endpoint, ModbusEndpoint):
            host, _, port = address.rpartition(":")
            endpoints.append(msgspec.structs.replace(endpoint, host=host, port=int(port)))
        else:
            assert urlsplit(address).scheme == "opc.tcp"
            endpoints.append(msgspec.structs.replace(endpoint, address=address))
    mqtt = msgspec.structs.replace(line.mqtt, host=broker[0], port=broker[1])
    return msgspec.structs.replace(line, endpoints=tuple(endpoints), mqtt=mqtt)


def _scaled(line: LoadedLine, speed: float) -> LoadedLine:
    """On a scaled clock every read interval is longer in line time, and the rules must know it."""
    if speed == 1.0:
        return line
    tags = {name: msgspec.structs.replace(tag, interval=tag.interval * speed) for name, tag in line.plan.tags.items()}
    rules = []
    for name, settings in line.rules:
        witness = getattr(settings, "witness", None)
        if witness is not None:
            # the speed up to which drops are told apart follows from the length and the interval
            settings = settings.model_copy(update={"witness": witness.model_copy(update={"up_to_speed": None})})
        rules.append((name, settings))
    return msgspec.structs.replace(line, plan=msgspec.structs.replace(line.plan, tags=tags), rules=tuple(rules))


def _score(console: Console, folder: Path, out: Path | None) -> None:
    from metrepost_sim.score import score_files
    from metrepost_sim.score_table import summary

    truth, events = folder / "truth.jsonl", folder / "events.jsonl"
    if not truth.is_file():
        raise CommandError("the simulator left no truth; see log.jsonl")
    console.print(summary(score_files(truth, events)), markup=False, highlight=False)
    if out is not None:
        console.print(f"kept in {out}: events.jsonl, rollups.jsonl, truth.jsonl, log.jsonl", highlight=False)
