"""What is written into the copies of pictures, and what is kept out of them.

A copy is encoded afresh from pixels, so nothing of the original's metadata can be in it: no place, no serial number, no
owner, no small picture of what was cropped away. Into it go the properties of IPTC Photo Metadata (2025.1) as XMP
(ISO 16684-1). Of originals that go along on request see `stripping`.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

from PIL import Image, ImageOps

from lastlook.handover import profiles

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
_ROOM = 65_502
_PLACE = 0.01  # the radius of a marked place, as a share of the picture's width: common practice, no source


@dataclass(frozen=True, slots=True)
class Region:
    """Where a thing lies on a picture. `points` as shares of its width and height, 0 to 1: one is a place, several the
    corners of an area, or the course of a line where `line`."""

    id: str
    name: str
    points: tuple[tuple[float, float], ...]
    line: bool = False


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
    regions: tuple[Region, ...] = ()


def packet(described: Description) -> bytes:
    """The XMP packet, UTF-8, without padding: the same description gives the same bytes."""
    rdf = ElementTree.Element(f"{{{_RDF}}}RDF")
    about = ElementTree.SubElement(rdf, f"{{{_RDF}}}Description", {f"{{{_RDF}}}about": ""})

    def alternatives(name: str, text: str) -> None:
        if text:
            holder = ElementTree.SubElement(ElementTree.SubElement(about, name), f"{{{_RDF}}}Alt")
            languages = ["x-default"] if described.language == "x-default" else ["x-default", described.language]
            for language in languages:
                ElementTree.SubElement(holder, f"{{{_RDF}}}li", {f"{{{_XML}}}lang": language}).text = clean(text)

    def plain(name: str, text: str) -> None:
        if text:
            ElementTree.SubElement(about, name).text = clean(text)

    alternatives(f"{{{_DC}}}title", described.title)
    alternatives(f"{{{_DC}}}description", described.description)
    if described.keywords:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_DC}}}subject"), f"{{{_RDF}}}Bag")
        for word in described.keywords:
            ElementTree.SubElement(bag, f"{{{_RDF}}}li").text = clean(word)
    alternatives(f"{{{_CORE}}}AltTextAccessibility", described.alt)
    alternatives(f"{{{_CORE}}}ExtDescrAccessibility", described.extended)
    alternatives(f"{{{_EXT}}}Event", described.event)
    if described.event_id:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_EXT}}}EventId"), f"{{{_RDF}}}Bag")
        ElementTree.SubElement(bag, f"{{{_RDF}}}li").text = clean(described.event_id)
    plain(f"{{{_EXT}}}DigImageGUID", described.id)
    plain(f"{{{_EXT}}}DigitalSourceType", COMPOSITE if described.drawn else CAPTURE)
    if described.thing:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_EXT}}}ArtworkOrObject"), f"{{{_RDF}}}Bag")
        item = ElementTree.SubElement(bag, f"{{{_RDF}}}li", {f"{{{_RDF}}}parseType": "Resource"})
        holder = ElementTree.SubElement(ElementTree.SubElement(item, f"{{{_EXT}}}AOTitle"), f"{{{_RDF}}}Alt")
        ElementTree.SubElement(holder, f"{{{_RDF}}}li", {f"{{{_XML}}}lang": "x-default"}).text = clean(described.thing)
    if described.regions:
        bag = ElementTree.SubElement(ElementTree.SubElement(about, f"{{{_EXT}}}ImageRegion"), f"{{{_RDF}}}Bag")
        for number, region in enumerate(described.regions, start=1):
            _region(bag, region, f"{region.id}-{number}", described.language)
    body: bytes = ElementTree.tostring(rdf, encoding="utf-8")
    return b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>\n' + body + b'\n<?xpacket end="r"?>'


def fitting(described: Description) -> bytes:
    """The packet of a JPEG, which has room for 65,502 bytes in its segment (XMP specification part 3, 1.1.3): where the
    words are many, without what is said elsewhere in it, then without regions, then with their beginnings only."""
    less = replace(described, extended="")
    made = b""
    for one in (described, less, replace(less, regions=()), *(_cut(less, most) for most in (1000, 250))):
        made = packet(one)
        if len(made) <= _ROOM:
            break
    return made


def _cut(described: Description, most: int) -> Description:
    title, description, alt, event, thing = (
        text if len(text) <= most else text[: most - 1] + "…"
        for text in (described.title, described.description, described.alt, described.event, described.thing)
    )
    kept = described.keywords[:most]
    return replace(
        described, title=title, description=description, alt=alt, event=event, thing=thing, keywords=kept, regions=()
    )


def _region(bag: ElementTree.Element, region: Region, id: str, language: str) -> None:
    """One image region (IPTC Photo Metadata 2025.1, 12.3): relative, so that it holds for a copy of any size."""
    resource = {f"{{{_RDF}}}parseType": "Resource"}
    item = ElementTree.SubElement(bag, f"{{{_RDF}}}li", resource)
    boundary = ElementTree.SubElement(item, f"{{{_EXT}}}RegionBoundary", resource)

    def say(holder: ElementTree.Element, name: str, value: str) -> None:
        ElementTree.SubElement(holder, f"{{{_EXT}}}{name}").text = value

    (left, top), (right, bottom) = (
        (f(x for x, _ in region.points), f(y for _, y in region.points)) for f in (min, max)
    )
    say(boundary, "rbUnit", "relative")
    if len(region.points) == 1:
        say(boundary, "rbShape", "circle")
        for name, value in (("rbX", left), ("rbY", top), ("rbRx", _PLACE)):
            say(boundary, name, f"{value:.4f}")
    elif region.line or len(region.points) == 2:
        # The standard knows areas only: of a line, the rectangle that holds it.
        say(boundary, "rbShape", "rectangle")
        for name, value in (("rbX", left), ("rbY", top), ("rbW", right - left), ("rbH", bottom - top)):
            say(boundary, name, f"{value:.4f}")
    else:
        say(boundary, "rbShape", "polygon")
        corners = ElementTree.SubElement(ElementTree.SubElement(boundary, f"{{{_EXT}}}rbVertices"), f"{{{_RDF}}}Seq")
        for x, y in region.points:
            corner = ElementTree.SubElement(corners, f"{{{_RDF}}}li", resource)
            say(corner, "rbX", f"{x:.4f}")
            say(corner, "rbY", f"{y:.4f}")
    say(item, "rId", id)
    holder = ElementTree.SubElement(ElementTree.SubElement(item, f"{{{_EXT}}}Name"), f"{{{_RDF}}}Alt")
    ElementTree.SubElement(holder, f"{{{_RDF}}}li", {f"{{{_XML}}}lang": "x-default"}).text = clean(region.name)


def clean(text: str) -> str:
    """Without what XML 1.0 (section 2.2) and HTML cannot hold: control characters, halves of letters, no letters."""
    return _UNHELD.sub("", text)


_UNHELD = re.compile("[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]")


def copy(source: Path, target: Path, edge: int, described: Description) -> tuple[int, int]:
    """Write a JPEG copy of a picture with a long edge of at most `edge` pixels; returns its width and height.

    The colours are as they were; of the profile of the source, what tells them is kept.
    """
    with Image.open(source) as opened:
        opened.draft("RGB", (edge, edge))
        profile = profiles.bare(opened.info.get("icc_profile"))
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
    bare.save(held, "JPEG", quality=QUALITY, optimize=False, progressive=False, xmp=fitting(described), **more)
    target.write_bytes(held.getvalue())


def keywords(groups: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """ "run:W03" for each id of each dimension."""
    return tuple(f"{name}:{id}" for name, ids in groups.items() for id in ids)
