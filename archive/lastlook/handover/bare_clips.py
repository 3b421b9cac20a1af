"""Clips without their metadata: pictures and sound as they are in a new container, without other streams and without
the messages that pictures may carry between them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from lastlook.handover.cleaning import CODEC, DAMAGED, How, NotCleanable

CONTAINERS = {
    **dict.fromkeys((".mp4", ".m4v"), "mp4"),
    **dict.fromkeys((".mts", ".m2ts", ".ts"), "mpegts"),
    ".mov": "mov",
    ".mkv": "matroska",
    ".webm": "webm",
    ".avi": "avi",
    ".3gp": "3gp",
}
_MESSAGES = {
    "h264": "filter_units=remove_types=6",
    "hevc": "filter_units=remove_types=39-40",
    "av1": "filter_units=remove_types=5",
}
"""The filter that removes supplemental messages (SEI; ITU-T H.264 7.4.1, H.265 table 7-1; metadata OBU of AV1, 6.2.2),
where cameras write their settings and place."""
_USER_DATA = re.compile(rb"\x00\x00\x01\xb2.*?(?=\x00\x00\x01|\Z)", re.DOTALL)
"""The same in MPEG-2 (ITU-T H.262, 6.2.2.2.2) and MPEG-4 (ISO/IEC 14496-2, 6.2.2.1): up to the next start code."""
_WITH_USER_DATA = {"mpeg4", "mpeg2video"}
_BARE = {"vp8", "vp9", "h263"} | _WITH_USER_DATA


def repack(source: Path, target: Path, tick: Callable[[], None], *, sound: bool) -> How:
    """Write the clip anew. `tick` is called now and then, and may raise to stop. Raises NotCleanable, OSError."""
    import av
    from av.bitstream import BitStreamFilterContext

    kinds = {"video", "audio"} if sound else {"video"}
    try:
        with av.open(str(source), metadata_errors="ignore") as come:
            wanted = [
                stream
                for stream in come.streams
                if stream.type in kinds and not stream.disposition & av.stream.Disposition.attached_pic
            ]
            names = {stream.codec_context.name for stream in wanted if stream.type == "video"}
            if not names or names - _MESSAGES.keys() - _BARE:
                raise NotCleanable(CODEC)
            # Bit-exact: no version of a program and no date, so that the same clip gives the same bytes.
            options = {"fflags": "+bitexact"}
            with av.open(str(target), "w", format=CONTAINERS[source.suffix.lower()], options=options) as made:
                out: dict[int, Any] = {}
                filters: dict[int, BitStreamFilterContext] = {}
                for stream in wanted:
                    put = out[stream.index] = made.add_stream_from_template(stream, opaque=True)
                    put.metadata.clear()
                    filter_ = _MESSAGES.get(stream.codec_context.name)
                    if filter_:
                        filters[stream.index] = BitStreamFilterContext(filter_, stream, put)
                    if stream.codec_context.name == "hevc" and stream.codec_context.extradata:
                        put.codec_context.extradata = _hevc_head(stream.codec_context.extradata)
                    if stream.codec_context.name in _WITH_USER_DATA and stream.codec_context.extradata:
                        put.codec_context.extradata = _USER_DATA.sub(b"", stream.codec_context.extradata)
                for number, packet in enumerate(_timed(come.demux(wanted))):
                    if number % 256 == 0:
                        tick()
                    index = packet.stream.index
                    if packet.stream.codec_context.name in _WITH_USER_DATA:
                        packet = _without_user_data(packet)
                    through = filters.get(index)
                    for each in through.filter(packet) if through else (packet,):
                        each.stream = out[index]
                        made.mux(each)
    except (av.error.FFmpegError, ValueError) as error:
        if isinstance(error, OSError):
            raise
        raise NotCleanable(DAMAGED) from error
    return How.REPACKED if sound else How.SILENT


def _without_user_data(packet: Any) -> Any:
    held = bytes(packet)
    bare = _USER_DATA.sub(b"", held)
    if len(bare) == len(held):
        return packet
    made = type(packet)(bare)
    made.pts, made.dts, made.time_base = packet.pts, packet.dts, packet.time_base
    made.duration, made.is_keyframe = packet.duration, packet.is_keyframe
    return made


def _hevc_head(head: bytes) -> bytes:
    """What stands before the first picture of HEVC, without messages, as a byte stream (ITU-T H.265, annex B): the
    filter writes pictures in that form. `head` is one too, or a decoder's record (ISO/IEC 14496-15, 8.3.3.1.2)."""
    units: list[bytes] = []
    if head[:3] in {b"\x00\x00\x01", b"\x00\x00\x00"}:
        units = [unit.rstrip(b"\x00") for unit in head.split(b"\x00\x00\x01")[1:]]
    elif len(head) >= 23:
        at = 23
        for _ in range(head[22]):
            count = int.from_bytes(head[at + 1 : at + 3], "big")
            at += 3
            for _ in range(count):
                end = at + 2 + int.from_bytes(head[at : at + 2], "big")
                units.append(head[at + 2 : end])
                at = end
    return b"".join(b"\x00\x00\x00\x01" + unit for unit in units if unit and unit[0] >> 1 & 0x3F not in {39, 40})


def _timed(packets: Iterable[Any]) -> Iterator[Any]:
    """Packets with a time of decoding each: some containers give none for the first ones of a stream."""
    last: dict[int, int] = {}
    waiting: dict[int, list[Any]] = {}
    for packet in packets:
        if not packet.size:  # the mark at the end of a stream
            continue
        index = packet.stream.index
        if packet.dts is None and index not in last:
            waiting.setdefault(index, []).append(packet)
            continue
        if packet.dts is None:
            packet.dts = last[index] + 1
        first = waiting.pop(index, [])
        for place, each in enumerate(first):
            each.dts = packet.dts - len(first) + place
            yield each
        last[index] = packet.dts
        yield packet
    for left in waiting.values():
        for place, each in enumerate(left):
            each.dts = place if each.pts is None else min(each.pts, left[0].pts or 0) + place - len(left)
            yield each
