"""The sound of a clip as one channel of 16,000 samples a second, placed on the clip's own time line."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

import av
import av.error
import numpy as np
from av.audio.resampler import AudioResampler
from numpy.typing import NDArray

RATE = 16_000
"""Samples a second: what recognisers of speech are made for."""

Sound = NDArray[np.int16]
_LEAD_MS = 500  # decoding starts that much early: the first packet behind a seek may lack its beginning
_LARGEST_GAP_S = 3600


class NoSound(Exception):
    """The clip has no sound, or none that can be decoded; the message says which."""


def sound_of(path: Path | str, from_ms: int, to_ms: int) -> Sound:
    """Samples of [from_ms, to_ms) of the clip's time line (0 is its first frame shown); shorter at the clip's end.

    Where the clip has no sound for a while there is silence. Raises NoSound.
    """
    try:
        with av.open(os.path.abspath(path)) as container:  # noqa: PTH100 - a relative "12:30 x.mp4" is no protocol
            return _cut(container, from_ms, to_ms)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise NoSound(f"its sound cannot be decoded ({type(error).__name__})") from error


def _cut(container: av.container.InputContainer, from_ms: int, to_ms: int) -> Sound:
    if not container.streams.audio:
        raise NoSound("it has no sound")
    stream = container.streams.audio[0]
    # The clip's time line starts with its first picture; sound often starts a little apart from it.
    zero = 0.0
    if container.streams.video:
        video = container.streams.video[0]
        zero = float((video.start_time or 0) * (video.time_base or 0))
    if from_ms > _LEAD_MS and stream.time_base:
        with contextlib.suppress(av.error.FFmpegError):  # not every file can be sought in: then from its start
            container.seek(int((zero + (from_ms - _LEAD_MS) / 1000) / stream.time_base), stream=stream)
    wanted = max(0, (to_ms - from_ms) * RATE // 1000)
    found = np.zeros(wanted, np.int16)
    reached = 0
    for at_s, samples in _samples(container, stream):
        first = round((at_s - zero - from_ms / 1000) * RATE)
        if first >= wanted:
            break
        low, high = max(first, 0), min(first + len(samples), wanted)
        if high > low:
            found[low:high] = samples[low - first : high - first]
            reached = max(reached, high)
    return found[:reached]


def _samples(container: av.container.InputContainer, stream: av.AudioStream) -> Iterator[tuple[float, Sound]]:
    """(second, samples) in order. A broken packet costs its own samples only."""
    resampler = AudioResampler(format="s16", layout="mono", rate=RATE)
    following: float | None = None
    for packet in container.demux(stream):
        try:
            frames = list(packet.decode())
        except av.error.InvalidDataError:
            continue
        for frame in frames:
            at = frame.time if frame.time is not None else following
            for done in resampler.resample(frame):
                samples = np.ascontiguousarray(done.to_ndarray().reshape(-1), dtype=np.int16)
                second = done.time if done.time is not None else at
                second = second if second is not None else 0.0
                if following is not None and abs(second - following) > _LARGEST_GAP_S:
                    second = following  # a broken stamp
                following = second + len(samples) / RATE
                yield second, samples
