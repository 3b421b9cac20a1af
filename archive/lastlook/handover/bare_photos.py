"""JPEG, PNG and WebP without their metadata, every byte of the picture as it was."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator, Mapping

from PIL import Image

from lastlook.handover import profiles
from lastlook.handover.cleaning import DAMAGED, NotCleanable

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
        raise NotCleanable(DAMAGED)
    turned = _orientation(data)
    kept = [b"\xff\xd8"]
    profile: dict[bytes, bytes] = {}
    place = 0
    if turned != 1:
        kept.append(_turned(turned))
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            raise NotCleanable(DAMAGED)
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
            raise NotCleanable(DAMAGED)
        segment = data[at : at + 2 + length]
        application = marker in _WORDS
        jfif_with_small_picture = marker == 0xE0 and segment[4:9] == b"JFXX\x00"
        if marker == 0xE2 and segment[4:16] == _ICC:
            place = place or len(kept)  # readers look for it before the picture's size
            profile[segment[16:17]] = segment[18:]
        if not application or (marker in _KEPT and not jfif_with_small_picture):
            kept.append(_without_jfif_picture(segment) if marker == 0xE0 else segment)
        at += 2 + length
    raise NotCleanable(DAMAGED)


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
        raise NotCleanable(DAMAGED)
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
    raise NotCleanable(DAMAGED)


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
        raise NotCleanable(DAMAGED)
    turned = _orientation(data)
    whole, at = int.from_bytes(data[4:8], "little") + 8, 12
    if whole > len(data):
        raise NotCleanable(DAMAGED)
    kept: list[bytes] = []
    while at + 8 <= whole:
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        body = data[at + 8 : at + 8 + length]
        if len(body) < length:
            raise NotCleanable(DAMAGED)
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
        raise NotCleanable(DAMAGED)
    if turned != 1 and kept[0][:4] == b"VP8X":
        exif = _exif(turned)
        kept.append(b"EXIF" + struct.pack("<I", len(exif)) + exif + b"\x00" * (len(exif) % 2))
    inside = b"WEBP" + b"".join(kept)
    return b"RIFF" + struct.pack("<I", len(inside)) + inside
