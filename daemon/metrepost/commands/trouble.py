"""Errors of commands: a sentence that says what to do, and the exit code."""

from . import exits


class CommandError(Exception):
    """Ends the command with `code`."""

    def __init__(self, sentence: str, code: int = exits.FAILED) -> None:
        self.code = code
        super().__init__(sentence)


class UnreachableError(CommandError):
    """A server that is needed does not answer."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence, exits.UNREACHABLE)


class MissingPartError(CommandError):
    """An optional part is not installed."""

    def __init__(self, part: str, extra: str) -> None:
        super().__init__(f"{part} is not installed; install it with: pip install 'metrepost[{extra}]'", exits.MISSING)
