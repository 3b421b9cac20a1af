"""What a clip's container says, in our words: format, camera, times, the identifier of a photo's moving pair.

Where a clip was recorded (GPS) is said by many phones; it is not kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from lastlook import times
from lastlook.intake.clipstream import ClipFacts
from lastlook.intake.exif import words
from lastlook.records import Camera, Claim

_CREATION_DATES = (
    "com.apple.quicktime.creationdate",
    "creationdate",
    "date",
    "date_recorded",
    "date_digitized",
)
_MAKES = ("com.apple.quicktime.make", "com.android.manufacturer", "make", "manufacturer")
_MODELS = ("com.apple.quicktime.model", "com.android.model", "model")
_PAIRS = ("com.apple.quicktime.content.identifier", "content.identifier")

_ORIENTATIONS = {0: 1, 90: 6, 180: 3, 270: 8}


def format_name(facts: ClipFacts, path: str) -> str:
    """A short name of the container as people know it. Brands: ISO/IEC 14496-12 and 3GPP TS 26.244."""
    family = facts.format.split(",")[0]
    if family == "mov":
        brand = facts.brand.strip().lower()
        return "MOV" if brand == "qt" else "3GP" if brand.startswith("3g") else "MP4"
    if family == "matroska":
        return "WebM" if PurePath(path).suffix.lower() == ".webm" else "MKV"
    return {"mpegts": "MTS", "mpeg": "MPG"}.get(family, family.upper())


def orientation(facts: ClipFacts) -> int:
    """The turn of the picture as Exif's Orientation would say it (1, 6, 3 or 8)."""
    return _ORIENTATIONS.get(facts.turned, 1)


def claims(facts: ClipFacts) -> tuple[Claim, ...]:
    """Every time the container and its streams state, each said once, in the order met."""
    found: list[Claim] = []
    for key, value in facts.tags:
        name, text = _plain_key(key), value.strip()
        if not text:
            continue
        if name == "creation_time":
            claim = times.avi_date_claim(text) if facts.format == "avi" else times.container_claim(text)
        elif name in _CREATION_DATES and any(character.isdigit() for character in text):
            claim = times.creation_date_claim(text)
        else:
            continue
        # A container and its streams repeat the same moment, with or without its fraction.
        if all((claim.source, claim.wall, claim.offset_min) != (c.source, c.wall, c.offset_min) for c in found):
            found.append(claim)
    return tuple(found)


def camera(facts: ClipFacts) -> Camera:
    """The device, as far as the container names it."""
    return Camera(make=words(_first(facts, _MAKES)), model=words(_first(facts, _MODELS)))


def pair_id(facts: ClipFacts) -> str:
    """The identifier by which a phone ties a photo to the moment recorded along with it, else ''."""
    return _first(facts, _PAIRS)


def shown(facts: ClipFacts) -> dict[str, str]:
    """A few facts to show."""
    rate = facts.frames_per_second
    found = {
        "codec": facts.codec,
        "frame rate": f"{rate:.4g} fps" if rate and rate <= 480 else "",
        "sound": "" if facts.sound else "none",
    }
    return {key: value for key, value in found.items() if value}


def _first(facts: ClipFacts, names: Sequence[str]) -> str:
    for name in names:
        for key, value in facts.tags:
            if _plain_key(key) == name and value.strip("\0 \t\r\n"):
                return " ".join(value.strip("\0 \t\r\n").split())[:120]
    return ""


def _plain_key(key: str) -> str:
    """Keys differ in case between containers, and some carry a language ("make-eng")."""
    lower = key.lower()
    return lower[:-4] if len(lower) > 4 and lower[-4] == "-" and lower[-3:].isalpha() else lower
