"""Work that takes a while: how far it is, told to whoever looks on, and to be stopped at any moment."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Underway"]


@dataclass(slots=True)
class Underway:
    """Something that is being made.

    Attributes
    ----------
    state : str
        ``making`` until it has ended, in whatever way.
    what : str
        What is being done, or why it failed.
    share : float
        0 to 1.

    Examples
    --------
    >>> lesson = Underway("Reels")
    >>> lesson.say(state="made", share=1.0)
    >>> list(lesson.news())
    [{'title': 'Reels', 'state': 'made', 'what': '', 'share': 1.0}]
    """

    title: str
    state: str = "making"
    what: str = ""
    share: float = 0.0
    _stop: threading.Event = field(default_factory=threading.Event)
    _news: threading.Condition = field(default_factory=threading.Condition)
    _count: int = 0

    def stop(self) -> None:
        """Let it end as soon as it can."""
        self._stop.set()

    def give_up(self) -> None:
        """Let it end as soon as it can, and tell whoever looks on that nobody waits for it."""
        self.stop()
        with self._news:
            if self.state == "making":
                self.state, self._count = "stopped", self._count + 1
                self._news.notify_all()

    def end(self, state: str, what: str = "", **news: Any) -> None:
        """Say how it ended, unless it was given up before."""
        if not self._stop.is_set():
            self.say(state=state, what=what, share=1.0, **news)

    def say(self, **news: Any) -> None:
        """Note what has changed."""
        with self._news:
            for name, value in news.items():
                setattr(self, name, value)
            self._count += 1
            self._news.notify_all()

    def news(self, patience: float = 10.0) -> Iterator[dict[str, Any]]:
        """Give its state now, whenever it changes, and at least every ``patience`` seconds, until it has ended."""
        seen = -1
        while True:
            with self._news:
                self._news.wait_for(lambda: self._count != seen, timeout=patience)  # noqa: B023
                seen = self._count
                now = self.shown()
            yield now
            if now["state"] != "making":
                return

    def shown(self) -> dict[str, Any]:
        """Give plain data for the page."""
        return {"title": self.title, "state": self.state, "what": self.what, "share": round(self.share, 3)}
