"""How the daemon logs: JSON lines when a machine reads them, aligned text when a person does. Always on stderr.

Our own events go through structlog alone (with orjson about 4 µs each). What libraries say through the standard `logging`
module is rendered the same way, from WARNING on: their debug output writes out frames and, in places, passwords.
"""

import logging
import sys
from typing import Any

import orjson
import structlog
from structlog.typing import Processor

LIBRARIES = ("pymodbus", "asyncua", "paho", "asyncio", "urllib3")
"""Standard-library loggers that are let through, from WARNING on."""

LEVELS = ("debug", "info", "warning", "error", "critical")


def setup(level: str = "info", json: bool | None = None) -> None:
    """Set logging up for this process; may be called again.

    `level` is one of `LEVELS`, any case; ValueError otherwise. `json` None means: JSON unless stderr is a terminal.
    """
    if level.lower() not in LEVELS:
        raise ValueError(f"log level {level!r} is none of {', '.join(LEVELS)}")
    number = logging.getLevelNamesMapping()[level.upper()]
    as_json = not sys.stderr.isatty() if json is None else json

    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: list[Processor]
    if as_json:
        last = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer(serializer=_dumps)]
    else:
        last = [structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())]
    structlog.configure(
        processors=[*shared, *last],
        wrapper_class=structlog.make_filtering_bound_logger(number),
        # orjson gives bytes; writing them past the text layer saves an encoding per event
        logger_factory=structlog.BytesLoggerFactory(sys.stderr.buffer) if as_json else structlog.PrintLoggerFactory(sys.stderr),
        # cached loggers would keep the first set-up for good
        cache_logger_on_first_use=False,
    )
    _route_libraries(shared, last, max(number, logging.WARNING))


def _route_libraries(shared: list[Processor], last: list[Processor], number: int) -> None:
    """Render the libraries' records like ours. The root logger is left alone: it belongs to whoever embeds the daemon."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, structlog.stdlib.add_logger_name],
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last[:-1], _as_text(last[-1])],
        )
    )
    for name in LIBRARIES:
        logger = logging.getLogger(name)
        logger.handlers = [handler]
        # a lost device is told by its endpoint, once; pymodbus says so at every attempt
        logger.setLevel(logging.CRITICAL if name == "pymodbus" else number)
        logger.propagate = False


def _dumps(event: Any, default: Any = None) -> bytes:
    """JSON of an event; what orjson does not know is written as its repr, for a log must not fail."""
    return orjson.dumps(event, default=default or repr, option=orjson.OPT_NON_STR_KEYS)


def _as_text(renderer: Processor) -> Processor:
    """`logging` wants str where the JSON renderer gives bytes."""

    def render(logger: Any, name: str, event: Any) -> str:
        out = renderer(logger, name, event)
        return out.decode() if isinstance(out, bytes) else str(out)

    return render
