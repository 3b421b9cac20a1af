"""Where an archive keeps its parts: made, found, opened, its settings read; names of any bytes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastlook import archive
from lastlook.archive import path_to_text, text_to_path
from lastlook.errors import ArchiveDamaged, ArchiveError, ArchiveExists, NoArchive, UsageError


def test_made_and_found_from_below(tmp_path: Path) -> None:
    made = archive.create(tmp_path / "lv40", name=" LV-40 ", zone="Europe/Copenhagen", scale="1:40")
    assert (made.settings.name, made.settings.scale) == ("LV-40", "1:40")
    below = made.originals / "2026" / "2026-03-12"
    below.mkdir(parents=True)
    assert archive.find(below) == made == archive.open_at(made.root)
    with pytest.raises(NoArchive):
        archive.find(tmp_path)
    with pytest.raises(ArchiveExists):
        archive.create(made.root, name="x", zone="UTC")


def test_names_with_quotes_and_breaks_survive(tmp_path: Path) -> None:
    name = 'the "big"\nlightship \\ Læsø'
    assert archive.create(tmp_path / "x", name=name, zone="UTC").settings.name == name


@pytest.mark.parametrize(("name", "zone"), [("", "UTC"), ("x", "Copenhagen"), ("x", ""), ("x", "../etc/passwd")])
def test_what_cannot_be_made_leaves_nothing(tmp_path: Path, name: str, zone: str) -> None:
    with pytest.raises(UsageError):
        archive.create(tmp_path / "x", name=name, zone=zone)
    assert not (tmp_path / "x").exists()


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("")
    with pytest.raises(ArchiveError, match="a file has that name"):
        archive.create(tmp_path / "x", name="x", zone="UTC")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("threshold = nan", "above 0"),
        ("hold_s = inf", "above 0"),
        ("hold_s = -1", "above 0"),
        ("hold_s = true", "above 0"),
        ('hold_s = "3"', "above 0"),
        ("holds = 3", "no setting"),
        ("scale = 40", "must be text"),
        ("name = [", "cannot be read"),
    ],
)
def test_settings_that_cannot_be(tmp_path: Path, line: str, words: str) -> None:
    made = archive.create(tmp_path / "x", name="x", zone="UTC")
    path = made.root / archive.SETTINGS_FILE
    text = "\n".join(one for one in path.read_text().splitlines() if one.split("=")[0] != line.split("=")[0])
    path.write_text(f"{text}\n{line}\n")
    with pytest.raises(ArchiveDamaged, match=words):
        archive.open_at(made.root)


def test_a_zone_that_is_gone_and_bytes_that_are_no_text(tmp_path: Path) -> None:
    made = archive.create(tmp_path / "x", name="x", zone="UTC")
    path = made.root / archive.SETTINGS_FILE
    path.write_text('name = "x"\nzone = "Europe/Atlantis"\n')
    with pytest.raises(ArchiveDamaged, match="Europe/Atlantis"):
        archive.open_at(made.root)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(ArchiveDamaged, match="cannot be read"):
        archive.open_at(made.root)


@given(st.binary(min_size=1, max_size=60).filter(lambda name: b"\0" not in name) | st.just(b"bytes:%41"))
def test_any_path_survives_as_text(name: bytes) -> None:
    path = os.fsdecode(name)
    text = path_to_text(path)
    text.encode("utf-8")
    assert text_to_path(text) == Path(path)
