"""Work that no page waits for: tiles, alignments, looking for the same view. One piece at a time, the newest first.

A page answers at once and its script asks again. Whoever asks for much pushes out only what was asked for longest ago,
which nobody may be waiting for any more; and since one thread does the work, the other pages keep theirs.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from lastlook.errors import LastlookError
from lastlook.progress import Progress

T = TypeVar("T")
_log = logging.getLogger(__name__)


@dataclass
class Done(Generic[T]):
    """How a piece of work ended: with a `value`, or with an `error` for the builder."""

    value: T | None = None
    error: LastlookError | None = None


@dataclass(frozen=True, slots=True)
class Far:
    """How far a piece of work is: what it said last, and for how many seconds it has been at that."""

    progress: Progress
    seconds: float


@dataclass
class Asides(Generic[T]):
    """`most_waiting` pieces wait at most, `most_kept` answers are remembered."""

    most_waiting: int = 24
    most_kept: int = 64
    _lock: threading.Condition = field(default_factory=threading.Condition)
    _waiting: OrderedDict[Hashable, Callable[[], T]] = field(default_factory=OrderedDict)
    _kept: OrderedDict[Hashable, Done[T]] = field(default_factory=OrderedDict)
    _now: Hashable | None = None
    _at_work: bool = False
    _said: Progress | None = None
    _stage_at: float = 0.0

    def ask(self, key: Hashable, task: Callable[[], T], *, wait: float = 0.0) -> Done[T] | None:
        """The answer, None while it is being worked for. Waits for it for at most `wait` seconds."""
        with self._lock:
            if key not in self._kept and self._now != key:
                self._waiting[key] = task
                self._waiting.move_to_end(key)
                while len(self._waiting) > self.most_waiting:
                    self._waiting.popitem(last=False)
                if not self._at_work:
                    self._at_work = True
                    # No daemon: one that is ended inside a library takes the interpreter down with it.
                    threading.Thread(target=self._work, name="lastlook-aside").start()
            if wait > 0:
                self._lock.wait_for(lambda: key in self._kept, wait)
            done = self._kept.get(key)
            if done is not None:
                self._kept.move_to_end(key)
            return done

    def known(self, key: Hashable) -> Done[T] | None:
        """The answer where there is one already."""
        with self._lock:
            return self._kept.get(key)

    def report(self, progress: Progress) -> None:
        """For the work itself: how far it is."""
        with self._lock:
            if self._said is None or self._said.stage is not progress.stage:
                self._stage_at = time.monotonic()
            self._said = progress

    def far(self, key: Hashable) -> Far | None:
        """How far the work for `key` is; None where it waits, is done, or does not say."""
        with self._lock:
            if self._now != key or self._said is None:
                return None
            return Far(self._said, time.monotonic() - self._stage_at)

    def forget(self, key: Hashable) -> None:
        with self._lock:
            self._kept.pop(key, None)

    def waiting(self) -> int:
        """How many pieces wait or are worked on."""
        with self._lock:
            return len(self._waiting) + (self._now is not None)

    def _work(self) -> None:
        while True:
            with self._lock:
                if not self._waiting or not threading.main_thread().is_alive():  # the viewer ends: nobody asks again
                    self._at_work = False
                    return
                key, task = self._waiting.popitem()
                self._now, self._said = key, None
            done: Done[T]
            try:
                done = Done(value=task())
            except LastlookError as error:
                done = Done(error=error)
            except Exception as error:  # a thread that dies would leave every later request waiting
                _log.error("work beside the pages failed", exc_info=error)
                done = Done(error=LastlookError("this could not be made", "Look at the terminal the viewer runs in."))
            with self._lock:
                self._now = None
                self._kept[key] = done
                while len(self._kept) > self.most_kept:
                    self._kept.popitem(last=False)
                self._lock.notify_all()
