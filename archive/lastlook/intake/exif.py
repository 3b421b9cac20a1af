"""What a photo's own metadata says: when, by which camera, which way up, and how it was taken.

exifread reads most files; where it finds nothing, the block that Pillow found is read with Pillow. Maker notes are
never parsed: on broken ones that takes minutes. Nothing here raises on bad metadata: what cannot be read is absent.
"""

from __future__ import annotations

import io
import logging
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

import exifread
from PIL import ExifTags, Image

from lastlook import times
from lastlook.records import Camera, Claim, ClaimSource

logging.getLogger("exifread").setLevel(logging.CRITICAL + 1)  # it logs each oddity of each file
logging.getLogger("PIL").setLevel(logging.CRITICAL + 1)

_XMP_DATES = ("exif:DateTimeOriginal", "photoshop:DateCreated", "xmp:CreateDate")
_XMP_LIMIT = 1 << 20  # bytes of a packet that are searched

# Names of exifread → the names of Exif (CIPA DC-008, tables 4-8) that we use.
_NAMES = {
    "Image Make": "Make",
    "Image Model": "Model",
    "Image Orientation": "Orientation",
    "Image DateTime": "DateTime",
    "EXIF OffsetTime": "OffsetTime",
    "EXIF SubSecTime": "SubsecTime",
    "EXIF DateTimeOriginal": "DateTimeOriginal",
    "EXIF OffsetTimeOriginal": "OffsetTimeOriginal",
    "EXIF SubSecTimeOriginal": "SubsecTimeOriginal",
    "EXIF DateTimeDigitized": "DateTimeDigitized",
    "EXIF OffsetTimeDigitized": "OffsetTimeDigitized",
    "EXIF SubSecTimeDigitized": "SubsecTimeDigitized",
    "EXIF BodySerialNumber": "BodySerialNumber",
    "EXIF LensModel": "LensModel",
    "EXIF ExposureTime": "ExposureTime",
    "EXIF FNumber": "FNumber",
    "EXIF ISOSpeedRatings": "ISOSpeedRatings",
    "EXIF FocalLength": "FocalLength",
    "EXIF FocalLengthIn35mmFilm": "FocalLengthIn35mmFilm",
    "GPS GPSDate": "GPSDateStamp",
    "GPS GPSTimeStamp": "GPSTimeStamp",
}
_WANTED = frozenset(_NAMES.values())


@dataclass(frozen=True, slots=True)
class Metadata:
    """`orientation`: as Exif says it, unchecked, None where it does not. `facts`: words to show, by plain names."""

    camera: Camera = field(default_factory=Camera)
    claims: tuple[Claim, ...] = ()
    orientation: int | None = None
    facts: Mapping[str, str] = field(default_factory=dict)


def read(data: bytes, image: Image.Image | None = None) -> Metadata:
    """Read the metadata of a photo from the bytes of its file, and of `image`, the same opened by Pillow."""
    values = _by_exifread(data)
    if not values and image is not None:
        values = _by_pillow(image)
    claims = _claims(values)
    taken = (ClaimSource.EXIF_ORIGINAL, ClaimSource.EXIF_DIGITIZED)
    if image is not None and not any(claim.source in taken and not claim.fault for claim in claims):
        claims += _xmp_claims(image)
    orientation = values.get("Orientation")
    return Metadata(
        camera=Camera(words(values.get("Make")), words(values.get("Model")), words(values.get("BodySerialNumber"))),
        claims=claims,
        orientation=orientation if isinstance(orientation, int) else None,
        facts=_facts(values),
    )


def _by_exifread(data: bytes) -> dict[str, object]:
    try:
        tags = exifread.process_file(io.BytesIO(data), details=False, extract_thumbnail=False)
    except Exception:  # it raises whatever its parsing trips over
        return {}
    values: dict[str, object] = {}
    for name, ours in _NAMES.items():
        tag = tags.get(name)
        if tag is not None:
            found = getattr(tag, "values", None)
            # Numbers and ratios come as lists, also single ones; texts come as they are.
            values[ours] = found[0] if isinstance(found, list) and len(found) == 1 else found
    return values


def _by_pillow(image: Image.Image) -> dict[str, object]:
    values: dict[str, object] = {}
    try:
        exif = block_of(image)
        groups = (
            (exif, ExifTags.TAGS),
            (exif.get_ifd(ExifTags.IFD.Exif), ExifTags.TAGS),
            (exif.get_ifd(ExifTags.IFD.GPSInfo), ExifTags.GPSTAGS),
        )
        for group, names in groups:
            for number, value in group.items():
                name = names.get(number, "")
                if name in _WANTED:
                    values[name] = value
    except Exception:  # Pillow raises many types on broken blocks; what was read so far stands
        pass
    return values


def block_of(image: Image.Image) -> Image.Exif:
    """The Exif block that Pillow met in the header. May raise what it likes.

    A PNG's own method would decode the whole picture to look behind it; exifread finds the block there without.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Image.Image.getexif(image) if image.format == "PNG" else image.getexif()


def _claims(values: Mapping[str, object]) -> tuple[Claim, ...]:
    claims = []
    for source, name, suffix in (
        (ClaimSource.EXIF_ORIGINAL, "DateTimeOriginal", "Original"),
        (ClaimSource.EXIF_DIGITIZED, "DateTimeDigitized", "Digitized"),
        (ClaimSource.EXIF_MODIFIED, "DateTime", ""),
    ):
        if name in values:
            subsec, offset = values.get(f"SubsecTime{suffix}"), values.get(f"OffsetTime{suffix}")
            claims.append(times.exif_claim(source, words(values[name]), words(subsec), words(offset)))
    if "GPSDateStamp" in values and "GPSTimeStamp" in values:
        claims.append(times.gps_claim(words(values["GPSDateStamp"]), _numbers(values["GPSTimeStamp"])))
    return tuple(claims)


def _xmp_claims(image: Image.Image) -> tuple[Claim, ...]:
    packet = image.info.get("xmp") or image.info.get("XML:com.adobe.xmp") or b""
    text = packet if isinstance(packet, str) else bytes(packet[:_XMP_LIMIT]).decode("utf-8", "replace")
    for name in _XMP_DATES:
        # As an attribute or as an element; both are usual. No XML parser: packets are often broken, always trusted too
        # much, and a date is all that is wanted.
        found = re.search(rf"\b{name}\s*(?:=\s*[\"']|>)\s*([0-9][0-9T:.+\-Z ]{{3,40}})", text[:_XMP_LIMIT])
        if found:
            return (times.xmp_claim(found.group(1).strip()),)
    return ()


def _facts(values: Mapping[str, object]) -> dict[str, str]:
    facts: dict[str, str] = {}
    exposure = _number(values.get("ExposureTime"))
    if exposure and exposure > 0:
        # Photographers read 1/60 s, not 0.0167 s; from about a third of a second on, decimals.
        facts["exposure"] = f"1/{round(1 / exposure)} s" if exposure < 0.3 else f"{exposure:g} s"
    aperture = _number(values.get("FNumber"))
    if aperture and aperture > 0:
        facts["f-number"] = f"f/{aperture:.3g}"
    iso = _number(values.get("ISOSpeedRatings"))
    if iso and iso > 0:
        facts["ISO"] = f"{iso:.0f}"
    focal = _number(values.get("FocalLength"))
    if focal and focal > 0:
        facts["focal length"] = f"{focal:.3g} mm"
    lens = words(values.get("LensModel"))
    if lens:
        facts["lens"] = lens[:80]
    return facts


def words(value: object) -> str:
    """Exif text as words: NULs and blanks at the end go, bytes that are no UTF-8 are read as Latin-1."""
    if value is None:
        return ""
    if isinstance(value, list | tuple) and all(isinstance(item, int) and 0 <= item < 256 for item in value):
        value = bytes(value)
    text = _decoded(value) if isinstance(value, bytes) else _mended(str(value))
    # Surrogates cannot be stored, control characters cannot be shown.
    text = text.split("\0", 1)[0].encode("utf-8", "replace").decode("utf-8")
    return "".join(letter for letter in text if letter.isprintable()).strip()[:200]


def _mended(text: str) -> str:
    """UTF-8 that a library took for Latin-1, set right. Exif 2 knows only ASCII; cameras write UTF-8 all the same."""
    try:
        return text if text.isascii() else text.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return text


def _decoded(value: bytes) -> str:
    try:
        return value.decode("utf-8")
    except UnicodeDecodeError:
        return value.decode("latin-1")


def _number(value: object) -> float | None:
    if isinstance(value, list | tuple):
        value = value[0] if value else None
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if -1e12 < number < 1e12 else None


def _numbers(value: object) -> tuple[Fraction | None, ...]:
    """Hours, minutes and seconds as exact fractions; None for 0/0 and what is no number."""
    items = value if isinstance(value, list | tuple) else (value,)
    exact: list[Fraction | None] = []
    for item in items:
        try:
            top, bottom = getattr(item, "numerator", None), getattr(item, "denominator", None)
            exact.append(Fraction(int(top), int(bottom)) if top is not None and bottom else None)
        except (TypeError, ValueError, ArithmeticError):
            exact.append(None)
    return tuple(exact)
