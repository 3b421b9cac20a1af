"""Originals that go along: what each kind loses by exiftool's reading, and that it still looks as it did."""

from __future__ import annotations

import errno
import json
import struct
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, cast
from unittest.mock import Mock

import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageChops, ImageOps, ImageStat

from lastlook import deciding, ingest
from lastlook.archive import Archive
from lastlook.catalogue import paths, pictures
from lastlook.deciding import Target
from lastlook.gathering import Scope
from lastlook.handing_over import Options, preview, write
from lastlook.handover import bare_photos, stripping
from lastlook.handover.cleaning import How, NotCleanable
from lastlook.handover.material import Audience
from lastlook.records import Dimension
from lastlook.store import Store
from tests import lightship

OWNER, SERIAL = "Otto Ownername", "SN-4711-0815"
_ALLOWED = {"IFD0:Orientation"}
_LAYOUT = {  # of a TIFF: how its pixels lie (TIFF 6.0, section 8)
    *("ImageWidth", "ImageHeight", "BitsPerSample", "Compression", "PhotometricInterpretation", "StripOffsets"),
    *("SamplesPerPixel", "RowsPerStrip", "StripByteCounts", "PlanarConfiguration", "Orientation"),
}
KINDS = [  # name, format, what is done
    ("one.png", "PNG", How.STRIPPED),
    ("one.webp", "WEBP", How.STRIPPED),
    ("one.tif", "TIFF", How.LOSSLESS),
    ("one.heic", "HEIF", How.ENCODED),
    ("one.avif", "AVIF", How.ENCODED),
]


def run(*command: str | Path) -> str:
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def tags(path: Path) -> dict[str, Any]:
    return cast(dict[str, Any], json.loads(run("exiftool", "-j", "-G1", "-a", "-ee", "-n", path))[0])


def photo(folder: Path, name: str, format: str, colour: tuple[int, int, int] = (40, 90, 120)) -> Path:
    """A picture that says where it was, by what and whose, in Exif and XMP (written by exiftool), and is turned."""
    image = Image.new("RGB", (320, 240), colour)
    for x in range(0, 320, 40):
        image.paste((230, 220, 200), (x, 20 + x // 4, x + 15, 150))
    path = folder / name
    if format == "HEIF":
        pillow_heif.from_pillow(image).save(path, quality=90)
    else:
        image.save(path, format, **({"lossless": True} if format == "WEBP" else {}))
    said = ["-GPSLatitude=55.676", "-GPSLatitudeRef=N", "-GPSLongitude=12.568", "-GPSLongitudeRef=E", "-Make=Keelson"]
    said += [f"-SerialNumber={SERIAL}", f"-OwnerName={OWNER}", f"-XMP-dc:Creator={OWNER}", "-XMP-exif:GPSLatitude=55.6"]
    said += ["-DateTimeOriginal=2026:03:26 15:00:00"]
    said += ["-n", "-Orientation=6"] if format != "HEIF" else []
    run("exiftool", "-q", "-overwrite_original", *said, path)
    return path


def clip(folder: Path, name: str, codec: str = "libx264") -> Path:
    """A clip that says where it was and whose, with a track of data; its H.264 carries messages of the encoder."""
    path = folder / name
    more = ["-metadata", "location=+55.6760+012.5680/", "-metadata", f"artist={OWNER}", "-metadata", "make=Keelson"]
    more += ["-metadata", f"comment={SERIAL}", "-metadata", "creation_time=2026-03-26T14:00:00Z"]
    if codec != "mjpeg":
        more += ["-pix_fmt", "yuv420p", "-g", "12"]
    run("ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=320x240:d=2:r=25", "-f", "lavfi", "-i",
        "sine=d=2", "-c:v", codec, *more, "-shortest", path)  # fmt: skip
    return path


@pytest.mark.parametrize(("name", "format", "how"), KINDS)
def test_a_photo_loses_place_serial_number_and_owner(name: str, format: str, how: How, tmp_path: Path) -> None:
    source, target = photo(tmp_path, name, format), tmp_path / f"clean-{name}"
    before = tags(source)
    # Else the check would pass on a file that never had them.
    assert OWNER in json.dumps(before)
    assert SERIAL in json.dumps(before)
    assert any("GPS" in key for key in before)
    assert stripping.clean(source, target, "photo", format) is how
    after = tags(target)
    groups = {"IFD0", "ExifIFD", "GPS", "IFD1", "XMP", "IPTC", "MakerNotes"}
    left = {key for key in after if key.split(":")[0].split("-")[0] in groups} - _ALLOWED
    assert not {key for key in left if key.split(":")[1] not in _LAYOUT}, left
    assert not {key for key in after if "GPS" in key or "Warning" in key}
    for secret in (OWNER, SERIAL, "2026:03:26"):
        assert secret.encode() not in target.read_bytes()
    with Image.open(source) as first, Image.open(target) as second:
        first.load()  # the decoder of TIFF turns it when it is loaded
        second.load()
        seen = [ImageOps.exif_transpose(one).convert("RGB") for one in (first, second)]
    assert seen[0].size == seen[1].size == ((320, 240) if how is How.ENCODED else (240, 320))
    difference = ImageChops.difference(*seen)
    if how is How.ENCODED:  # these two know turning as a property of their own; what Exif says of it counts for nothing
        assert max(ImageStat.Stat(difference).mean) < 3
    else:
        assert difference.getbbox() is None
    assert stripping.clean(source, tmp_path / "again", "photo", format) is how
    assert (tmp_path / "again").read_bytes() == target.read_bytes()


def frames(path: Path) -> list[str]:
    found = run("ffmpeg", "-v", "error", "-i", path, "-f", "framemd5", "-")
    return [line for line in found.splitlines() if not line.startswith("#")]


@pytest.mark.parametrize(
    ("name", "codec"),
    [
        *[("one.mp4", "libx264"), ("one.mov", "libx265"), ("one.mkv", "libx264"), ("one.webm", "libvpx")],
        *[("one.avi", "mpeg4"), ("two.mp4", "mpeg4"), ("two.mkv", "mpeg2video")],
    ],
)
def test_a_clip_loses_place_and_owner_and_keeps_pictures_sound_and_times(name: str, codec: str, tmp_path: Path) -> None:
    source, target = clip(tmp_path, name, codec), tmp_path / f"clean-{name}"
    before = json.dumps(tags(source))
    assert OWNER in before
    assert stripping.clean(source, target, "clip", "") is How.REPACKED
    data = target.read_bytes()
    for secret in (OWNER, SERIAL, "+55.6760", "Keelson", "x264 - core", "x265 (build"):
        assert secret.encode() not in data, secret
    if codec == "libx264":
        assert b"x264 - core" in source.read_bytes()
    if codec.startswith("mpeg"):  # user data (ISO/IEC 14496-2, 6.2.2.1), into which ffmpeg writes its own name
        assert b"\x00\x00\x01\xb2" not in data
        assert b"\x00\x00\x01\xb2" in source.read_bytes() or codec == "mpeg2video"
    assert "2026:03:26" not in json.dumps(tags(target))
    # Every frame and every piece of sound with its time, by ffmpeg's framemd5.
    assert frames(target) == frames(source)
    assert len(frames(target)) > 60
    stripping.clean(source, tmp_path / f"again-{name}", "clip", "")
    assert (tmp_path / f"again-{name}").read_bytes() == data


def test_a_file_that_a_decoder_refuses_stays_out_and_a_full_disk_is_no_fault_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A decoder's OSError has no number; libheif says RuntimeError of a file that asks for too much."""
    source = photo(tmp_path, "one.tif", "TIFF")
    for error in (OSError("decoder error -2"), RuntimeError("Security limit exceeded")):
        monkeypatch.setattr(stripping, "_tiff", Mock(side_effect=error))
        with pytest.raises(NotCleanable, match="damaged"):
            stripping.clean(source, tmp_path / "out.tif", "photo", "TIFF")
    monkeypatch.setattr(stripping, "_tiff", Mock(side_effect=OSError(errno.ENOSPC, "No space left on device")))
    with pytest.raises(OSError, match="No space left"):
        stripping.clean(source, tmp_path / "out.tif", "photo", "TIFF")


def test_what_cannot_be_cleaned_says_why(tmp_path: Path) -> None:
    with pytest.raises(NotCleanable, match="may each carry metadata"):
        stripping.clean(clip(tmp_path, "one.avi", "mjpeg"), tmp_path / "out.avi", "clip", "avi")
    pages = tmp_path / "pages.tif"
    first = Image.new("RGB", (40, 30), "red")
    first.save(pages, "TIFF", save_all=True, append_images=[Image.new("RGB", (40, 30), "blue")])
    with pytest.raises(NotCleanable, match="several pages"):
        stripping.clean(pages, tmp_path / "out.tif", "photo", "TIFF")
    assert not stripping.can("photo", "raw", "one.nef")
    assert not stripping.can("photo", "GIF", "one.gif")
    torn = tmp_path / "torn.mp4"
    torn.write_bytes(clip(tmp_path, "whole.mp4").read_bytes()[:4000])
    with pytest.raises(NotCleanable, match="damaged"):
        stripping.clean(torn, tmp_path / "out.mp4", "clip", "mp4")


@settings(deadline=None, max_examples=60)
@given(st.binary(max_size=120), st.sampled_from(["png", "webp"]))
def test_no_garbage_passes_as_clean(data: bytes, kind: str) -> None:
    if kind == "png":
        with pytest.raises(NotCleanable):
            bare_photos.png(b"\x89PNG\r\n\x1a\n" + data)
    else:
        body = b"WEBP" + b"EXIF" + struct.pack("<I", len(data)) + data
        with pytest.raises(NotCleanable):
            bare_photos.webp(b"RIFF" + struct.pack("<I", len(body)) + body)


def test_originals_of_any_kind_go_along_and_the_record_says_what_was_done(
    lightship_archive: Archive, tmp_path: Path
) -> None:
    made = lightship.copy(lightship_archive, tmp_path)
    colours = [(30, 60, 90), (90, 60, 30), (60, 90, 30)]
    files = [
        photo(tmp_path, name, format, colour) for (name, format, _), colour in zip(KINDS[::2], colours, strict=False)
    ]
    files.append(clip(tmp_path, "one.avi", "mjpeg"))
    with Store(made, by="builder") as store:
        with ThreadPoolExecutor(2) as executor:
            ingest.ingest(store, files, executor=executor)
        for path in files:
            seen = paths.sightings(store.catalogue)[str(path)]
            ids = [one.id for one in pictures.of_medium(store.catalogue, seen.sha256)]
            deciding.tag(store, ids, [Target(Dimension.SUBASSEMBLY, "DKH")], "Deckhouse.")
        scope = Scope(("DKH",))
        options = Options(scope=scope, audience=Audience.REPAIRER, originals=True, print_=False)
        assert not preview(store, Options(originals=True, print_=False)).left_out  # HEIC and clips among them
        foreseen = preview(store, options)
        wider = "parts of it lie outside of what this record is about"
        assert foreseen.left_out == (
            f"VID_20260409_114410.mp4: {wider}",
        )  # that the frames of this clip are JPEGs is seen when it is opened
        written = write(store, options, tmp_path / "record")
    assert [line for line in written.left_out if line.startswith("one.avi: its pictures may each carry")]
    data = tmp_path / "record" / "data"
    limits = (data / "limits.html").read_text(encoding="utf-8")
    assert "Original not in this record: one.avi: its pictures may each carry metadata" in limits
    handed = sorted(path.name[13:] for path in (data / "originals").iterdir())
    assert {"one.png", "one.tif", "one.avif"} <= set(handed)
    assert "one.avi" not in handed
    for path in (data / "originals").iterdir():
        said = json.dumps(tags(path))
        assert OWNER not in said
        assert SERIAL not in said
        assert '"GPS' not in said
    listed = json.loads((data / "tables" / "pictures.json").read_text(encoding="utf-8"))["pictures"]
    png = next(one for one in listed if one["original"].endswith("one.png"))
    page = (data / "picture" / f"{png['id']}.html").read_text(encoding="utf-8")
    assert "its metadata taken out, every byte of the picture as it was" in page
