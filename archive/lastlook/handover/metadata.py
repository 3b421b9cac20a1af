"""What is written into the copies of pictures, and what is kept out of them.

A copy is encoded afresh from pixels, so nothing of the original's metadata can be in it: no place, no serial number, no
owner, no small picture of what was cropped away. Into it go the properties of IPTC Photo Metadata (2025.1) as XMP
(ISO 16684-1). An original that goes along on request is a JPEG without its metadata segments, its pixels untouched; or
it goes as it is, where that was asked for.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from PIL import Image, ImageOps

# Namespaces as IPTC and XMP define them; the last one holds nothing but the event's identifier and date strings.
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_DC = "http://purl.org/dc/elements/1.1/"
_CORE = "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/"
_EXT = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
_XML = "http://www.w3.org/XML/1998/namespace"
for _prefix, _address in (("rdf", _RDF), ("dc", _DC), ("Iptc4xmpCore", _CORE), ("Iptc4xmpExt", _EXT)):
    ElementTree.register_namespace(_prefix, _address)

CAPTURE = "http://cv.iptc.org/newscodes/digitalsourcetype/digitalCapture"
COMPOSITE = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"
"""IPTC's vocabulary of digital source types: as a camera took it (a still is one of its frames); put together from a
capture and what was drawn on it."""

QUALITY = 88


@dataclass(frozen=True, slots=True)
class Description:
    """What a copy says of itself. `event` the step, `event_id` its id; `thing` the model; `language` of the texts."""

    id: str
    title: str
    description: str
    alt: str
    extended: str
    keywords: tuple[str, ...]
    event: str
    event_id: str
    thing: str
    language: str
    drawn: bool = False


def packet(described: Description) -> bytes:
    """The XMP packet, UTF-8, without padding: the same description gives the same bytes."""
    rdf = ElementTree.Element(f"{{{_RDF}}}RDF")
    about = ElementTree.SubElement(rdf, f"{{{_RDF}}}Description", {f"{{{_RDF}}}about": ""})

    def alternatives(name: str, text: str) -> None:
        if text:
            holder = ElementTree.SubElement(ElementTree.SubElement(about, name), f"{{{_RDF}}}Alt")
            languages = ["x-default"] if described.language == "x-default" else ["x-default", described.language]
            for language in languages:
                ElementTree.SubElement(holder, f"{{{_RDF}}}li", {f"{{{_XML}}}lang": language}).text = _clean(text)

    def plain(name: str, text: str) -> None:
        if text:
            ElementTree.SubElement(about, name).text = _clean(text)

    alternatives(f"{{{_DC}}}title", described.title)
    alternatives(f"{{{_DC}}}description", described.description)
    if described.keywords:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_DC}}}subject"), f"{{{_RDF}}}Bag")
        for word in described.keywords:
            ElementTree.SubElement(bag, f"{{{_RDF}}}li").text = _clean(word)
    alternatives(f"{{{_CORE}}}AltTextAccessibility", described.alt)
    alternatives(f"{{{_CORE}}}ExtDescrAccessibility", described.extended)
    alternatives(f"{{{_EXT}}}Event", described.event)
    if described.event_id:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_EXT}}}EventId"), f"{{{_RDF}}}Bag")
        ElementTree.SubElement(bag, f"{{{_RDF}}}li").text = _clean(described.event_id)
    plain(f"{{{_EXT}}}DigImageGUID", described.id)
    plain(f"{{{_EXT}}}DigitalSourceType", COMPOSITE if described.drawn else CAPTURE)
    if described.thing:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_EXT}}}ArtworkOrObject"), f"{{{_RDF}}}Bag")
        item = ElementTree.SubElement(bag, f"{{{_RDF}}}li", {f"{{{_RDF}}}parseType": "Resource"})
        holder = ElementTree.SubElement(ElementTree.SubElement(item, f"{{{_EXT}}}AOTitle"), f"{{{_RDF}}}Alt")
        ElementTree.SubElement(holder, f"{{{_RDF}}}li", {f"{{{_XML}}}lang": "x-default"}).text = _clean(described.thing)
    body: bytes = ElementTree.tostring(rdf, encoding="utf-8")
    return b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>\n' + body + b'\n<?xpacket end="r"?>'


def _clean(text: str) -> str:
    """Without the control characters that XML 1.0 cannot hold."""
    return "".join(letter for letter in text if letter in "\t\n" or ord(letter) >= 32)


def copy(source: Path, target: Path, edge: int, described: Description) -> tuple[int, int]:
    """Write a JPEG copy of a picture with a long edge of at most `edge` pixels; returns its width and height.

    The colours go to sRGB's reader as they are; the profile of the source is kept, it names no person and no place.
    """
    with Image.open(source) as opened:
        opened.draft("RGB", (edge, edge))
        profile = opened.info.get("icc_profile")
        image = ImageOps.exif_transpose(opened)
        if image.mode != "RGB":
            image = image.convert("RGB")
        if max(image.size) > edge:
            image.thumbnail((edge, edge), Image.Resampling.LANCZOS, reducing_gap=2.0)
        save(image, target, described, profile=profile)
        return image.size


def save(image: Image.Image, target: Path, described: Description, *, profile: bytes | None = None) -> None:
    """Encode a picture afresh with nothing but our own packet. What an opened file carries along is left behind."""
    held = io.BytesIO()
    bare = Image.new("RGB", image.size)
    bare.paste(image)
    more: dict[str, bytes] = {"icc_profile": profile} if profile else {}
    bare.save(held, "JPEG", quality=QUALITY, optimize=False, progressive=False, xmp=packet(described), **more)
    target.write_bytes(held.getvalue())


# ------------------------------------------------------------------------------------------------ originals on request


class NotCleanable(Exception):
    """An original of a kind whose metadata cannot be taken out without changing its pixels."""


_KEPT = {0xE0, 0xEE}  # JFIF and the segment that says how colours are coded: a decoder needs both
_ICC = b"ICC_PROFILE\x00"


def without_metadata(data: bytes) -> bytes:
    """A JPEG without Exif, XMP, IPTC, comments, maker notes, small pictures and what follows its end; every byte of the
    picture itself, and its colour profile, is kept, and which way up it is. Raises NotCleanable for anything else.
    """
    if data[:2] != b"\xff\xd8":
        raise NotCleanable("it is no JPEG")
    turned = _orientation(data)
    kept = [b"\xff\xd8"]
    if turned != 1:
        kept.append(_turned(turned))
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            raise NotCleanable("its segments cannot be read")
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xDA:
            # Coded data and the tables between scans cannot hold an end mark but at the end; what a device appends
            # behind it (a second picture, a clip) is left behind.
            end = _end(data, at)
            kept.append(data[at:end])
            return b"".join(kept)
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2 or at + 2 + length > len(data):
            raise NotCleanable("its segments cannot be read")
        segment = data[at : at + 2 + length]
        application = 0xE0 <= marker <= 0xEF or marker == 0xFE
        jfif_with_small_picture = marker == 0xE0 and segment[4:9] == b"JFXX\x00"
        profile = marker == 0xE2 and segment[4:16] == _ICC
        if not application or (marker in _KEPT and not jfif_with_small_picture) or profile:
            kept.append(_without_jfif_picture(segment) if marker == 0xE0 else segment)
        at += 2 + length
    raise NotCleanable("it ends before its picture begins")


def _end(data: bytes, at: int) -> int:
    """Where the picture ends whose first scan begins at `at`: behind its end mark, or where the data ends."""
    while at < len(data):
        if data[at] != 0xFF or at + 1 >= len(data):
            at = data.find(b"\xff", at + 1)
            if at == -1:
                return len(data)
            continue
        marker = data[at + 1]
        if marker == 0xD9:
            return at + 2
        if marker in (0x00, 0xFF) or 0xD0 <= marker <= 0xD7:
            at += 1 if marker == 0xFF else 2
        else:  # a segment between scans: its length tells where it ends
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return len(data)


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


def _turned(orientation: int) -> bytes:
    """An Exif segment that says which way up, and nothing else."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    body = exif.tobytes()
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def keywords(groups: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """ "run:W03" for each id of each dimension."""
    return tuple(f"{name}:{id}" for name, ids in groups.items() for id in ids)
