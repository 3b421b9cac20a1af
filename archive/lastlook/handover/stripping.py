"""Originals that go along on request, without what they say of place, camera and owner, and without small pictures of
what was cropped away.

JPEG, PNG and WebP lose their metadata and keep every byte of the picture. A clip's pictures and sound are copied as
they are into a new container, without other streams and without the messages inside H.264 and HEVC. TIFF is written
anew without loss. HEIC and AVIF are encoded anew, since what else they hold cannot be told apart from pixels with
certainty. What cannot be done stays out, with its reason.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import StrEnum
from pathlib import Path
from typing import Any

from PIL import Image, ImageOps, UnidentifiedImageError

from lastlook.handover import profiles
from lastlook.handover.words import N_


class How(StrEnum):
    """What was done to an original; the value is a fixed text of the record."""

    AS_IT_WAS = N_("as it was, with all its metadata")
    STRIPPED = N_("its metadata taken out, every byte of the picture as it was")
    REPACKED = N_("pictures and sound as they were, in a new file without metadata")
    SILENT = N_("pictures as they were, without sound and metadata, in a new file")
    LOSSLESS = N_("written anew without loss, since its kind cannot be cleaned otherwise")
    ENCODED = N_("encoded anew in high quality, since its kind cannot be cleaned otherwise")


class NotCleanable(Exception):
    """An original whose metadata cannot be taken out; the message is a fixed text of the record."""


NO_KIND = N_("its place, camera and owner cannot be taken out of this kind of file")
_DAMAGED = N_("it is damaged, so that what it says of itself cannot be found")
_DEEP = N_("it has more than 8 bits a colour or several pages, which would be lost")
_CODEC = N_("its pictures may each carry metadata, which cannot be taken out")
_QUALITY = 95

_PHOTOS = {"JPEG", "MPO", "PNG", "WEBP", "TIFF", "HEIF", "HEIC", "AVIF"}
_CONTAINERS = {
    **dict.fromkeys((".mp4", ".m4v"), "mp4"),
    **dict.fromkeys((".mts", ".m2ts", ".ts"), "mpegts"),
    ".mov": "mov",
    ".mkv": "matroska",
    ".webm": "webm",
    ".avi": "avi",
    ".3gp": "3gp",
}
_MESSAGES = {"h264": "filter_units=remove_types=6", "hevc": "filter_units=remove_types=39-40"}
"""The filter that removes supplemental messages (SEI; ITU-T H.264 7.4.1, H.265 table 7-1), where cameras write their
settings and place."""
_BARE = {"vp8", "vp9", "av1", "mpeg4", "mpeg2video", "h263"}


def can(kind: str, format: str, file: str) -> bool:
    """Is there a way to clean an original of this kind ("photo", "clip") and format? The file itself may yet refuse."""
    return Path(file).suffix.lower() in _CONTAINERS if kind == "clip" else format.upper() in _PHOTOS


def clean(
    source: Path,
    target: Path,
    kind: str,
    format: str,
    tick: Callable[[], None] = lambda: None,
    *,
    sound: bool = True,
) -> How:
    """Write a cleaned copy of an original. `tick` is called now and then, and may raise to stop; `sound` False leaves
    the sound of a clip behind. Raises NotCleanable, OSError; `target` may then be there in part."""
    if kind == "clip":
        return _clip(source, target, tick, sound=sound)
    try:
        match format.upper():
            case "JPEG" | "MPO":
                target.write_bytes(jpeg(source.read_bytes()))
            case "PNG":
                target.write_bytes(png(source.read_bytes()))
            case "WEBP":
                target.write_bytes(webp(source.read_bytes()))
            case "TIFF":
                return _tiff(source, target)
            case "HEIF" | "HEIC":
                return _heif(source, target)
            case "AVIF":
                return _avif(source, target)
            case _:
                raise NotCleanable(NO_KIND)
    except (ValueError, SyntaxError, EOFError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise NotCleanable(_DAMAGED) from error
    return How.STRIPPED


# ------------------------------------------------------------------------------------------------ JPEG

_KEPT = {0xE0, 0xEE}  # JFIF and the segment that says how colours are coded: a decoder needs both
_WORDS = {*range(0xE0, 0xF0), *range(0xF0, 0xFE), 0xFE}  # of applications, of extensions, comments (T.81, table B.1)
_ICC = b"ICC_PROFILE\x00"
_PIECE = 65_000  # of a profile in one segment


def jpeg(data: bytes) -> bytes:
    """A JPEG without Exif, XMP, IPTC, comments, maker notes, small pictures and what follows its end; every byte of the
    picture itself is kept, what its profile says of colours, and which way up it is. Raises NotCleanable for anything
    else.
    """
    if data[:2] != b"\xff\xd8":
        raise NotCleanable(_DAMAGED)
    turned = _orientation(data)
    kept = [b"\xff\xd8"]
    profile: dict[bytes, bytes] = {}
    place = 0
    if turned != 1:
        kept.append(_turned(turned))
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            raise NotCleanable(_DAMAGED)
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xDA:
            # What a device appends behind the end mark (a second picture, a clip) is left behind.
            kept[place:place] = _profiled(profile)
            return b"".join([*kept, *_scans(data, at)])
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2 or at + 2 + length > len(data):
            raise NotCleanable(_DAMAGED)
        segment = data[at : at + 2 + length]
        application = marker in _WORDS
        jfif_with_small_picture = marker == 0xE0 and segment[4:9] == b"JFXX\x00"
        if marker == 0xE2 and segment[4:16] == _ICC:
            place = place or len(kept)  # readers look for it before the picture's size
            profile[segment[16:17]] = segment[18:]
        if not application or (marker in _KEPT and not jfif_with_small_picture):
            kept.append(_without_jfif_picture(segment) if marker == 0xE0 else segment)
        at += 2 + length
    raise NotCleanable(_DAMAGED)


def _profiled(parts: Mapping[bytes, bytes]) -> list[bytes]:
    """The segments of a colour profile that came in `parts` by their numbers (ICC.1:2010, annex B.4)."""
    profile = profiles.bare(b"".join(parts[number] for number in sorted(parts)))
    pieces = [profile[start : start + _PIECE] for start in range(0, len(profile), _PIECE)]
    if len(pieces) > 255:
        return []
    return [
        b"\xff\xe2" + struct.pack(">H", len(piece) + 16) + _ICC + bytes([number, len(pieces)]) + piece
        for number, piece in enumerate(pieces, start=1)
    ]


def _scans(data: bytes, at: int) -> Iterator[bytes]:
    """The picture from its first scan at `at` to behind its end mark, or to the end of the data, without what may stand
    between scans and is no part of it (ITU-T T.81, B.2.4)."""
    begin = at
    while at < len(data):
        if data[at] != 0xFF or at + 1 >= len(data):
            at = data.find(b"\xff", at + 1)
            if at == -1:
                break
            continue
        marker = data[at + 1]
        if marker == 0xD9:
            yield data[begin : at + 2]
            return
        if marker in (0x00, 0xFF) or 0xD0 <= marker <= 0xD7:
            at += 1 if marker == 0xFF else 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")  # a segment between scans
        if marker in _WORDS:
            yield data[begin:at]
            begin = end
        at = end
    yield data[begin:]


def _without_jfif_picture(segment: bytes) -> bytes:
    """A JFIF segment may hold a small picture of its own behind its 14 bytes of payload."""
    if segment[4:9] != b"JFIF\x00" or len(segment) <= 18:
        return segment
    return b"\xff\xe0" + struct.pack(">H", 16) + segment[4:16] + b"\x00\x00"


def _orientation(data: bytes) -> int:
    try:
        with Image.open(io.BytesIO(data)) as image:
            return int(image.getexif().get(0x0112, 1))
    except (OSError, ValueError, SyntaxError, TypeError):
        return 1


def _exif(orientation: int) -> bytes:
    """Exif that says which way up, and nothing else; without the name that JPEG puts before it."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    return exif.tobytes().removeprefix(b"Exif\x00\x00")


def _turned(orientation: int) -> bytes:
    """An Exif segment of a JPEG."""
    body = b"Exif\x00\x00" + _exif(orientation)
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


# ------------------------------------------------------------------------------------------------ PNG and WebP

_LARGEST = 1 << 24  # of a profile, in bytes
_PNG = b"\x89PNG\r\n\x1a\n"
_SHOWN = {  # what a picture looks like (PNG, third edition, 11.2 and 11.3); words, times and Exif are not among it
    *(b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"mDCV"),
    *(b"cLLI", b"bKGD", b"hIST", b"pHYs", b"sPLT", b"acTL", b"fcTL", b"fdAT"),
}


def png(data: bytes) -> bytes:
    """A PNG without words, times, Exif, private chunks and what follows its end; turned as it was. Raises
    NotCleanable."""
    if data[:8] != _PNG:
        raise NotCleanable(_DAMAGED)
    turned = _orientation(data)
    kept, at = [_PNG], 8
    while at + 12 <= len(data):
        length, name = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        end = at + 12 + length
        if end > len(data):
            break
        if name == b"iCCP":
            kept += _png_profile(data[at + 8 : end - 4])
        elif name in _SHOWN:
            kept.append(data[at:end])
        if name == b"IHDR" and turned != 1:
            kept.append(_chunk(b"eXIf", _exif(turned)))
        if name == b"IEND":
            return b"".join(kept)
        at = end
    raise NotCleanable(_DAMAGED)


_WEBP = {b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ANIM", b"ANMF", b"ICCP"}


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _png_profile(body: bytes) -> list[bytes]:
    """A profile is compressed, and has a name that may be that of a screen and whose it is (11.3.2.3)."""
    try:
        opened = zlib.decompressobj().decompress(body.partition(b"\x00")[2][1:], _LARGEST)
    except zlib.error:
        return []
    profile = profiles.bare(opened)
    return [_chunk(b"iCCP", b"Colours\x00\x00" + zlib.compress(profile, 9))] if profile else []


def webp(data: bytes) -> bytes:
    """A WebP (RFC 9649) without Exif, XMP, unknown chunks and what follows its end; turned as it was. Raises
    NotCleanable."""
    if data[:4] != b"RIFF" or data[8:12] != b"WEBP":
        raise NotCleanable(_DAMAGED)
    turned = _orientation(data)
    whole, at = int.from_bytes(data[4:8], "little") + 8, 12
    if whole > len(data):
        raise NotCleanable(_DAMAGED)
    kept: list[bytes] = []
    while at + 8 <= whole:
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        body = data[at + 8 : at + 8 + length]
        if len(body) < length:
            raise NotCleanable(_DAMAGED)
        if name == b"VP8X" and body:
            flags = body[0] & ~0x0C | (0x08 if turned != 1 else 0)  # neither Exif nor XMP follows, or Exif of ours
            body = bytes([flags]) + body[1:]
        if name == b"ICCP":
            body = profiles.bare(body)
            if not body and kept and kept[0][:4] == b"VP8X":  # no profile, so none is announced
                kept[0] = kept[0][:8] + bytes([kept[0][8] & ~0x20]) + kept[0][9:]
        if name in _WEBP and (body or name != b"ICCP"):
            kept.append(name + struct.pack("<I", len(body)) + body + b"\x00" * (len(body) % 2))
        at += 8 + length + length % 2
    if not kept:
        raise NotCleanable(_DAMAGED)
    if turned != 1 and kept[0][:4] == b"VP8X":
        exif = _exif(turned)
        kept.append(b"EXIF" + struct.pack("<I", len(exif)) + exif + b"\x00" * (len(exif) % 2))
    inside = b"WEBP" + b"".join(kept)
    return b"RIFF" + struct.pack("<I", len(inside)) + inside


# ------------------------------------------------------------------------------------------------ written anew


def _bare(image: Image.Image) -> tuple[Image.Image, bytes]:
    """Nothing but the pixels, upright, and what the profile says of colours."""
    image.load()  # the decoder of TIFF turns it now, and forgets that it was to be turned
    upright = ImageOps.exif_transpose(image)
    bare = Image.new(upright.mode, upright.size)
    if upright.mode == "P":
        bare.putpalette(upright.getpalette("RGB") or [], "RGB")
    bare.paste(upright)
    return bare, profiles.bare(image.info.get("icc_profile"))


def _tiff(source: Path, target: Path) -> How:
    with Image.open(source) as image:
        bits: Any = image.tag_v2.get(258, (1,)) if hasattr(image, "tag_v2") else (1,)
        deep = max(bits if isinstance(bits, tuple) else (bits,)) > 8 and image.mode not in {"I;16", "F", "I"}
        if deep or getattr(image, "n_frames", 1) > 1:
            raise NotCleanable(_DEEP)
        bare, profile = _bare(image)
        more: dict[str, Any] = {"icc_profile": profile} if profile else {}
        bare.save(target, "TIFF", compression="group4" if bare.mode == "1" else "tiff_adobe_deflate", **more)
    return How.LOSSLESS


def _heif(source: Path, target: Path) -> How:
    import pillow_heif

    image = pillow_heif.open_heif(source, convert_hdr_to_8bit=True).to_pillow()
    profile = profiles.bare(image.info.get("icc_profile"))
    bare = Image.new(image.mode, image.size)
    bare.paste(image)  # it is upright: the decoder has turned it, whatever its Exif says (ISO/IEC 23008-12, 6.5.10)
    made = pillow_heif.from_pillow(bare)
    if profile:
        made.info["icc_profile"] = profile
    made.save(target, quality=_QUALITY)
    return How.ENCODED


def _avif(source: Path, target: Path) -> How:
    with Image.open(source) as image:
        bare, profile = _bare(image)
        more: dict[str, Any] = {"icc_profile": profile} if profile else {}
        bare.save(target, "AVIF", quality=_QUALITY, **more)
    return How.ENCODED


# ------------------------------------------------------------------------------------------------ clips


def _clip(source: Path, target: Path, tick: Callable[[], None], *, sound: bool) -> How:
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
                raise NotCleanable(_CODEC)
            # Bit-exact: no version of a program and no date, so that the same clip gives the same bytes.
            options = {"fflags": "+bitexact"}
            with av.open(str(target), "w", format=_CONTAINERS[source.suffix.lower()], options=options) as made:
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
                for number, packet in enumerate(_timed(come.demux(wanted))):
                    if number % 256 == 0:
                        tick()
                    index = packet.stream.index
                    through = filters.get(index)
                    for each in through.filter(packet) if through else (packet,):
                        each.stream = out[index]
                        made.mux(each)
    except (av.error.FFmpegError, ValueError) as error:
        if isinstance(error, OSError):
            raise
        raise NotCleanable(_DAMAGED) from error
    return How.REPACKED if sound else How.SILENT


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
