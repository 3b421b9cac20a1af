"""OpenCV decoding clips, where a wanted frame is no key frame or PyAV cannot."""

from __future__ import annotations

import io
import math
import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Self, cast

# Read by OpenCV when it opens its first clip: no chatter of the decoder on the terminal, no playlists.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

import cv2
import numpy as np

from lastlook.intake import judging
from lastlook.intake.clipstream import (
    Alike,
    ClipError,
    ClipFacts,
    Look,
    Patience,
    open_regular,
    upright_size,
)
from lastlook.intake.judging import Bytes

_SEEK_EARLY_MS = (1_000, 5_000, 30_000)
"""How long before the wanted moment to seek to; on variable frame rates a seek has landed 1.7 s too late."""


class CvStream:
    """A clip read by OpenCV; keeps `clipstream.ClipStream`. It decodes every frame, so it is slow but simple."""

    def __init__(self, path: Path | str, patience: Patience | None = None) -> None:
        self._path = path
        self._patience = patience or Patience()
        self._zero = 0.0
        self._end_ms = 0
        self._rate: float | None = None
        self._open()
        rate = self._capture.get(cv2.CAP_PROP_FPS)
        self._rate = rate if 0 < rate <= 240 else None
        self._facts = ClipFacts(
            codec=_letters(int(self._capture.get(cv2.CAP_PROP_FOURCC))), frames_per_second=self._rate
        )
        try:
            self._find_zero()
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        self._file: io.BufferedReader = open_regular(self._path)
        self._at = -math.inf
        with _quiet:
            try:
                # Its type stubs know no Python file here; the library does.
                self._capture = cv2.VideoCapture(cast(Any, self._file), cv2.CAP_FFMPEG, [])
            except cv2.error as fault:
                self._file.close()
                raise ClipError("this is no clip, or its beginning is damaged") from fault
        if not self._capture.isOpened():
            self.close()
            raise ClipError("this is no clip, or its beginning is damaged", "Copy it from the camera again.")

    def _find_zero(self) -> None:
        first = self._next()
        if first is None:
            raise ClipError("no picture of the clip can be decoded", "Copy it from the camera again.")
        self._zero = first
        turned = int(self._capture.get(cv2.CAP_PROP_ORIENTATION_META)) % 360
        image = self._retrieve()
        height, width = image.shape[:2]
        self._facts = replace(self._facts, width=width, height=height, turned=turned if turned % 90 == 0 else 0)

    @property
    def facts(self) -> ClipFacts:
        return self._facts

    @property
    def end_ms(self) -> int:
        return self._end_ms

    @property
    def complaints(self) -> tuple[str, ...]:
        return ()

    def close(self) -> None:
        self._capture.release()
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _next(self) -> float | None:
        """Go on to the next frame; its time in ms as OpenCV counts, or None after the last."""
        while True:
            self._patience.check()
            if not self._capture.grab():
                return None
            moment = float(self._capture.get(cv2.CAP_PROP_POS_MSEC))
            if moment == 0.0 and self._at > 0.0:  # a frame without a time of its own, the last ones of some AVI
                moment = self._at + (1000 / self._rate if self._rate else 40.0)
            if moment > self._at:
                break
        self._patience.sign()
        self._at = moment
        return moment

    def _retrieve(self) -> Bytes:
        done, image = self._capture.retrieve()
        if not done or image is None:
            raise ClipError("a frame of the clip cannot be decoded")
        if image.ndim == 2:
            image = cv2.cvtColor(image, cv2.COLOR_GRAY2BGR)
        pixel = [self._capture.get(prop) for prop in (cv2.CAP_PROP_SAR_NUM, cv2.CAP_PROP_SAR_DEN)]
        if pixel[0] > 0 and pixel[1] > 0 and pixel[0] != pixel[1]:
            shape = Fraction(int(pixel[0]), int(pixel[1]))
            height, width = image.shape[:2]
            # The library has turned the picture, the shape of its pixels not.
            if int(self._capture.get(cv2.CAP_PROP_ORIENTATION_META)) % 180 == 90:
                size = upright_size(height, width, shape, 90)
            else:
                size = upright_size(width, height, shape, 0)
            image = cv2.resize(image, size, interpolation=cv2.INTER_CUBIC)
        return np.asarray(image, dtype=np.uint8)

    def _ms(self, moment: float) -> int:
        return int(np.floor(moment - self._zero + 0.5 + 1e-6))

    def _rewind(self) -> None:
        self.close()
        self._open()

    def looks(self, every_ms: int, hold_ms: int, alike: Alike) -> Iterator[Look]:
        """See `ClipStream.looks`: here every frame is decoded, so they are always about `every_ms` apart."""
        self._rewind()
        last: int | None = None
        step = 1000 / self._rate if self._rate else 0.0
        while (moment := self._next()) is not None:
            now = self._ms(moment)
            self._end_ms = max(self._end_ms, self._ms(moment + step))
            if last is None or now - last >= every_ms:
                last = now
                yield Look(now, judging.as_grey(self._retrieve()))
        if last is None:
            raise ClipError("no picture of the clip can be decoded", "Copy it from the camera again.")

    def frames(self, start_ms: int, end_ms: int) -> Iterator[Look]:
        moment = self._before(start_ms)
        while moment is not None and self._ms(moment) <= end_ms:
            if self._ms(moment) >= start_ms:
                yield Look(self._ms(moment), judging.as_grey(self._retrieve()))
            moment = self._next()

    def frame_at(self, clip_ms: int) -> tuple[Bytes, int]:
        moment = self._before(clip_ms)
        if moment is None:
            raise ClipError("no picture of the clip can be decoded", "Copy it from the camera again.")
        image: Bytes | None = None
        shown = moment
        while moment is not None and (image is None or self._ms(moment) <= clip_ms):
            image, shown = self._retrieve(), moment
            if self._ms(moment) >= clip_ms:
                break
            moment = self._next()
        assert image is not None
        return image, self._ms(shown)

    def _before(self, clip_ms: int) -> float | None:
        """Stand on a frame at or before `clip_ms` (or the very first); its time as OpenCV counts."""
        for early in _SEEK_EARLY_MS:
            if clip_ms - early <= 0:
                break
            self._capture.set(cv2.CAP_PROP_POS_MSEC, self._zero + clip_ms - early)
            self._at = -math.inf
            moment = self._next()
            if moment is not None and self._ms(moment) <= clip_ms:
                return moment
        self._rewind()
        return self._next()


def _letters(code: int) -> str:
    letters = "".join(chr((code >> shift) & 0xFF) for shift in (0, 8, 16, 24))
    return letters.strip("\0 ") if letters.isprintable() or letters.strip("\0").isprintable() else ""


class _Quiet:
    """OpenCV says on the terminal why a file cannot be opened; our own words do that. Threads may overlap."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._inside = 0
        self._level = 0

    def __enter__(self) -> None:
        with self._lock:
            if self._inside == 0:
                self._level = int(cv2.utils.logging.getLogLevel())
                cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
            self._inside += 1

    def __exit__(self, *exc: object) -> None:
        with self._lock:
            self._inside -= 1
            if self._inside == 0:
                cv2.utils.logging.setLogLevel(self._level)


_quiet = _Quiet()


def frame_at(path: Path | str, clip_ms: int, patience: Patience | None = None) -> tuple[Bytes, int]:
    """The frame of a clip on show at `clip_ms` (H×W×3 BGR bytes, upright) and the time at which it appeared.

    Exact on variable frame rates, edit lists and turned clips. Raises ClipError where the clip cannot be decoded.
    """
    with CvStream(path, patience) as stream:
        return stream.frame_at(clip_ms)
