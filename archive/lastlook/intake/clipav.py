"""Clips through PyAV: key frames found fast, any frame found exactly.

Key frames are decoded one by one, each drained before the next: asking a decoder to skip all but key frames loses most
of them, and their order, where groups of pictures are open. Where key frames stand too far apart to see every state,
the frames between are decoded as well, but only as far as needed (see `AvStream.looks`).
"""

from __future__ import annotations

import contextlib
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Self

import av.error
import numpy as np
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from lastlook.intake.clipdecode import Decoder
from lastlook.intake.clipstream import Alike, ClipFacts, Look, Patience

_SEEK_BACK_MS = (0, 2_000, 10_000, 60_000)  # how much too far a seek may land before the next try starts earlier
_FAR = 1.4  # looks further apart than this, times `every_ms`, ask for more: two such gaps are still no hold
_GROUP_BYTES = 96 << 20  # the most that is kept of a group of pictures before it is decoded as it comes


class AvStream:
    """A clip read by PyAV; keeps `clipstream.ClipStream`."""

    def __init__(self, path: Path | str, patience: Patience | None = None) -> None:
        self._of = Decoder(path, patience or Patience())

    @property
    def facts(self) -> ClipFacts:
        return self._of.facts

    @property
    def end_ms(self) -> int:
        return self._of.end_ms

    @property
    def complaints(self) -> tuple[str, ...]:
        return self._of.complaints

    def close(self) -> None:
        self._of.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _find_zero(self) -> None:
        """Learn when the first frame is shown, if `looks` has not yet."""
        if self._of.zero is None:
            self._of.rewind()
            first = next(self._of.sequence(), None)
            if first is None:
                raise self._of.nothing()
            self._of.zero = first[0]

    def find_end(self) -> int:
        """The end of the last real frame in ms, by reading the container alone: quick, but it reads all of the file."""
        self._find_zero()
        self._of.rewind()
        for packet in self._of.packets():
            self._of.note_end(packet)
        return self._of.end_ms

    def looks(self, every_ms: int, hold_ms: int, alike: Alike) -> Iterator[Look]:
        """See `ClipStream.looks`.

        Key frames closer together than `every_ms` are thinned. A gap between two of them that is longer than 1.4 ×
        `every_ms` is filled from the frames between, unless it is shorter than `hold_ms` and its two sides are alike:
        then no other state can have been held in it.
        """
        self._of.rewind()
        self._of.zero = self._of.end = None
        glance = _Glances(self._of, every_ms, hold_ms, alike)
        for packet in self._of.packets():
            yield from glance.take(packet)
        yield from glance.finish()
        if self._of.zero is None:
            raise self._of.nothing()

    def frames(self, start_ms: int, end_ms: int) -> Iterator[Look]:
        for ticks, frame in self._from(start_ms):
            moment = self._of.ms(ticks)
            if moment > end_ms:
                return
            if moment >= start_ms:
                yield self._of.look(ticks, frame)

    def frame_at(self, clip_ms: int) -> tuple[NDArray[np.uint8], int]:
        best: tuple[int, VideoFrame] | None = None
        for ticks, frame in self._from(clip_ms):
            if best is not None and self._of.ms(ticks) > clip_ms:
                break
            best = ticks, frame
            if self._of.ms(ticks) == clip_ms:
                break
        if best is None:
            raise self._of.nothing()
        return self._of.bgr(best[1]), self._of.ms(best[0])

    def _from(self, clip_ms: int) -> Iterator[tuple[int, VideoFrame]]:
        """Frames in order, the first of them at or before `clip_ms` (or the very first): seek early, then step.

        A seek may land late (its index knows decoding times only), and the frames that come before the key frame it
        landed on lack what they refer to; so both are checked and, if need be, the next try starts earlier.
        """
        self._find_zero()
        for back in _SEEK_BACK_MS:
            if clip_ms - back <= 0:
                break
            try:
                self._of.seek(clip_ms - back)
            except av.error.FFmpegError:
                break
            with contextlib.closing(self._after_key()) as sequence:
                first = next(sequence, None)
                if first is not None and self._of.ms(first[0]) <= clip_ms:
                    yield first
                    yield from sequence
                    return
        self._of.rewind()
        yield from self._of.sequence()

    def _after_key(self) -> Generator[tuple[int, VideoFrame], None, None]:
        """As `_sequence`, from the next key packet on, without frames that are shown before it."""
        key: int | None = None
        for packet in self._of.packets():
            if key is None:
                moment = packet.pts if packet.pts is not None else packet.dts
                if not packet.is_keyframe or moment is None:
                    continue
                key = moment
            for frame in self._of.decode(packet):
                if (ticks := self._of.time(frame)) is not None and ticks >= key:
                    yield ticks, frame
        for frame in self._of.drain():
            if (ticks := self._of.time(frame)) is not None and key is not None and ticks >= key:
                yield ticks, frame


class _Glances:
    """The state of one pass of `AvStream.looks`: the packets since the last key frame, and what was seen last."""

    def __init__(self, stream: Decoder, every_ms: int, hold_ms: int, alike: Alike) -> None:
        self._of = stream
        self._every, self._hold, self._alike = every_ms, hold_ms, alike
        self._group: list[Packet[VideoStream]] = []
        self._bytes = 0
        self._running = False  # the frames of this group are being decoded as its packets come
        self._last: Look | None = None
        self._stamped = True  # packets carry presentation times
        self._sparse = False  # frames that others refer to are too few

    def _rest(self) -> None:
        """Leave the mode of decoding every packet as it comes."""
        self._running = False
        self._of.stream.codec_context.skip_frame = "DEFAULT"

    def take(self, packet: Packet[VideoStream]) -> Iterator[Look]:
        of = self._of
        moment = packet.pts if packet.pts is not None else packet.dts
        of.note_end(packet)
        self._stamped = self._stamped and packet.pts is not None
        if self._last is None:
            # The first frame shown is the first that comes out, whatever the packets claim.
            if self._bytes <= _GROUP_BYTES:
                self._keep(packet)
            yield from self._first(of.decode(packet))
            return
        if packet.is_keyframe and moment is not None and packet.pts is not None:
            yield from self._at_key(packet, moment)
            return
        self._keep(packet)
        if self._running:
            yield from self._due(of.decode(packet))
            if moment is not None and not self._sparse and of.ms(moment) - self._last.clip_ms > 2 * self._every:
                self._sparse = True
                of.stream.codec_context.skip_frame = "DEFAULT"
        elif moment is not None and self._too_long(of.ms(moment)):
            yield from self._run()

    def finish(self) -> Iterator[Look]:
        of = self._of
        if self._last is None:
            yield from self._first(of.drain())
        elif self._running:
            yield from self._due(of.drain())
        elif self._group and of.end_ms - self._last.clip_ms > _FAR * self._every:
            yield from self._run()
            yield from self._due(of.drain())

    def _keep(self, packet: Packet[VideoStream]) -> None:
        if not self._running:
            self._group.append(packet)
            self._bytes += packet.size

    def _first(self, frames: list[VideoFrame]) -> Iterator[Look]:
        of = self._of
        for frame in frames:
            ticks = of.time(frame)
            if ticks is None:
                continue
            if self._last is None:
                of.zero = ticks
            elif of.ms(ticks) - self._last.clip_ms < self._every:
                continue
            yield self._see(of.look(ticks, frame))
        if self._last is not None and self._bytes > _GROUP_BYTES:
            self._group, self._running = [], True  # not all was kept: go on from here
        elif self._last is not None:
            of.stream.codec_context.flush_buffers()

    def _see(self, look: Look) -> Look:
        self._last = look
        return look

    def _too_long(self, moment_ms: int) -> bool:
        assert self._last is not None
        return moment_ms - self._last.clip_ms > self._hold or self._bytes > _GROUP_BYTES

    def _due(self, frames: list[VideoFrame], until: int | None = None) -> Iterator[Look]:
        """Those of `frames` that are due for a look."""
        of = self._of
        for frame in frames:
            ticks = of.time(frame)
            if ticks is None or (until is not None and ticks >= until):
                continue
            assert self._last is not None
            if of.ms(ticks) - self._last.clip_ms >= self._every:
                yield self._see(of.look(ticks, frame))

    def _run(self, until: int | None = None) -> Iterator[Look]:
        """Decode the group kept so far, without the frames that no other refers to: there are enough others."""
        of = self._of
        of.stream.codec_context.flush_buffers()
        self._running = True
        # Frames without a time of their own get that of the packet that pushes them out: then none may be missing.
        if self._stamped and not self._sparse:
            of.stream.codec_context.skip_frame = "NONREF"
        group, self._group, self._bytes = self._group, [], 0
        for packet in group:
            yield from self._due(of.decode(packet), until)

    def _at_key(self, packet: Packet[VideoStream], moment: int) -> Iterator[Look]:
        of = self._of
        assert self._last is not None
        moment_ms = of.ms(moment)
        gap = moment_ms - self._last.clip_ms
        if self._running:
            yield from self._due(of.drain(), until=moment)
            self._rest()
            gap = moment_ms - self._last.clip_ms
        shown = not packet.is_discard and gap > 0
        if shown and gap >= 0.7 * self._every:
            of.stream.codec_context.flush_buffers()
            frames = [*of.decode(packet), *of.drain()]
            seen = [(t, f) for f in frames if (t := of.time(f)) is not None]
            if seen:
                look = of.look(*seen[0])
                if gap > _FAR * self._every and (gap > self._hold or not self._alike(self._last.grey, look.grey)):
                    yield from self._run(until=moment)
                    yield from self._due(of.drain(), until=moment)
                    self._rest()
                if look.clip_ms > self._last.clip_ms:
                    yield self._see(look)
        self._group, self._bytes = [], 0
        self._keep(packet)
