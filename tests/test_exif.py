"""What photos say of themselves, against exiftool: an independent reader of every tag and, here, also a writer."""

from __future__ import annotations

import io
import json
import shutil
import struct
import subprocess
import zlib
from collections.abc import Sequence
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from lastlook.intake import exif
from lastlook.intake.exif import Metadata
from lastlook.records import Claim, ClaimSource
from tests.media import bench_picture, exif_block, jpeg_bytes, write_photo, write_raw

SUFFIXES = (".jpg", ".mpo", ".png", ".tif", ".webp", ".heic", ".avif")


def exiftool(*arguments: str) -> str:
    """Source of the references here: exiftool (Debian libimage-exiftool-perl, CPAN Image::ExifTool)."""
    program = shutil.which("exiftool")
    if program is None:
        pytest.fail("exiftool is missing; install the Debian package libimage-exiftool-perl")
    return subprocess.run([program, *arguments], capture_output=True, check=True, text=True, timeout=60).stdout


def told(paths: Sequence[Path]) -> dict[str, dict[str, Any]]:
    listed = json.loads(exiftool("-j", "-n", "-charset", "exif=utf8", *map(str, paths)))
    return {Path(entry["SourceFile"]).name: entry for entry in listed}


def read(path: Path) -> Metadata:
    data = path.read_bytes()
    try:
        with Image.open(io.BytesIO(data)) as image:
            return exif.read(data, image)
    except OSError:
        return exif.read(data)


def claim(found: Metadata, source: ClaimSource) -> Claim:
    (one,) = [claim for claim in found.claims if claim.source is source]
    return one


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """One photo of each format with a full block, made by Pillow and pillow-heif."""
    folder = tmp_path_factory.mktemp("written")
    block = {
        "original": "2027:03:12 10:41:07",
        "subsec": "130",
        "offset": "+01:00",
        "digitized": "2027:03:12 10:41:08",
        "modified": "2027:03:14 18:00:00",
        "serial": "LV40-77",
        "gps": ("2027:03:12", (Fraction(9), Fraction(41), Fraction(13, 2))),
        "taken_with": True,
    }
    return [write_photo(folder / f"a{suffix}", exif=exif_block(**block)) for suffix in SUFFIXES]  # type: ignore[arg-type]


def test_dates_sub_seconds_and_offsets_are_those_of_exiftool(written: list[Path]) -> None:
    theirs = told(written)
    for path in written:
        found, reference = read(path), theirs[path.name]
        original = claim(found, ClaimSource.EXIF_ORIGINAL)
        expected = datetime.strptime(  # noqa: DTZ007 - a camera's wall clock
            f"{reference['DateTimeOriginal']}.{reference['SubSecTimeOriginal']}", "%Y:%m:%d %H:%M:%S.%f"
        )
        assert original.wall == expected, path.suffix
        assert original.resolution_ms == 1
        assert reference["OffsetTimeOriginal"] == "+01:00"
        assert original.offset_min == 60
        digitized = claim(found, ClaimSource.EXIF_DIGITIZED)
        assert digitized.wall is not None
        assert digitized.wall.strftime("%Y:%m:%d %H:%M:%S") == reference["CreateDate"]
        modified = claim(found, ClaimSource.EXIF_MODIFIED)
        assert modified.wall is not None
        assert modified.wall.strftime("%Y:%m:%d %H:%M:%S") == reference["ModifyDate"]
        gps = claim(found, ClaimSource.GPS)
        assert gps.wall is not None
        assert gps.wall.isoformat(timespec="milliseconds") == "2027-03-12T09:41:06.500"
        assert gps.offset_min == 0
        assert reference["GPSDateTime"].startswith("2027:03:12 09:41:06.5")


def test_camera_and_facts_are_those_of_exiftool(written: list[Path]) -> None:
    theirs = told(written)
    for path in written:
        found, reference = read(path), theirs[path.name]
        assert found.camera.make == reference["Make"] == "Keelson"
        assert found.camera.model == reference["Model"] == "K-1"
        assert found.camera.serial == str(reference["SerialNumber"]) == "LV40-77"
        assert found.facts == {
            "exposure": "1/60 s",
            "f-number": "f/2.8",
            "ISO": "400",
            "focal length": "50 mm",
            "lens": "Keelson 50 mm macro",
        }
        assert reference["ExposureTime"] == pytest.approx(1 / 60, abs=1e-4)
        assert reference["FNumber"] == 2.8


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp", ".heic", ".mpo"])
def test_what_exiftool_writes_is_read(tmp_path: Path, suffix: str) -> None:
    path = write_photo(tmp_path / f"b{suffix}")
    exiftool(
        "-q", "-overwrite_original", "-DateTimeOriginal=2026:10:25 02:30:00", "-SubSecTimeOriginal=07",
        "-OffsetTimeOriginal=-06:00", "-Make=Keelson", "-Model=K-2 Ströng", str(path),
    )  # fmt: skip
    found = read(path)
    original = claim(found, ClaimSource.EXIF_ORIGINAL)
    assert original.wall == datetime(2026, 10, 25, 2, 30, 0, 70_000)  # noqa: DTZ001
    assert original.offset_min == -360
    assert found.camera.model == "K-2 Ströng"


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".webp", ".heic", ".tif"])
def test_a_date_only_in_xmp_is_found(tmp_path: Path, suffix: str) -> None:
    path = write_photo(tmp_path / f"x{suffix}")
    exiftool("-q", "-overwrite_original", "-XMP-exif:DateTimeOriginal=2027:04:02 11:12:13+02:00", str(path))
    (found,) = read(path).claims
    assert found.source is ClaimSource.XMP
    assert found.wall == datetime(2027, 4, 2, 11, 12, 13)  # noqa: DTZ001
    assert found.offset_min == 120


def test_xmp_is_left_alone_where_exif_knows(tmp_path: Path) -> None:
    path = write_photo(tmp_path / "x.jpg", exif=exif_block())
    exiftool("-q", "-overwrite_original", "-XMP-exif:DateTimeOriginal=1999:01:01 00:00:00", str(path))
    assert [claim.source for claim in read(path).claims] == [ClaimSource.EXIF_ORIGINAL]


def test_xmp_is_asked_where_exif_only_knows_a_later_change(tmp_path: Path) -> None:
    path = write_photo(tmp_path / "x.jpg", exif=exif_block(original=None, modified="2027:05:01 08:00:00"))
    exiftool("-q", "-overwrite_original", "-XMP-xmp:CreateDate=2027:04:02 11:12:13", str(path))
    assert [claim.source for claim in read(path).claims] == [ClaimSource.EXIF_MODIFIED, ClaimSource.XMP]


def fill_bytes(block: bytes) -> bytes:
    """A JPEG with fill bytes 0xFF before its Exif segment, as ITU-T T.81 B.1.1.2 allows and exifread misses."""
    plain = jpeg_bytes()
    segment = b"Exif\0\0" + block.removeprefix(b"Exif\0\0")
    return plain[:2] + b"\xff\xff\xff\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + plain[2:]


def raw_profile(block: bytes) -> bytes:
    """A PNG with its Exif in a "Raw profile type exif" text, as ImageMagick wrote it before PNG had eXIf."""
    stream = io.BytesIO()
    bench_picture().save(stream, "PNG")
    plain = stream.getvalue()
    payload = b"Exif\0\0" + block.removeprefix(b"Exif\0\0")
    text = f"\nexif\n{len(payload):8}\n{payload.hex()}\n".encode()
    chunk = b"zTXtRaw profile type exif\0\0" + zlib.compress(text)
    return plain[:33] + struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk)) + plain[33:]


def bare_webp(block: bytes) -> bytes:
    """A WebP whose EXIF chunk lacks the Exif\\0\\0 prefix, as the WebP container specification has it."""
    stream = io.BytesIO()
    bench_picture().save(stream, "WEBP", exif=block.removeprefix(b"Exif\0\0"))
    return stream.getvalue()


@pytest.mark.parametrize(("make", "suffix"), [(fill_bytes, ".jpg"), (raw_profile, ".png"), (bare_webp, ".webp")])
def test_what_exifread_misses_is_read(tmp_path: Path, make: Any, suffix: str) -> None:
    path = tmp_path / f"m{suffix}"
    path.write_bytes(make(exif_block(subsec="5", offset="+00:00", orientation=6).tobytes()))
    reference = told([path])[path.name]
    found = read(path)
    original = claim(found, ClaimSource.EXIF_ORIGINAL)
    assert original.wall is not None
    assert original.wall.strftime("%Y:%m:%d %H:%M:%S") == reference["DateTimeOriginal"] == "2027:03:12 10:41:07"
    assert found.orientation == reference["Orientation"] == 6


@pytest.mark.parametrize(
    "text", ["    :  :     :  :  ", "0000:00:00 00:00:00", "", "2027:13:41 99:00:00", "\x00\x00\x00", "yesterday"]
)
def test_blank_and_impossible_dates_are_unknown(tmp_path: Path, text: str) -> None:
    found = read(write_photo(tmp_path / "blank.jpg", exif=exif_block(original=text)))
    assert all(claim.fault for claim in found.claims)


def test_gps_of_nothing_by_nothing_is_a_fault(tmp_path: Path) -> None:
    block = exif_block(original=None, gps=("2027:03:12", (Fraction(1), Fraction(2), Fraction(3))))
    data = bytearray(jpeg_bytes(exif=block))
    place = data.find(struct.pack(">II", 3, 1))
    order = ">"
    if place < 0:
        place, order = data.find(struct.pack("<II", 3, 1)), "<"
    data[place : place + 8] = struct.pack(f"{order}II", 0, 0)
    path = tmp_path / "g.jpg"
    path.write_bytes(data)
    gps = claim(read(path), ClaimSource.GPS)
    assert gps.wall is None
    assert gps.fault


def test_a_raw_file_tells_its_camera_and_lie(tmp_path: Path) -> None:
    path = write_raw(tmp_path / "r.nef", None, orientation=8)
    reference = told([path])[path.name]
    found = read(path)
    assert (found.camera.make, found.camera.model) == (reference["Make"], reference["Model"]) == ("Keelson", "K-9 raw")
    assert found.orientation == reference["Orientation"] == 8


def test_junk_in_texts_is_cleaned() -> None:
    block = exif_block(make="Kee\nlson\x00junk", model="K\x07-1   ")
    data = jpeg_bytes(exif=block)
    found = exif.read(data)
    assert found.camera.make == "Keelson"
    assert found.camera.model == "K-1"


@pytest.mark.parametrize("data", [b"", b"\xff\xd8\xff\xe1\x00\x20Exif\0\0II*\0\xff\xff\xff\xff", b"II*\0", b"RIFF"])
def test_nonsense_says_nothing(data: bytes) -> None:
    assert exif.read(data).claims == ()
