"""Colour profiles of pictures that are handed over: what tells colours, and nothing of whose screen or camera it was.

A picture of a screen carries the profile of that screen, in which its name and serial number may stand. Format: ICC.1
(4.4), section 7 and annex B of its version 2.4.
"""

from __future__ import annotations

import struct

_COLOURS = {
    *(b"wtpt", b"bkpt", b"chad", b"chrm", b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC", b"kTRC", b"cicp"),
    *(b"A2B0", b"A2B1", b"A2B2", b"B2A0", b"B2A1", b"B2A2", b"D2B0", b"D2B1", b"D2B2", b"D2B3", b"gamt"),
    *(b"B2D0", b"B2D1", b"B2D2", b"B2D3", b"lumi", b"rig0", b"rig2", b"tech"),
}
_HEAD, _ENTRY = 128, 12
_NAME = "Colours"
_MOST = 100  # tags; a profile has some twenty


def bare(profile: bytes | None) -> bytes:
    """The profile with its colours only: names, serial numbers, dates, notes of its maker and the like are left out or
    say nothing. b"" for what is no profile."""
    if not profile or len(profile) < _HEAD + 4 or profile[36:40] != b"acsp":
        return b""
    count = int.from_bytes(profile[_HEAD : _HEAD + 4], "big")
    if count > _MOST:
        return b""
    wanted: dict[bytes, bytes] = {}
    for number in range(count):
        entry = profile[_HEAD + 4 + _ENTRY * number :][:_ENTRY]
        if len(entry) < _ENTRY:
            return b""
        name, offset, size = entry[:4], *struct.unpack(">II", entry[4:])
        if name in _COLOURS:
            wanted[name] = profile[offset : offset + size]
            if len(wanted[name]) < size:
                return b""
    if not wanted:
        return b""
    texts = _texts if profile[8] >= 4 else _old_texts
    return _written(profile, {**texts(), **wanted})


def _texts() -> dict[bytes, bytes]:
    """The name and the words on rights that every profile must have, as multi-localised text (10.15)."""
    body = _NAME.encode("utf-16-be")
    made = b"mluc" + bytes(4) + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(body), 28) + body
    return {b"desc": made, b"cprt": made}


def _old_texts() -> dict[bytes, bytes]:
    """The same before version 4 (ICC.1:2001-04, 6.5.17 and 6.5.18)."""
    body = _NAME.encode() + b"\x00"
    return {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(body)) + body + bytes(4 + 4 + 2 + 1 + 67),
        b"cprt": b"text" + bytes(4) + body,
    }


def _written(profile: bytes, tags: dict[bytes, bytes]) -> bytes:
    """A profile anew with the head of another; the same data is held once, as makers do for three equal curves."""
    places: dict[bytes, int] = {}
    at = _HEAD + 4 + _ENTRY * len(tags)
    data = b""
    for body in tags.values():
        if body not in places:
            places[body] = at + len(data)
            data += body + bytes(-len(body) % 4)
    table = b"".join(name + struct.pack(">II", places[body], len(body)) for name, body in tags.items())
    head = bytearray(profile[:_HEAD])
    head[0:4] = struct.pack(">I", at + len(data))
    head[4:8] = bytes(4)  # the program that prefers it
    head[24:36] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)  # when it was made
    head[48:56] = bytes(8)  # maker and model of the device
    head[80:100] = bytes(20)  # who made it, and a checksum over what it was
    return bytes(head) + struct.pack(">I", len(tags)) + table + data
