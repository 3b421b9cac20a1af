"""Every kind of finding, each made by real damage; and looking changes nothing, not even beside the files."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from lastlook import deciding, recording, verify
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, paths, pictures
from lastlook.closing.records import ViewKind
from lastlook.deciding import Target
from lastlook.records import Closing, Dimension
from lastlook.store import Store
from lastlook.textindex import TextIndex
from lastlook.verify import Fault
from tests import archives
from tests.archives import photo, state, take


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two photos, one of them tagged; look, do not change."""
    folder = tmp_path_factory.mktemp("whole")
    made = archives.make(folder / "lv40")
    take(made, photo(folder / "IMG_1.jpg", 50), photo(folder / "IMG_2.jpg", 51))
    with Store(made, by="Ada") as store:
        first = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))[0]
        deciding.tag(store, [first.id], [Target(Dimension.RUN, "W03")], "splice")
    return made


@pytest.fixture
def lv40(whole: Archive, tmp_path: Path) -> Archive:
    shutil.copytree(whole.root, tmp_path / "lv40")
    return Archive(tmp_path / "lv40", whole.settings)


def an_original(where: Archive) -> Path:
    path = next(where.originals.rglob("IMG_1.jpg"))
    path.chmod(0o644)
    return path


def flip(path: Path, at: int, bits: int = 0xFF) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= bits
    path.write_bytes(content)


def sql(where: Archive, *statements: str) -> None:
    connection = sqlite3.connect(where.catalogue)
    try:
        for statement in statements:
            connection.execute(statement)
        connection.commit()
    finally:
        connection.close()


def one_bit(where: Archive) -> None:
    path = an_original(where)
    flip(path, path.stat().st_size // 2, 0x01)


def delete_original(where: Archive) -> None:
    an_original(where).unlink()


def cut_original(where: Archive) -> None:
    path = an_original(where)
    os.truncate(path, path.stat().st_size - 1)


def folder_in_its_place(where: Archive) -> None:
    path = an_original(where)
    size = path.stat().st_size
    path.unlink()
    path.symlink_to(path.name)  # a link to itself: there, but cannot be read
    assert size


def extra_file(where: Archive) -> None:
    (where.originals / "2026" / "stray.jpg").write_bytes(b"stray")


def cut_plain(where: Archive) -> None:
    where.decisions.write_bytes(where.decisions.read_bytes()[:-30])


def flip_plain(where: Archive) -> None:
    flip(where.decisions, 3)


def other_word_in_plain(where: Archive) -> None:
    text = where.decisions.read_text(encoding="utf-8")
    assert "splice" in text
    where.decisions.write_text(text.replace("splice", "spliec"), encoding="utf-8")


def longer_plain(where: Archive) -> None:
    lines = where.decisions.read_text(encoding="utf-8").splitlines(keepends=True)
    extra = lines[-1].replace('"seq":4', '"seq":5').replace('"uid":"', '"uid":"ffff')
    where.decisions.write_text("".join([*lines, extra]), encoding="utf-8")


def shorter_plain(where: Archive) -> None:
    lines = where.decisions.read_text(encoding="utf-8").splitlines(keepends=True)
    where.decisions.write_text("".join(lines[:-1]), encoding="utf-8")


def no_plain(where: Archive) -> None:
    where.decisions.unlink()


def other_tag(where: Archive) -> None:
    sql(where, "UPDATE tag SET target = 'W04' WHERE target = 'W03'")


def lost_picture(where: Archive) -> None:
    """As a rebuild without the original leaves it: decisions that speak of what is not there."""
    sql(where, "DELETE FROM tag", "DELETE FROM proposal", "DELETE FROM picture", "DELETE FROM medium")


def no_thumb(where: Archive) -> None:
    next((where.derived / "thumb").rglob("*.jpg")).unlink()


def leftover(where: Archive) -> None:
    (where.incoming / "0123.staged").write_bytes(b"x")


def no_index(where: Archive) -> None:
    shutil.rmtree(where.index)


def foreign_index(where: Archive) -> None:
    (where.index / "CURRENT").write_text("g999-0123456789abcdef\n", encoding="utf-8")


def index_lacks(where: Archive) -> None:
    with TextIndex.open(where.index) as index:
        index.remove([1])


def index_knows_more(where: Archive) -> None:
    from lastlook.textindex import Document

    with TextIndex.open(where.index) as index:
        index.replace([Document(999, "ghost")])


def index_waits(where: Archive) -> None:
    sql(where, "INSERT INTO unindexed SELECT rid FROM picture")


def no_catalogue(where: Archive) -> None:
    where.catalogue.unlink()


def empty_catalogue(where: Archive) -> None:
    where.catalogue.write_bytes(b"")


def text_for_catalogue(where: Archive) -> None:
    where.catalogue.write_text("this is no catalogue\n" * 500, encoding="utf-8")


def cut_catalogue(where: Archive) -> None:
    os.truncate(where.catalogue, where.catalogue.stat().st_size // 2)


def flipped_page(where: Archive) -> None:
    for page in range(2, where.catalogue.stat().st_size // 4096):
        flip(where.catalogue, page * 4096)  # the kind of each page of a table or index


def foreign_keys(where: Archive) -> None:
    sql(where, "DELETE FROM medium WHERE rowid = 1")


DAMAGE: list[tuple[Callable[[Archive], None], Fault, str]] = [
    (one_bit, Fault.ORIGINAL_CHANGED, "damaged or was changed"),
    (delete_original, Fault.ORIGINAL_MISSING, "is missing"),
    (cut_original, Fault.ORIGINAL_CHANGED, "it had"),
    (folder_in_its_place, Fault.ORIGINAL_UNREADABLE, ""),
    (extra_file, Fault.ORIGINAL_UNKNOWN, "does not know it"),
    (cut_plain, Fault.DECISIONS, "torn"),
    (flip_plain, Fault.DECISIONS, "line 1 cannot be read"),
    (other_word_in_plain, Fault.DECISIONS, "differs"),
    (longer_plain, Fault.DECISIONS, "not in the catalogue"),
    (shorter_plain, Fault.DECISIONS, "lacks 1 decision that"),
    (no_plain, Fault.DECISIONS, "is missing"),
    (other_tag, Fault.TAGS, "not what was decided"),
    (lost_picture, Fault.TAGS, "speaks of a picture that is not there"),
    (lost_picture, Fault.ORIGINAL_MISSING, "was not there when"),
    (no_thumb, Fault.DERIVED_MISSING, "1 "),
    (leftover, Fault.LEFTOVER, "was stopped"),
    (no_index, Fault.INDEX, ""),
    (foreign_index, Fault.INDEX, ""),
    (index_lacks, Fault.INDEX, "does not know 1 picture"),
    (index_knows_more, Fault.INDEX, "knows 1 picture of before"),
    (index_waits, Fault.INDEX, "still to learn"),
    (no_catalogue, Fault.CATALOGUE, "is missing"),
    (empty_catalogue, Fault.CATALOGUE, "empty"),
    (text_for_catalogue, Fault.CATALOGUE, "not a database"),
    (cut_catalogue, Fault.CATALOGUE, ""),
    (flipped_page, Fault.CATALOGUE, ""),
    (foreign_keys, Fault.CATALOGUE, "points to nothing"),
]


def test_a_whole_archive_has_no_findings(whole: Archive) -> None:
    found = verify.verify(whole)
    assert found.findings == ()
    assert found.files == 2


def test_what_a_view_says_of_a_picture_is_no_finding_until_its_tags_are_changed(lv40: Archive) -> None:
    with Store(lv40, by="Ada") as store:
        both = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        recording.view(store, [one.id for one in both], [Target(Dimension.RUN, "W04")], ViewKind.CONTEXT)
        deciding.untag(store, [both[1].id], [Target(Dimension.RUN, "W04")])  # the newer word counts
    assert verify.verify(lv40).findings == ()
    sql(lv40, "DELETE FROM tag WHERE state = 'rejected'")
    assert [finding.fault for finding in verify.verify(lv40).findings] == [Fault.TAGS]


@pytest.mark.parametrize(("damage", "fault", "words"), DAMAGE, ids=[f"{one[0].__name__}-{one[1]}" for one in DAMAGE])
def test_each_damage_is_found_and_looking_changes_nothing(
    lv40: Archive, damage: Callable[[Archive], None], fault: Fault, words: str
) -> None:
    damage(lv40)
    before = state(lv40.root)
    findings = verify.verify(lv40).findings
    assert any(finding.fault is fault and words in finding.what for finding in findings), findings
    assert all(finding.what and finding.hint for finding in findings)
    assert state(lv40.root) == before


def test_every_fault_has_a_test() -> None:
    assert {fault for _, fault, _ in DAMAGE} == set(Fault)


def test_every_finding_is_gathered(lv40: Archive) -> None:
    for damage in (one_bit, extra_file, cut_plain, no_thumb, leftover, no_index):
        damage(lv40)
    faults = {finding.fault for finding in verify.verify(lv40).findings}
    assert faults >= {
        Fault.ORIGINAL_CHANGED,
        Fault.ORIGINAL_UNKNOWN,
        Fault.DECISIONS,
        Fault.DERIVED_MISSING,
        Fault.LEFTOVER,
        Fault.INDEX,
    }


def test_quick_compares_sizes_only(lv40: Archive) -> None:
    one_bit(lv40)
    assert verify.verify(lv40, read_all=False).findings == ()
    cut_original(lv40)
    assert [finding.fault for finding in verify.verify(lv40, read_all=False).findings] == [Fault.ORIGINAL_CHANGED]


def test_while_somebody_writes(lv40: Archive) -> None:
    with Catalogue(lv40.catalogue) as writer, writer.writing():
        paths.drop_problem(writer, "x")
        assert verify.verify(lv40).findings == ()


def test_what_a_killed_process_left_in_the_log_is_read_along(lv40: Archive) -> None:
    """A process that died leaves its write-ahead log: what it committed counts."""
    code = f"""
import os, pathlib, sys
from lastlook.archive import open_at
from lastlook import deciding
from lastlook.store import Store
store = Store(open_at(pathlib.Path({str(lv40.root)!r})), by="Ada")
deciding.close(store, "O4", "2026-03-27")
os._exit(9)
"""
    subprocess.run([sys.executable, "-c", code], check=False)
    assert lv40.catalogue.with_name("catalogue.db-wal").stat().st_size
    log = lv40.catalogue.with_name("catalogue.db-wal").read_bytes()
    assert verify.verify(lv40).findings == ()
    assert lv40.catalogue.with_name("catalogue.db-wal").read_bytes() == log
    with Store(lv40) as store:
        assert [closing.opening for closing in _closings(store)] == ["O4"]


def _closings(store: Store) -> list[Closing]:
    from lastlook.catalogue import closings

    return list(closings.every(store.catalogue))
