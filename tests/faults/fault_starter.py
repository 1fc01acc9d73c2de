"""Starts daemons quickly: a process that has imported everything and forks one daemon per line of its standard input.

    python fault_starter.py LOG STEP [forgetful] -- run LINE --state FOLDER

The file STEP holds a double, native: by how many seconds the daemon's wall clock is ahead of the machine's. It is looked at whenever the
daemon asks what time it is.

``start`` answers with the process id, ``wait`` with the exit code of the last one (minus the signal). What runs is the command line of
the product in a process of its own; only the seconds of importing are spared, of which a run of 200 kills has too many.
"""

import os
import struct
import sys
import time
import warnings
from importlib import import_module
from pathlib import Path
from typing import NoReturn

IMPORTED = (
    "metrepost.commands.main",
    "metrepost.service",
    "metrepost.endpoints.modbus_runner",
    "metrepost.endpoints.opcua",
    "metrepost.publish.mqtt",
    "metrepost.rules.kinds",
)


class _Set:
    """The module `time` as `metrepost.clock` knows it, with a wall clock that can be set."""

    monotonic = staticmethod(time.monotonic)

    def __init__(self, file: str) -> None:
        self._file = Path(file)

    def time(self) -> float:
        return time.time() + float(struct.unpack("d", self._file.read_bytes())[0])


def daemon(log: str, arguments: list[str]) -> NoReturn:
    """The child: the product's own main, its output in the log."""
    file = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    null = os.open(os.devnull, os.O_RDONLY)
    for number, source in ((0, null), (1, file), (2, file)):
        os.dup2(source, number)
    sys.argv = ["metrepost", *arguments]
    import_module("metrepost.commands.main").main()
    raise SystemExit(0)


def main() -> None:
    """Answer until standard input ends."""
    log, step, *rest = sys.argv[1:]
    seeded = rest.pop(0) == "forgetful" if rest[0] != "--" else False
    arguments = rest[1:]
    warnings.simplefilter("ignore")
    for name in IMPORTED:
        import_module(name)
    import_module("metrepost.clock").time = _Set(step)
    if seeded:
        import_module("forgetful_daemon").forget()
    child = 0
    for line in sys.stdin:
        if line.strip() == "start":
            child = os.fork()
            if child == 0:
                daemon(log, arguments)
            answer = child
        else:
            _, status = os.waitpid(child, 0)
            answer = os.waitstatus_to_exitcode(status)
        print(answer, flush=True)


if __name__ == "__main__":
    main()
