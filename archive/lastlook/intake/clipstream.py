"""What a clip looks like to the rest of intake: one interface, whatever library decodes it.

Two backends keep it: `clipav` (PyAV; finds key frames fast and knows the container) and `frames` (OpenCV). One suite
of tests runs over both. Times are whole milliseconds of presentation time from the first frame that is shown, so that
edit lists, negative starts and late streams never show: what a viewer sees first is at 0.
"""

from __future__ import annotations

import io
import os
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

LOOK_EDGE = 960
"""Long edge in pixels of the grey picture of a look; the size at which `quality.measure` judges."""

Alike = Callable[[NDArray[np.uint8], NDArray[np.uint8]], bool]
"""Says of two grey looks whether they show the same state of the same view."""


class ClipError(Exception):
    """A clip cannot be used, or not any further. The text is plain words for `records.Problem.reason`.

    `final`: another backend would fare no better.
    """

    def __init__(self, reason: str, hint: str = "", *, final: bool = False) -> None:
        super().__init__(reason)
        self.reason = reason
        self.hint = hint
        self.final = final


class ClipStalled(ClipError):
    """Nothing came out of a clip for too long."""


@dataclass(frozen=True, slots=True)
class Look:
    """A glance at one shown frame. `grey`: H×W bytes, upright, square pixels, long edge at most LOOK_EDGE."""

    clip_ms: int
    grey: NDArray[np.uint8]
    key: bool = False


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """What the container says. `width`, `height`: of the upright picture with square pixels, 0 where not yet known.

    `turned`: degrees clockwise (0, 90, 180, 270) by which the stored picture was turned to stand upright.
    `tags`: text the container and its video stream carry, container first, as (key, value), keys as written.
    """

    format: str = ""
    brand: str = ""
    codec: str = ""
    width: int = 0
    height: int = 0
    turned: int = 0
    frames_per_second: float | None = None
    claimed_ms: int | None = None
    sound: bool = False
    tags: tuple[tuple[str, str], ...] = ()
    shown_facts: Mapping[str, str] = field(default_factory=dict)


class ClipStream(Protocol):
    """An open clip. Every method starts from wherever it needs to; none relies on where another stopped."""

    @property
    def facts(self) -> ClipFacts: ...

    @property
    def end_ms(self) -> int:
        """End of the last real frame, exact once `looks` has run to its end."""
        ...

    @property
    def complaints(self) -> tuple[str, ...]:
        """Plain lines on what was wrong while it was read."""
        ...

    def looks(self, every_ms: int, hold_ms: int, alike: Alike) -> Iterator[Look]:
        """Glances in order of time, so close that no state shown for `hold_ms` or longer can hide between two.

        They are about `every_ms` apart; further apart only where the two sides of a gap shorter than `hold_ms` are
        alike. The first is the first frame shown. Raises ClipError where nothing can be decoded at all.
        """
        ...

    def frames(self, start_ms: int, end_ms: int) -> Iterator[Look]:
        """A glance at every frame shown within [start_ms, end_ms]."""
        ...

    def frame_at(self, clip_ms: int) -> tuple[NDArray[np.uint8], int]:
        """The frame on show at `clip_ms` (H×W×3 BGR bytes, upright, full size) and the time at which it appeared.

        Before the first frame the first is given, after the last the last. Raises ClipError where there is none.
        """
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(self, *exc: object) -> None: ...


class Patience:
    """Ends work on a clip that gives nothing any more. `silent_s`: the longest wait for the next sign of life."""

    def __init__(self, silent_s: float = 10.0, clock: Callable[[], float] = time.monotonic) -> None:
        self.silent_s = silent_s
        self._clock = clock
        self._last = clock()

    def sign(self) -> None:
        """Something came out."""
        self._last = self._clock()

    def check(self) -> None:
        """Raise ClipStalled where nothing has come out for too long."""
        if self._clock() - self._last > self.silent_s:
            raise ClipStalled(
                f"the clip gave no picture for {self.silent_s:g} seconds", "Copy it from the camera again."
            )


def milliseconds(ticks: int, time_base: Fraction) -> int:
    """`ticks` of `time_base` seconds as whole milliseconds, halves upward, by whole numbers alone."""
    numerator, denominator = ticks * time_base.numerator * 1000, time_base.denominator
    return (2 * numerator + denominator) // (2 * denominator)


def open_regular(path: Path | str) -> io.BufferedReader:
    """Open `path` for reading if it is a regular file and no link. Raises ClipError for anything else.

    The libraries are only ever given this open file: a path with a colon is a protocol to them, a name that is no
    valid UTF-8 crashes OpenCV, and a pipe would block every one of them for good.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        raise ClipError("the file is not there any more", "Run the command again.", final=True) from None
    except OSError as fault:
        raise ClipError(f"the file cannot be opened: {(fault.strerror or str(fault)).lower()}", final=True) from None
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise ClipError("this is not a file but a pipe, device or folder", final=True)
        if status.st_size == 0:
            raise ClipError("the file is empty", "Copy it from the camera again.", final=True)
        return open(handle, "rb")  # noqa: PTH123 - it takes over the handle that was checked
    except BaseException:
        os.close(handle)
        raise


def upright_size(width: int, height: int, shape: Fraction | None, turned: int) -> tuple[int, int]:
    """Size of the upright picture with square pixels: stored size, shape of a pixel (width:height), turn in degrees."""
    if shape is not None and Fraction(1, 4) <= shape <= 4:
        width = max(1, round(width * shape))
    return (height, width) if turned in (90, 270) else (width, height)


def look_size(width: int, height: int, edge: int = LOOK_EDGE) -> tuple[int, int]:
    """`width`×`height` scaled down, never up, to a long edge of `edge`."""
    longest = max(width, height)
    if longest <= edge:
        return width, height
    return max(1, round(width * edge / longest)), max(1, round(height * edge / longest))
