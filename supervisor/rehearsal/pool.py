"""Several seeds side by side: each season in a process of its own, with their progress told to one place."""

import contextlib
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from multiprocessing import get_context
from queue import Empty
from typing import Any

from supervisor.rehearsal.outcome import Season
from supervisor.rehearsal.run import Interrupted, Task, rehearse

TOLD_EVERY_S = 0.2

Told = Callable[[int, float], None]
"""Told the number of a task, and how many seconds of its season are done."""

_channel: tuple[Any, Any] | None = None  # of a worker: where progress goes, and the flag that ends it


def run_all(tasks: Sequence[Task], jobs: int, told: Told) -> list[Season]:
    """What came of each task, in their order. Raises what a season raises; a KeyboardInterrupt ends all of them first."""
    if jobs == 1 or len(tasks) == 1:
        return [rehearse(task, _straight(number, told)) for number, task in enumerate(tasks)]
    context = get_context("spawn")
    queue, stop = context.Queue(), context.Event()
    with ProcessPoolExecutor(min(jobs, len(tasks)), context, _begin, (queue, stop)) as pool:
        futures = [pool.submit(_carry_out, number, task) for number, task in enumerate(tasks)]
        try:
            _follow(futures, queue, told)
            return [one.result() for one in futures]
        except BaseException:
            stop.set()
            for one in futures:
                one.cancel()
            raise


def _straight(number: int, told: Told) -> Callable[[float], bool]:
    def progress(at_s: float) -> bool:
        told(number, at_s)
        return True

    return progress


def _follow(futures: Sequence[Future[Season]], queue: Any, told: Told) -> None:
    """Passes progress on until all are done or one has failed."""
    while True:
        done, waiting = wait(futures, timeout=TOLD_EVERY_S)
        with contextlib.suppress(Empty):
            while True:
                told(*queue.get_nowait())
        if not waiting or any(one.exception() is not None for one in done if not one.cancelled()):
            return


def _begin(queue: Any, stop: Any) -> None:
    """In a worker: the keyboard is its parent's affair."""
    global _channel
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _channel = (queue, stop)


def _carry_out(number: int, task: Task) -> Season:
    if _channel is None:
        raise Interrupted
    queue, stop = _channel

    def progress(at_s: float) -> bool:
        queue.put((number, at_s))
        return not stop.is_set()

    return rehearse(task, progress)
