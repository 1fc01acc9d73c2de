"""Ending tasks for good."""

import asyncio
from typing import Any


async def end(*tasks: "asyncio.Task[Any]") -> None:
    """Cancel tasks and wait until they are over.

    Asked again each second: where `asyncio.wait_for` of Python 3.11 is cancelled just as its call ends (a connection refused at once),
    the end wins and the cancellation is gone.
    """
    left = set(tasks)
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=1.0)
