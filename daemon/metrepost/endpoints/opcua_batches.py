"""Requests in batches that a server accepts: most servers limit the number of nodes in one call, and do not all say so."""

from collections.abc import Awaitable, Callable, Sequence
from typing import TypeVar

from .opcua_link import RefusedError

BATCH = 200
"""Nodes in one request to begin with."""
_TOO_MANY = frozenset({"BadTooManyOperations", "BadRequestTooLarge", "BadResponseTooLarge", "BadEncodingLimitsExceeded"})

Asked = TypeVar("Asked")
Answered = TypeVar("Answered")


async def in_batches(items: Sequence[Asked], call: Callable[[list[Asked]], Awaitable[list[Answered]]]) -> list[Answered]:
    """The answers to all `items`, in order. A batch that is too large for the server is halved, down to single items."""
    answers: list[Answered] = []
    size = BATCH
    while len(answers) < len(items):
        batch = list(items[len(answers) : len(answers) + size])
        try:
            answers.extend(await call(batch))
        except RefusedError as refused:
            if refused.status not in _TOO_MANY or len(batch) == 1:
                raise
            size = max(1, len(batch) // 2)
    return answers
