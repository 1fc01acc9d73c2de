"""Starts daemons quickly: a process that has imported everything and forks one daemon per line of its standard input.

    python fault_starter.py LOG [forgetful] -- run LINE --state FOLDER

``start`` answers with the process id, ``wait`` with the exit code of the last one (minus the signal). What runs is the command line of
the product in a process of its own; only the seconds of importing are spared, of which a run of 200 kills has too many.
"""

import os
import sys
import warnings
from importlib import import_module
from typing import NoReturn

IMPORTED = (
    "metrepost.commands.main",
    "metrepost.service",
    "metrepost.endpoints.modbus_runner",
    "metrepost.endpoints.opcua",
    "metrepost.publish.mqtt",
    "metrepost.rules.kinds",
)


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
    log, *rest = sys.argv[1:]
    seeded = rest.pop(0) == "forgetful" if rest[0] != "--" else False
    arguments = rest[1:]
    warnings.simplefilter("ignore")
    for name in IMPORTED:
        import_module(name)
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
