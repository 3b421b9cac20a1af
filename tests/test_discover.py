"""Listing: every file is found, reported or knowingly left out; nothing blocks, nothing is opened in vain."""

from __future__ import annotations

import os
import socket
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook.intake import discover
from lastlook.intake.discover import FoundKind
from lastlook.records import Camera, Claim, ClaimSource, MediaKind, Reading
from tests.media import write_photo, write_raw


def kinds(found: discover.Discovery) -> dict[str, FoundKind]:
    return {Path(item.path).name: item.kind for item in found.found}


def test_kind_is_told_by_name_and_else_by_content(tmp_path: Path) -> None:
    for suffix in (".jpg", ".png", ".tif", ".webp", ".heic", ".avif", ".gif", ".mpo"):
        write_photo(tmp_path / f"named{suffix}")
        (tmp_path / f"bare_{suffix[1:]}").write_bytes((tmp_path / f"named{suffix}").read_bytes())
    (tmp_path / "photo.dat").write_bytes((tmp_path / "named.jpg").read_bytes())
    write_raw(tmp_path / "sensor.NEF", None)
    (tmp_path / "notes.txt").write_text("W03 re-routed")
    (tmp_path / "nothing").write_bytes(b"")
    (tmp_path / "clip.vtt").write_text("WEBVTT")
    found = kinds(discover.discover([tmp_path]))
    assert found.pop("notes.txt") is FoundKind.OTHER
    assert found.pop("nothing") is FoundKind.OTHER
    assert found.pop("clip.vtt") is FoundKind.SIDECAR
    assert set(found.values()) == {FoundKind.PHOTO}
    assert len(found) == 18
    assert kinds(discover.scan([tmp_path]))["photo.dat"] is FoundKind.UNKNOWN


def test_a_picture_in_a_format_that_is_not_read_is_not_called_no_picture(tmp_path: Path) -> None:
    (tmp_path / "scan.bmp").write_bytes(b"BM" + bytes(60))
    (tmp_path / "scan.jp2").write_bytes(b"\0\0\0\x0cjP  \r\n\x87\n" + bytes(60))
    (tmp_path / "list.dat").write_bytes(b"PK\3\4" + bytes(60))
    found = discover.discover([tmp_path])
    assert kinds(found) == {"list.dat": FoundKind.OTHER}
    assert [(Path(each.path).name, each.reason) for each in found.problems] == [
        ("scan.bmp", "is a BMP file, which is not read as a photo"),
        ("scan.jp2", "is a JPEG 2000 file, which is not read as a photo"),
    ]


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        # Brands: MP4 registration authority (mp4ra.org); CR3's "crx " from memory.
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom", FoundKind.CLIP),
        (b"\0\0\0\x14ftypqt  \0\0\0\0qt  ", FoundKind.CLIP),
        (b"\0\0\0\x18ftyp3gp4\0\0\0\0isom3gp4", FoundKind.CLIP),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", FoundKind.PHOTO),
        (b"\0\0\0\x18ftypmsf1\0\0\0\0mif1hevc", FoundKind.PHOTO),
        (b"\0\0\0\x18ftypavif\0\0\0\0mif1miaf", FoundKind.PHOTO),
        (b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom", FoundKind.PHOTO),
        (b"\0\0\0\x18ftypM4A \0\0\0\0M4A isom", FoundKind.OTHER),
        (b"\0\0\x07\x08moov", FoundKind.CLIP),
        (b"RIFF\0\0\0\0AVI LIST", FoundKind.CLIP),
        (b"RIFF\0\0\0\0WAVEfmt ", FoundKind.OTHER),
        (b"\x1a\x45\xdf\xa3\x01", FoundKind.CLIP),
        ((b"\x47" + bytes(187)) * 8, FoundKind.CLIP),
        ((bytes(4) + b"\x47" + bytes(187)) * 8, FoundKind.CLIP),
        (b"\x47 a text that begins with G", FoundKind.OTHER),
        (b"", FoundKind.OTHER),
    ],
)
def test_beginnings(head: bytes, kind: FoundKind) -> None:
    assert discover.kind_of(head) is kind


@given(st.binary(max_size=300))
def test_any_beginning_has_a_kind(head: bytes) -> None:
    assert discover.kind_of(head) in (FoundKind.PHOTO, FoundKind.CLIP, FoundKind.OTHER)


def test_what_is_no_file_is_reported_and_nothing_waits(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "real.jpg").write_bytes(b"x")
    (tmp_path / "link.jpg").symlink_to(tmp_path / "real.jpg")
    (tmp_path / "loop").symlink_to(tmp_path)
    with socket.socket(socket.AF_UNIX) as plug:
        plug.bind(str(tmp_path / "plug.jpg"))
        started = time.monotonic()
        found = discover.discover([tmp_path, "/dev/null", tmp_path / "missing"])
    assert time.monotonic() - started < 2
    assert list(kinds(found)) == ["real.jpg"]
    said = {Path(problem.path).name: problem.reason for problem in found.problems}
    assert said == {
        "pipe.jpg": "is a pipe between programs, no file",
        "link.jpg": "is a link to another place; links are not followed",
        "loop": "is a link to another place; links are not followed",
        "plug.jpg": "is a socket of a program, no file",
        "null": "is a device, no file",
        "missing": "is not there",
    }


def test_hidden_and_system_files_are_left_out_but_counted(tmp_path: Path) -> None:
    for name in (
        ".hidden.jpg",
        "._LV40_0001.JPG",
        "Thumbs.db",
        ".DS_Store",
        "desktop.ini",
        "LV40_0001.JPG",
        "LV40_0001.AAE",
    ):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / ".trash").mkdir()
    (tmp_path / ".trash" / "old.jpg").write_bytes(b"x")
    found = discover.scan([tmp_path])
    assert list(kinds(found)) == ["LV40_0001.JPG"]
    assert found.skipped == 6
    assert found.problems == ()
    assert kinds(discover.scan([tmp_path / "LV40_0001.AAE"])) == {"LV40_0001.AAE": FoundKind.OTHER}  # named: it is told


def test_order_is_fixed_and_nothing_comes_twice(tmp_path: Path) -> None:
    for name in ("b.jpg", "A.jpg", "sub/c.jpg", "sub/deep/d.jpg", "z.jpg"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    paths = [item.path for item in discover.scan([tmp_path / "sub", tmp_path, tmp_path / "b.jpg"]).found]
    names = [str(Path(path).relative_to(tmp_path.resolve())) for path in paths]
    assert names == ["sub/c.jpg", "sub/deep/d.jpg", "A.jpg", "b.jpg", "z.jpg"]


def test_a_name_that_is_no_utf8_is_found(tmp_path: Path) -> None:
    raw = os.fsencode(tmp_path) + b"/bull\xe9head.jpg"
    with open(raw, "wb") as file:  # noqa: PTH123 - pathlib takes no bytes
        file.write(b"x")
    (item,) = discover.scan([tmp_path]).found
    assert os.fsencode(item.path) == os.fsencode(tmp_path.resolve()) + b"/bull\xe9head.jpg"
    assert item.kind is FoundKind.PHOTO


def test_an_unreadable_folder_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: str) -> None:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(os, "scandir", refuse)
    (problem,) = discover.scan([tmp_path]).problems
    assert problem.reason == "may not be read by you"


def test_an_archive_is_not_taken_into_itself(tmp_path: Path) -> None:
    for name in ("build/lastlook.toml", "build/catalogue.db", "build/originals/a.jpg", "b.jpg"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    found = discover.scan([tmp_path])
    assert list(kinds(found)) == ["b.jpg"]
    assert [problem.reason for problem in found.problems] == ["is an archive itself and was left out"]


def test_sidecars_and_motion_clips_keep_company(tmp_path: Path) -> None:
    for name in (
        "S1.MP4", "s1.srt", "S1.en.vtt", "S1.mp4.sbv", "S1.THM", "lonely.srt", "IMG_0412.HEIC", "IMG_0412.MOV",
        "IMG_0412.vtt", "other/S1.vtt", "P1.JPG",
    ):  # fmt: skip
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    company = discover.keep_company(discover.scan([tmp_path]).found)

    def names(paths: tuple[str, ...]) -> list[str]:
        return [Path(path).name for path in paths]

    captions = {Path(clip).name: names(paths) for clip, paths in company.captions.items()}
    assert captions == {"S1.MP4": ["s1.srt", "S1.en.vtt", "S1.mp4.sbv"], "IMG_0412.MOV": ["IMG_0412.vtt"]}
    assert {Path(photo).name: Path(clip).name for photo, clip in company.motion.items()} == {
        "IMG_0412.HEIC": "IMG_0412.MOV"
    }
    assert [Path(path).name for path in company.thumbs.values()] == ["S1.THM"]
    assert sorted(names(company.alone)) == ["S1.vtt", "lonely.srt"]


def reading(kind: MediaKind, wall: datetime, offset: int | None, source: ClaimSource, **more: object) -> Reading:
    base = Reading("/p", "0" * 64, 1, 1, kind, "x", 1, 1, 1, Camera(), (Claim(source, "", wall, offset),))
    return replace(base, **more)  # type: ignore[arg-type]


PHOTO_AT = datetime(2027, 3, 12, 10, 41, 7)  # noqa: DTZ001 - a camera's wall clock


@pytest.mark.parametrize(
    ("wall", "offset", "duration", "is_pair"),
    [
        (PHOTO_AT, 60, 2900, True),
        (PHOTO_AT.replace(hour=9), 0, 2900, True),  # the same moment in UTC
        (PHOTO_AT.replace(second=40), 60, 2900, False),
        (PHOTO_AT, 60, 40_000, False),  # a session, not a moment
        (PHOTO_AT.replace(day=14), 60, 2900, False),
    ],
)
def test_a_motion_clip_is_short_and_of_the_same_second(
    wall: datetime, offset: int, duration: int, is_pair: bool
) -> None:
    photo = reading(MediaKind.PHOTO, PHOTO_AT, None, ClaimSource.EXIF_ORIGINAL)
    clip = reading(MediaKind.CLIP, wall, offset, ClaimSource.CREATION_DATE, duration_ms=duration)
    assert discover.is_motion_pair(photo, clip) is is_pair


def test_an_identifier_decides(tmp_path: Path) -> None:
    photo = reading(MediaKind.PHOTO, PHOTO_AT, None, ClaimSource.EXIF_ORIGINAL, pair_id="A")
    clip = reading(MediaKind.CLIP, PHOTO_AT, None, ClaimSource.CONTAINER, pair_id="B", duration_ms=2900)
    assert not discover.is_motion_pair(photo, clip)
    assert discover.is_motion_pair(photo, replace(clip, pair_id="A", duration_ms=9000))


def test_listing_opens_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(50):
        (tmp_path / f"{number}.jpg").write_bytes(b"x")

    def opened(*_arguments: object, **_more: object) -> int:
        raise AssertionError("a file was opened")

    monkeypatch.setattr(os, "open", opened)
    assert len(discover.discover([tmp_path]).found) == 50
