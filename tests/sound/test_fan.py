"""Streams for several consumers: none waits for ever on another, however that one ends."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from underbow.sound import fan
from underbow.sound.fan import fan_out


def in_time(action: object, seconds: float = 20) -> list[object]:
    """Run something in a thread; give what it returned or raised, and fail where it doesn't end."""
    out: list[object] = []

    def run() -> None:
        try:
            out.append(action())  # type: ignore[operator]
        except BaseException as error:
            out.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(seconds)
    assert not thread.is_alive(), "it waits for ever"
    return out


def test_a_lane_that_dies_while_it_drains_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    taken = fan._Lane._taken

    def dies(lane: fan._Lane[int, int]) -> Iterator[int]:
        if lane.failure is not None:  # as where not even a block more has room
            raise MemoryError
        yield from taken(lane)

    monkeypatch.setattr(fan._Lane, "_taken", dies)
    monkeypatch.setattr(threading, "excepthook", lambda _: None)

    def fails(blocks: Iterator[int]) -> int:
        raise MemoryError(next(blocks))

    (end,) = in_time(lambda: fan_out(range(1000), [fails, sum]))
    assert isinstance(end, MemoryError)


def test_a_thread_that_ends_without_a_word_is_a_want_of_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fan._Lane, "_run", lambda _: None)
    (end,) = in_time(lambda: fan_out(range(1000), [sum, sum]))
    assert isinstance(end, MemoryError)


def test_no_room_for_a_thread_is_a_want_of_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as patch:
        patch.setattr(threading.Thread, "start", full)
        with pytest.raises(MemoryError):
            fan_out(range(3), [sum, sum])


def test_a_failing_source_ends_every_lane() -> None:
    def broken() -> Iterator[int]:
        yield 1
        raise OSError("broken")

    (end,) = in_time(lambda: fan_out(broken(), [sum, list]))
    assert isinstance(end, OSError)
