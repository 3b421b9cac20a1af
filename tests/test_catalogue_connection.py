"""Transactions, errors in a builder's words, and questions that use an index."""

from __future__ import annotations

import os
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from lastlook.catalogue import (
    Catalogue,
    columns,
    connection,
    decisions,
    media,
    migrations,
    paths,
    pending,
    pictures,
    tags,
)
from lastlook.errors import ArchiveBusy, ArchiveError, NoSuchId
from lastlook.records import Dimension


@pytest.fixture
def catalogue(tmp_path: Path) -> Iterator[Catalogue]:
    with Catalogue(tmp_path / "catalogue.db", create=True) as made:
        yield made


def test_a_full_disk_can_still_be_asked(tmp_path: Path) -> None:
    """Not even the few kilobytes beside the catalogue can be had (setrlimit(2), RLIMIT_FSIZE): it is read as it is."""
    path = tmp_path / "catalogue.db"
    Catalogue(path, create=True).close()
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))
    try:
        with Catalogue(path) as full:
            asked = full.counters()
            with pytest.raises(ArchiveError, match="cannot be written to") as told, full.writing():
                full.count_up("times")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "room" in told.value.hint
    with Catalogue(path) as again, again.writing():
        assert again.counters() == asked
        again.count_up("times")


def test_a_transaction_commits_whole_or_leaves_nothing(catalogue: Catalogue) -> None:
    def fail() -> None:
        with catalogue.writing():
            decisions.append(catalogue, "plan", {"text": "x"}, by="Ada")
            with catalogue.writing():
                decisions.append(catalogue, "plan", {"text": "y"}, by="Ada")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail()
    assert decisions.last_seq(catalogue) == 0
    assert not catalogue.in_transaction()


def test_no_change_outside_of_a_transaction(catalogue: Catalogue) -> None:
    with pytest.raises(RuntimeError, match="outside"):
        catalogue.execute("DELETE FROM picture")


def test_one_view_over_several_reads(catalogue: Catalogue) -> None:
    with catalogue.reading():
        assert decisions.last_seq(catalogue) == 0
        with Catalogue(catalogue.path) as other, other.writing():
            decisions.append(other, "plan", {"text": "x"}, by="Ada")
        assert decisions.last_seq(catalogue) == 0
    assert decisions.last_seq(catalogue) == 1


def test_busy_is_said_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "BUSY_SECONDS", 0.05)
    path = tmp_path / "catalogue.db"
    with Catalogue(path, create=True) as one, Catalogue(path) as other, one.writing():
        with pytest.raises(ArchiveBusy, match="has been writing"), other.writing():
            pass
        assert not other.in_transaction()


def test_a_catalogue_that_may_only_be_read_can_be_asked_but_not_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "catalogue.db"
    with Catalogue(path, create=True) as made, made.writing():
        decisions.append(made, "plan", {"text": "x"}, by="Ada")
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write anything but a locked card
    with Catalogue(path) as locked:
        assert decisions.last_seq(locked) == 1
        with pytest.raises(ArchiveError, match="nothing can be changed"), locked.writing():
            decisions.append(locked, "plan", {"text": "y"}, by="Ada")
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == before
    monkeypatch.setattr(migrations, "pending", lambda _: ["later"])
    with pytest.raises(ArchiveError, match="earlier version"):
        Catalogue(path)


def test_a_full_disk_is_said_in_words(catalogue: Catalogue) -> None:
    """The largest size a database may have stands in for a disk: SQLite reports both alike (SQLITE_FULL)."""
    catalogue._connection.execute(
        f"PRAGMA max_page_count={catalogue._connection.execute('PRAGMA page_count').fetchone()[0]}"
    )

    def fill() -> None:
        with catalogue.writing():
            for _ in range(100):
                decisions.append(catalogue, "plan", {"text": "x" * 100_000}, by="Ada")

    with pytest.raises(ArchiveError, match="disk is full"):
        fill()
    assert decisions.last_seq(catalogue) == 0


def test_a_file_that_took_its_place_is_noticed(catalogue: Catalogue, tmp_path: Path) -> None:
    with Catalogue(tmp_path / "other.db", create=True):
        pass
    (tmp_path / "other.db").replace(catalogue.path)
    with pytest.raises(ArchiveBusy, match="made anew"), catalogue.writing():
        pass


def test_sixty_four_bits_of_a_hash_survive(catalogue: Catalogue) -> None:
    for bits in (0, 1, 1 << 63, (1 << 64) - 1, 0x8000_0000_0000_0001):
        signed = pictures._signed(bits)
        row = catalogue.row("SELECT ?", (signed,))
        assert row is not None
        assert row[0] & 0xFFFF_FFFF_FFFF_FFFF == bits


def test_what_a_run_owes(catalogue: Catalogue) -> None:
    with catalogue.writing():
        pending.done(catalogue, pending.GROUPING)
        assert not pending.owed(catalogue, pending.GROUPING)
        pending.owe(catalogue, pending.GROUPING)
        pending.owe(catalogue, pending.GROUPING)
    assert pending.owed(catalogue, pending.GROUPING)


def test_masks_pass_over_rows_that_are_not_there(catalogue: Catalogue) -> None:
    loaded = columns.load(catalogue)
    import numpy as np

    assert loaded.mask_of(np.array([1, 2], dtype=np.int32)).size == 0


_CLIP = (
    "INSERT INTO medium (sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width, height,"
    " orientation, make, model, serial, camera, claims, facts, warnings, pair_id, shown)"
    " VALUES (?, 'clip', '', ?, '', 0, 0, 0, 0, 0, 1, '', '', '', '', '[]', '{}', '[]', '', 1)"
)


@pytest.mark.parametrize(
    ("typed", "file"),
    [
        ("cc0ff", "one.mp4"),  # the beginning of an id
        ("C0FF", "other.mp4"),  # an id comes before a checksum that begins alike
        (f"c0ff{'e' * 60}", "one.mp4"),  # a whole checksum that begins with a c
        ("c0ffee", "one.mp4"),
        ("0ff1", "other.mp4"),
        ("coil.mp4", "coil.mp4"),  # a name is no hex number
    ],
)
def test_a_clip_is_found_by_its_id_its_checksum_and_its_name(catalogue: Catalogue, typed: str, file: str) -> None:
    clips = {"one.mp4": f"c0ff{'e' * 60}", "other.mp4": f"0ff1{'0' * 60}", "coil.mp4": "d" * 64}
    with catalogue.writing():
        for name, sha256 in clips.items():
            catalogue.execute(_CLIP, (sha256, name))
    assert media.find_clip(catalogue, typed).file == file
    with pytest.raises(NoSuchId):
        media.find_clip(catalogue, "c0fff")


QUESTIONS: dict[str, Callable[[Catalogue], object]] = {
    "a picture by its beginning": lambda c: pictures.find(c, "p00"),
    "neighbours": lambda c: pictures.neighbours(c, 1),
    "of a medium": lambda c: pictures.of_medium(c, "x"),
    "of a group": lambda c: pictures.of_group(c, 1),
    "tagged": lambda c: tags.rids_with(c, Dimension.RUN, ["W03"]),
    "tagged, for a mask": lambda c: columns.rows_with(c, Dimension.RUN, ["W03"]),
    "said of a picture": lambda c: decisions.live(c, "tag", "p00"),
    "the plan in force": lambda c: decisions.last_live(c, "plan"),
    "last about": lambda c: decisions.last_about(c, "refused", "file:x"),
    "captions of a clip": lambda c: media.cues_of_clip(c, "x"),
    "where content was met": lambda c: paths.sightings_of(c, ["x"]),
    "times of one camera": lambda c: list(pictures.times_to_resolve(c, "Keelson K-1")),
    "decision by its beginning": lambda c: decisions.complete_uid(c, "abcd"),
}


@pytest.mark.parametrize("name", QUESTIONS)
def test_questions_use_an_index(catalogue: Catalogue, name: str) -> None:
    """No question that is asked for a page walks over all pictures, media, tags or decisions."""
    asked: list[str] = []
    with catalogue.writing():
        catalogue.execute(
            "INSERT INTO medium (sha256, kind, format, file, stored, in_place, size_bytes, mtime_ns, width,"
            " height, orientation, make, model, serial, camera, claims, facts, warnings, pair_id, shown)"
            " VALUES ('x', 'photo', '', '', '', 0, 0, 0, 0, 0, 1, '', '', '', '', '[]', '{}', '[]', '', 1)"
        )
        catalogue.execute("INSERT INTO picture (id, kind, sha256, width, height, taken_ms, basis, why, thumb, page,"
                          " hold_ms, chosen) VALUES ('p00', 'photo', 'x', 1, 1, 5, '', '', '', '', 0, '')")  # fmt: skip
    catalogue._connection.set_trace_callback(asked.append)
    with suppress(NoSuchId):
        QUESTIONS[name](catalogue)
    catalogue._connection.set_trace_callback(None)
    assert asked
    for statement in asked:
        if not statement.lstrip().upper().startswith("SELECT"):
            continue
        for row in catalogue._connection.execute(f"EXPLAIN QUERY PLAN {statement}"):
            assert not str(row[3]).startswith("SCAN"), f"{row[3]}: {statement}"


def test_errors_of_ours_stay_what_they_are(catalogue: Catalogue) -> None:
    with pytest.raises(sqlite3.OperationalError, match="syntax"):
        catalogue.rows("SELEKT 1")
