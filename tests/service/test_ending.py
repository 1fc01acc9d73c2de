"""A stop ends every task, even one in which a cancellation got lost."""

import asyncio

from metrepost.ending import end


async def test_a_task_that_lost_its_cancellation_is_asked_again():
    """As `asyncio.wait_for` of Python 3.11 loses one that falls together with the end of what it waits for."""
    lost = asyncio.Event()

    async def connects_again_and_again():
        while True:
            try:
                await asyncio.sleep(3600)
            except asyncio.CancelledError:
                if lost.is_set():
                    raise
                lost.set()

    task = asyncio.create_task(connects_again_and_again())
    await asyncio.sleep(0)
    async with asyncio.timeout(30):
        await end(task)
    assert lost.is_set()
    assert task.cancelled()
