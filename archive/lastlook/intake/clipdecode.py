"""What PyAV does for clips: open a container, decode packets, turn frames into pictures, count time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Self

import av
import av.container
import av.error
import numpy as np
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from lastlook.intake.clipstream import (
    ClipError,
    ClipFacts,
    Look,
    Patience,
    look_size,
    milliseconds,
    open_regular,
    upright_size,
)

# Containers that cameras and phones write. Anything else, above all playlists that name other files, is not opened.
FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,asf,flv,dv,mjpeg,ogg,h264,hevc"

_READ_BLOCK = 1 << 18


class _Guarded:
    """An open file that stops being readable when patience runs out, so that a long search inside the library ends."""

    def __init__(self, path: Path | str, patience: Patience) -> None:
        self._file = open_regular(path)
        self._patience = patience
        self.name = "clip"

    def read(self, size: int) -> bytes:
        self._patience.check()
        return self._file.read(size)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def close(self) -> None:
        self._file.close()


class Decoder:
    """One clip's container, its moving picture and that picture's decoder. `zero`: the first frame's pts, once known;
    `end`: the end of the last frame met, in the same ticks."""

    def __init__(self, path: Path | str, patience: Patience | None = None) -> None:
        self.path = path
        self._patience = patience or Patience()
        self.zero: int | None = None  # pts of the first frame shown
        self.end: int | None = None
        self._faults = 0
        self._complaints: list[str] = []
        self._open()
        try:
            self.facts = self._read_facts()
        except BaseException:
            self.close()
            raise

    # ------------------------------------------------------------------------------------------- open and close

    def _open(self) -> None:
        self._file = _Guarded(self.path, self._patience)
        self._fresh = True
        try:
            self.container = av.open(
                self._file,
                "r",
                metadata_errors="replace",
                buffer_size=_READ_BLOCK,
                container_options={"format_whitelist": FORMATS},
            )
        except ClipError:
            self._file.close()
            raise
        except (av.error.FFmpegError, ValueError, OSError) as fault:
            self._file.close()
            raise ClipError(
                "this is no clip, or its beginning or index is damaged", "Copy it from the camera again."
            ) from fault
        except BaseException:
            self._file.close()
            raise
        try:
            self.stream = self._choose()
            self.stream.codec_context.thread_type = "SLICE"
        except BaseException:
            self.close()
            raise

    def _choose(self) -> VideoStream:
        """The moving picture: the largest video stream that is no cover picture."""
        moving = [s for s in self.container.streams.video if not s.disposition & s.disposition.attached_pic]
        if not moving:
            if self.container.streams.audio:
                raise ClipError(
                    "the clip holds sound but no pictures", "It was left out; nothing needs doing.", final=True
                )
            raise ClipError("the clip holds no pictures", "Copy it from the camera again.", final=True)
        best = max(moving, key=lambda s: ((s.codec_context.width or 0) * (s.codec_context.height or 0), -s.index))
        if best.codec_context is None:  # the library knows no decoder
            raise ClipError("the clip is in a coding that cannot be read here")
        return best

    def close(self) -> None:
        self.container.close()
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    # ------------------------------------------------------------------------------------------- what is known

    def _read_facts(self) -> ClipFacts:
        stream, context = self.stream, self.stream.codec_context
        tags = [*self.container.metadata.items(), *stream.metadata.items()]
        for other in self.container.streams.audio:
            tags.extend((k, v) for k, v in other.metadata.items() if k.lower() == "creation_time")
        rate = stream.average_rate
        claimed = self.container.duration  # in microseconds
        if stream.duration and stream.time_base:
            claimed = int(stream.duration * stream.time_base * 1_000_000)
        width, height = upright_size(context.width, context.height, self._shape(), 0)
        return ClipFacts(
            format=self.container.format.name,
            brand=self.container.metadata.get("major_brand", ""),
            codec=context.codec.canonical_name,
            width=width,
            height=height,
            frames_per_second=float(rate) if rate else None,
            claimed_ms=claimed // 1000 if claimed and claimed > 0 else None,
            sound=bool(self.container.streams.audio),
            tags=tuple(tags),
        )

    @property
    def end_ms(self) -> int:
        if self.end is None or self.zero is None:
            return 0
        return max(0, self.ms(self.end))

    @property
    def complaints(self) -> tuple[str, ...]:
        damaged = (f"{self._faults} damaged stretches were passed over",) if self._faults > 1 else ()
        if self._faults == 1:
            damaged = ("a damaged stretch was passed over",)
        return (*self._complaints, *damaged)

    def _shape(self) -> Fraction | None:
        return self.stream.sample_aspect_ratio

    def ms(self, ticks: int) -> int:
        assert self.stream.time_base is not None
        return milliseconds(ticks - (self.zero or 0), self.stream.time_base)

    def frame_ticks(self) -> int:
        """The usual time on show of a frame, for containers that do not say it of the last; 0 where unknown."""
        rate, base = self.stream.average_rate, self.stream.time_base
        return round(1 / (rate * base)) if rate and base and rate <= 240 else 0

    def ticks(self, clip_ms: int) -> int:
        assert self.stream.time_base is not None
        return (self.zero or 0) + int(Fraction(clip_ms, 1000) / self.stream.time_base)

    # ------------------------------------------------------------------------------------------- decoding

    def packets(self) -> Iterator[Packet[VideoStream]]:
        """The packets of the moving picture from where the container stands; damage at the end is the end."""
        self._fresh = False
        try:
            for packet in self.container.demux(self.stream):
                self._patience.check()
                if packet.size == 0:
                    continue  # the library's sign to drain
                if packet.is_keyframe and packet.has_sidedata("encryption_info"):
                    raise ClipError("the clip is encrypted", "Export it without protection.", final=True)
                yield packet
        except av.error.FFmpegError:
            self._complaints.append("the file is damaged or cut short; it was read as far as it goes")

    def decode(self, packet: Packet[VideoStream] | None) -> list[VideoFrame]:
        """The frames that come out for `packet` (None drains), damage being counted and passed over."""
        try:
            frames = self.stream.codec_context.decode(packet)
        except av.error.EOFError:
            return []
        except (av.error.FFmpegError, ValueError):
            self._faults += 1
            return []
        if frames:
            self._patience.sign()
            self._learn(frames[0])
        return frames

    def drain(self) -> list[VideoFrame]:
        frames = self.decode(None)
        self.stream.codec_context.flush_buffers()
        return frames

    def _learn(self, frame: VideoFrame) -> None:
        """Take from a first decoded frame what only frames know: the turn, and the size where it was not known."""
        if not self.facts.shown_facts:
            turned = -frame.rotation % 360
            turned = turned if turned in (90, 180, 270) else 0
            width, height = upright_size(frame.width, frame.height, self._shape(), turned)
            self.facts = replace(
                self.facts, width=width, height=height, turned=turned, shown_facts={"pixel-format": frame.format.name}
            )

    @staticmethod
    def time(frame: VideoFrame) -> int | None:
        return frame.pts if frame.pts is not None else frame.dts

    def sequence(self) -> Iterator[tuple[int, VideoFrame]]:
        """Every frame from where the container stands, as (pts, frame)."""
        for packet in self.packets():
            for frame in self.decode(packet):
                if (ticks := self.time(frame)) is not None:
                    yield ticks, frame
        for frame in self.drain():
            if (ticks := self.time(frame)) is not None:
                yield ticks, frame

    def nothing(self) -> ClipError:
        return ClipError("no picture of the clip can be decoded", "Copy it from the camera again.")

    def rewind(self) -> None:
        """Start over. Opening again is cheap and, unlike a seek to the start, right for every container."""
        if not self._fresh:
            self.close()
            self._open()

    def seek(self, clip_ms: int) -> None:
        """Stand on a key packet that is, as far as the container's index knows, at or before `clip_ms`."""
        self._fresh = False
        self.stream.codec_context.flush_buffers()
        self.container.seek(self.ticks(clip_ms), stream=self.stream, backward=True)

    def note_end(self, packet: Packet[VideoStream]) -> None:
        """Learn from a packet how far the clip really goes; one cut short by the end of the file does not count."""
        moment = packet.pts if packet.pts is not None else packet.dts
        if moment is not None and not packet.is_discard and not packet.is_corrupt:
            end = moment + (packet.duration or self.frame_ticks())
            self.end = end if self.end is None else max(self.end, end)

    # ------------------------------------------------------------------------------------------- pictures

    def _grey(self, frame: VideoFrame) -> NDArray[np.uint8]:
        upright = (self.facts.width, self.facts.height)
        if self.facts.turned in (90, 270):
            upright = upright[::-1]
        width, height = look_size(*upright)
        # Averaging over the area that shrinks is what OpenCV does too: both backends judge alike.
        grey = frame.reformat(width, height, "gray", interpolation="AREA").to_ndarray()
        return self._turn(np.asarray(grey, dtype=np.uint8))

    def bgr(self, frame: VideoFrame) -> NDArray[np.uint8]:
        width, height = self.facts.width, self.facts.height
        if self.facts.turned in (90, 270):
            width, height = height, width
        image = frame.reformat(width, height, "bgr24", interpolation="BICUBIC").to_ndarray()
        return self._turn(np.asarray(image, dtype=np.uint8))

    def _turn(self, image: NDArray[np.uint8]) -> NDArray[np.uint8]:
        if not self.facts.turned:
            return image
        return np.ascontiguousarray(np.rot90(image, -(self.facts.turned // 90)))

    def look(self, ticks: int, frame: VideoFrame) -> Look:
        return Look(self.ms(ticks), self._grey(frame), bool(frame.key_frame))
