"""One stream of blocks for several consumers side by side, each in its own thread, none far ahead of the others.

numpy, libsndfile and hashing let go of Python's lock while they work, so threads are enough. A stream that breaks off
breaks off for everyone: no consumer takes half a stream for a whole one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from queue import Full, Queue
from typing import Generic, TypeVar

__all__ = ["BrokenOffError", "fan_out"]

Block = TypeVar("Block")
Result = TypeVar("Result")

_PATIENCE = 0.2  # seconds, after which it is asked whether a full lane still lives
_AHEAD = 1  # blocks that wait for a consumer; more make nothing faster


class BrokenOffError(Exception):
    """Raised inside a consumer where the stream can't go on."""


class _Lane(Generic[Block, Result]):
    """A consumer in its thread, and the blocks on their way to it."""

    def __init__(self, consumer: Callable[[Iterator[Block]], Result]) -> None:
        self._consumer = consumer
        self._queue: Queue[Block | None] = Queue(_AHEAD)
        self._ended = self._whole = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.result: list[Result] = []
        self.failure: BaseException | None = None
        try:
            self._thread.start()
        except RuntimeError:  # the system has no room for one more
            raise MemoryError from None

    def _run(self) -> None:
        try:
            self.result.append(self._consumer(self._blocks()))
        except BaseException as failure:  # raised again in the caller's thread
            self.failure = failure
        for _ in self._taken():  # so that nobody waits for this lane
            pass

    def _taken(self) -> Iterator[Block]:
        while not self._ended:
            block = self._queue.get()
            if block is None:
                self._ended = True
            else:
                yield block

    def _blocks(self) -> Iterator[Block]:
        yield from self._taken()
        if not self._whole:
            raise BrokenOffError

    def put(self, block: Block | None) -> None:
        """Hand a block on, or None for the end; a lane that died, for want of memory say, is not waited for."""
        while self._thread.is_alive():
            with suppress(Full):
                self._queue.put(block, timeout=_PATIENCE)
                return

    def end(self, *, whole: bool) -> None:
        self._whole = whole
        self.put(None)

    def join(self) -> None:
        self._thread.join()
        if self.failure is None and not self.result:
            self.failure = MemoryError("a thread ended without a word")


def fan_out(
    source: Iterable[Block], consumers: Sequence[Callable[[Iterator[Block]], Result]], *, apart: bool = True
) -> list[Result]:
    """Run a stream through consumers.

    Parameters
    ----------
    source : iterable
        Run in the caller's thread. Its blocks are shared, not to be changed.
    consumers : sequence of callable
        Each takes an iterator over the blocks, to its end, and gives its result.
    apart : bool
        False lets a single consumer run in the caller's thread too, where a thread of its own would only wait for the source.

    Returns
    -------
    list
        The results in order.

    Raises
    ------
    Exception
        What the source, or the first consumer that failed, raised; all others have stopped then.

    Examples
    --------
    >>> fan_out(range(4), [sum, list])
    [6, [0, 1, 2, 3]]
    """
    if len(consumers) == 1 and not apart:
        return [consumers[0](iter(source))]
    lanes = [_Lane(consumer) for consumer in consumers]
    whole = False
    try:
        for block in source:
            if any(lane.failure is not None for lane in lanes):
                break
            for lane in lanes:
                lane.put(block)
        else:
            whole = True
    finally:
        for lane in lanes:
            lane.end(whole=whole)
        for lane in lanes:
            lane.join()
    failures = [lane.failure for lane in lanes if lane.failure is not None]
    for failure in failures:
        if not isinstance(failure, BrokenOffError):
            raise failure
    if failures:
        raise failures[0]
    return [lane.result[0] for lane in lanes]
