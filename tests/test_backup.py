"""Backups that can be trusted: consistent while in use, incremental, checked; restoring, moving, finding again, rot."""

from __future__ import annotations

import errno
import json
import os
import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import Mock

import pytest
from click.testing import CliRunner

from lastlook import archive, backup, care, care_log, deciding, ingest, verify
from lastlook.archive import Archive
from lastlook.care_log import object_path
from lastlook.catalogue import Catalogue, dump, media, pictures
from lastlook.cli.main import root as command
from lastlook.errors import ArchiveError, UsageError
from lastlook.progress import Progress, Stage
from lastlook.relink import lost, relink
from lastlook.store import Store
from tests import lightship
from tests.archives import Inline

NOW = datetime(2027, 3, 14, 10, 15, tzinfo=UTC)


@pytest.fixture
def made(lightship_archive: Archive, tmp_path: Path) -> Archive:
    return lightship.copy(lightship_archive, tmp_path)


def content(of: Archive) -> str:
    with Catalogue(of.catalogue, look_only=True) as catalogue:
        return dump.fingerprint(catalogue)


def faults(of: Archive) -> list[verify.Fault]:
    disposable = (verify.Fault.DERIVED_MISSING, verify.Fault.INDEX)
    return [one.fault for one in verify.verify(of).findings if one.fault not in disposable]


def test_what_is_restored_is_equal_to_what_was_backed_up(made: Archive, tmp_path: Path) -> None:
    done = backup.backup(made, tmp_path / "disk", now=NOW)
    assert done.good
    assert done.state.name == "20270314T101500Z"
    back = backup.restore(tmp_path / "disk", tmp_path / "back")
    assert not back.problems
    assert content(back.archive) == content(made)
    assert (back.archive.root / "decisions.jsonl").read_bytes() == made.decisions.read_bytes()
    assert not faults(back.archive)
    for one in made.originals.rglob("*.*"):
        there = back.archive.root / one.relative_to(made.root)
        assert there.read_bytes() == one.read_bytes()
        assert not there.stat().st_mode & 0o222


def test_a_second_backup_copies_only_what_is_new(made: Archive, tmp_path: Path) -> None:
    first = backup.backup(made, tmp_path / "disk", now=NOW)
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "disk" / "originals").rglob("*") if path.is_file()}
    with Store(made) as store:
        deciding.tag(store, ["p27ee"], [], "Said between two backups.")
    second = backup.backup(made, tmp_path / "disk", now=NOW + timedelta(days=1))
    assert (second.copied, second.kept) == (0, first.copied)
    assert before == {path: path.stat().st_mtime_ns for path in before}
    older = backup.restore(tmp_path / "disk", tmp_path / "older", state=first.state.name)
    newer = backup.restore(tmp_path / "disk", tmp_path / "newer")
    for back, caption in ((older, "Feed landed"), (newer, "Said between")):
        with Store(back.archive) as store:
            assert pictures.find(store.catalogue, "p27ee").caption.startswith(caption)


def test_a_backup_taken_while_somebody_decides_is_whole(made: Archive, tmp_path: Path) -> None:
    # Another connection is in the middle of a transaction: SQLite's backup sees what was committed, and only that.
    writer = sqlite3.connect(made.catalogue, isolation_level=None)
    writer.execute("BEGIN IMMEDIATE")
    writer.execute("UPDATE picture SET caption = 'half done'")

    def decide(progress: Progress) -> None:
        if progress.stage is Stage.COPY and progress.done == 3:
            writer.execute("ROLLBACK")
            with Store(made) as store:
                deciding.tag(store, ["p27ee"], [], "Said while it was copied.")

    try:
        before = content(made)
        backup.backup(made, tmp_path / "disk", report=decide, now=NOW)
    finally:
        writer.close()
    back = backup.restore(tmp_path / "disk", tmp_path / "back")
    assert content(back.archive) == before
    assert not faults(back.archive)


def test_an_interrupted_backup_leaves_no_state_and_the_next_goes_on(made: Archive, tmp_path: Path) -> None:
    def stop(progress: Progress) -> None:
        if progress.done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backup.backup(made, tmp_path / "disk", report=stop, now=NOW)
    assert not backup.states_of(tmp_path / "disk")
    done = backup.backup(made, tmp_path / "disk", now=NOW)
    assert done.kept == 5
    assert done.good
    assert not [path for path in (tmp_path / "disk" / "incoming").iterdir() if path.suffix in {".part", ".staged"}]

    with pytest.raises(KeyboardInterrupt):
        backup.restore(tmp_path / "disk", tmp_path / "back", report=stop)
    assert not (tmp_path / "back").exists()
    assert not list(tmp_path.glob(".back*"))


def test_a_damaged_original_is_not_copied_over_a_good_one(made: Archive, tmp_path: Path) -> None:
    backup.backup(made, tmp_path / "disk", now=NOW)
    victim = next(made.originals.rglob("BL300172.JPG"))
    rot(victim)
    # The log does not trust itself: the copy in the backup is read before it is named as good.
    found = care.check(made, now=NOW)
    (finding,) = [one for one in found.findings if one.fault is verify.Fault.ORIGINAL_CHANGED]
    assert finding.subject.endswith("BL300172.JPG")
    with Catalogue(made.catalogue, look_only=True) as catalogue:
        medium = next(one for one in media.every(catalogue) if one.file == "BL300172.JPG")
    good = object_path(tmp_path / "disk", medium.sha256)
    assert str(good) in finding.hint or "sample_media" in finding.hint
    assert backup.backup(made, tmp_path / "disk", now=NOW).good  # the backup has it from before
    fresh = backup.backup(made, tmp_path / "other", now=NOW)
    assert not fresh.good
    assert fresh.damaged[0].startswith("BL300172.JPG is damaged")
    # The copy in the backup rots as well: no place is called good that is not, and a thorough backup says so.
    rot(good)
    thorough = backup.backup(made, tmp_path / "disk", check_all=True, now=NOW)
    assert thorough.damaged
    assert good.with_name(good.name + ".damaged").is_file()


def rot(path: Path) -> None:
    """One bit turns; size and date stay, as where a disk fails."""
    status = path.stat()
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o600)
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def test_a_sample_reads_those_first_that_were_not_read_for_longest(made: Archive) -> None:
    with Catalogue(made.catalogue, look_only=True) as catalogue:
        known = media.every(catalogue)
    rounds = 0
    seen: set[str] = set()
    while len(seen) < len(known):
        chosen = care.choose(known, care_log.last_read(made), 0.25)
        assert not seen & chosen or len(seen | chosen) == len(known)
        verified = care.check(made, share=0.25, now=NOW + timedelta(days=rounds))
        assert verified.files == len(chosen)
        seen |= chosen
        rounds += 1
    assert rounds == 4
    ages = care.ages(made, NOW + timedelta(days=rounds))
    assert ages.unread == 0
    assert ages.due == ("backup",)


@pytest.mark.parametrize("said", ["0", "-1%", "101%", "some"])
def test_a_share_that_cannot_be_is_refused(said: str) -> None:
    assert care.share_of("5%") == care.share_of("5") == 0.05
    with pytest.raises(UsageError, match="no share"):
        care.share_of(said)


def test_a_torn_log_is_read_as_far_as_it_goes(made: Archive) -> None:
    care_log.add(made, "backup", {"where": "/media/disk", "good": True}, NOW)
    with (made.root / care_log.NAME).open("a") as file:
        file.write('{"what":"check","at":"2027-03-14T1\n[]\n{"what":3,"at":"2027-03-14T10:00:00+00:00"}\n')
    ages = care.ages(made, NOW + timedelta(days=3))
    assert ages.backup_days == pytest.approx(3)
    assert ages.check_days is None
    assert ages.where == "/media/disk"


def test_clips_left_in_place_are_found_again_wherever_they_are(tmp_path: Path) -> None:
    source = tmp_path / "phone"
    source.mkdir()
    for name in ("BL300127.JPG", "BL300140.JPG"):
        shutil.copy(next(lightship.MEDIA.rglob(name)), source)
    kept = archive.create(tmp_path / "build", name="B", zone="UTC")
    with Store(kept, create=True) as store, ThreadPoolExecutor(1) as executor:
        ingest.ingest(store, [source], executor=executor, leave_in_place=True)
    backup.backup(kept, tmp_path / "disk", now=NOW)
    # The archive goes to another machine, the photos to another folder under other names.
    shutil.move(kept.root, tmp_path / "moved")
    (tmp_path / "elsewhere" / "deep").mkdir(parents=True)
    for number, path in enumerate(sorted(source.iterdir())):
        shutil.move(path, tmp_path / "elsewhere" / "deep" / f"{number}.jpeg")
    moved = archive.open_at(tmp_path / "moved")
    with Store(moved) as store:
        assert len(lost(store)) == 2
        done = relink(store, [tmp_path / "elsewhere"])
        assert len(done.found) == 2
        assert not done.missing
        assert not lost(store)
        assert not relink(store, [tmp_path / "elsewhere"]).found
        with pytest.raises(UsageError, match="there is no"):
            relink(store, [tmp_path / "nowhere"])
    assert not faults(moved)
    # Restored where the photos are not, they come back with the archive.
    shutil.rmtree(tmp_path / "elsewhere")
    back = backup.restore(tmp_path / "disk", tmp_path / "back")
    assert back.moved == 2
    assert not faults(back.archive)


def test_a_backup_goes_where_it_may_and_nowhere_else(made: Archive, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="inside its archive"):
        backup.backup(made, made.root / "backup")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("mine")
    with pytest.raises(UsageError, match="holds no backup"):
        backup.backup(made, tmp_path / "full")
    other = archive.create(tmp_path / "other", name="Other", zone="UTC")
    with Store(other, create=True) as store, ThreadPoolExecutor(1) as executor:
        ingest.ingest(store, [next(lightship.MEDIA.rglob("BL300127.JPG"))], executor=executor)
    backup.backup(other, tmp_path / "disk", now=NOW)
    with pytest.raises(UsageError, match="another archive"):
        backup.backup(made, tmp_path / "disk")
    with pytest.raises(UsageError, match="holds no backup"):
        backup.restore(tmp_path / "full", tmp_path / "new")
    with pytest.raises(ArchiveError, match="is there already"):
        backup.restore(tmp_path / "disk", made.root)


def test_the_commands(made: Archive, tmp_path: Path) -> None:
    def run(*arguments: str) -> tuple[int, str]:
        done = CliRunner().invoke(command, arguments, standalone_mode=False)
        assert done.exception is None, done.exception
        return done.return_value, done.stdout

    where = ("--archive", str(made.root))
    code, text = run("care", *where)
    assert code == 1
    assert "Last good backup: never." in text
    code, text = run("backup", str(tmp_path / "disk"), "--json", "--quiet", *where)
    assert code == 0
    assert json.loads(text)["copied"] > 60
    assert run("verify", "--sample", "10%", "--quiet", *where)[0] == 0
    code, text = run("care", "--json", *where)
    assert code == 0
    assert json.loads(text)["due"] == []
    code, text = run("restore", str(tmp_path / "disk"), str(tmp_path / "back"), "--json", "--quiet")
    assert code == 0
    assert json.loads(text)["problems"] == []
    assert run("relink", str(tmp_path), "--quiet", *where) == (0, "Every original is where it should be.\n")


@pytest.fixture
def little(tmp_path: Path) -> Archive:
    """A build of one photo."""
    made = archive.create(tmp_path / "build", name="B", zone="UTC")
    with Store(made, create=True) as store, ThreadPoolExecutor(1) as executor:
        ingest.ingest(store, [next(lightship.MEDIA.rglob("BL300127.JPG"))], executor=executor)
    return made


def test_a_clock_that_was_ahead_hides_no_newer_state(little: Archive, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    backup.backup(little, disk, now=NOW + timedelta(days=3000))
    for number in range(2):
        with Store(little, by="Ada") as store:
            deciding.tag(store, [pictures.by_rids(store.catalogue, [1])[0].id], [], f"Caption {number}.")
        backup.backup(little, disk, now=NOW + timedelta(days=number))
    assert [state.name for state in backup.states_of(disk)] == [
        "20350531T101500Z",
        "20350531T101500Z-0002",
        "20350531T101500Z-0003",
    ]
    back = backup.restore(disk, tmp_path / "back")
    with Store(back.archive) as store:
        assert pictures.by_rids(store.catalogue, [1])[0].caption == "Caption 1."
    # Nor does what it noted pass for a backup of today, for years.
    care_log.add(little, "check", {"findings": 0, "read": []}, NOW + timedelta(days=3000))
    found = care.ages(little, NOW + timedelta(days=9))
    assert found.backup_days == pytest.approx(8)
    assert found.check_days is None
    assert found.due == ("backup", "check")


def test_a_damaged_state_does_not_end_all_backups(little: Archive, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    first = backup.backup(little, disk, now=NOW).state
    (backup.backup(little, disk, now=NOW + timedelta(days=1)).state / "catalogue.db").write_bytes(b"no database")
    assert backup.backup(little, disk, now=NOW + timedelta(days=2)).good
    (first / "catalogue.db").write_bytes(b"no database")
    assert not backup.restore(disk, tmp_path / "back").problems


def test_no_way_around_leads_a_backup_into_its_archive(little: Archive, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(little.originals)
    with pytest.raises(UsageError, match="inside its archive"):
        backup.backup(little, tmp_path / "way" / "backup")
    backup.backup(little, tmp_path / "disk", now=NOW)
    with pytest.raises(UsageError, match="inside its backup"):
        backup.restore(tmp_path / "disk", tmp_path / "disk" / "back")
    (tmp_path / "place").mkdir()
    (tmp_path / "named").symlink_to(tmp_path / "place")
    assert backup.restore(tmp_path / "disk", tmp_path / "named").archive.root == tmp_path / "place"


def test_what_was_restored_is_well_before_it_is_looked_at(little: Archive, tmp_path: Path) -> None:
    backup.backup(little, tmp_path / "disk", now=NOW)
    back = backup.restore(tmp_path / "disk", tmp_path / "back").archive
    where = ["--quiet", "--archive", str(back.root)]
    done = CliRunner().invoke(command, ["verify", *where], standalone_mode=False)
    assert "2 findings, nothing to do." in done.stdout
    assert done.return_value == 0
    (original,) = (path for path in back.originals.rglob("*") if path.is_file())
    original.chmod(0o644)
    original.write_bytes(original.read_bytes()[:-1] + b"\x00")
    done = CliRunner().invoke(command, ["verify", "--json", *where], standalone_mode=False)
    assert done.return_value == 1
    assert {one["kind"]: one["heals"] for one in json.loads(done.stdout)["findings"]} == {
        "original-changed": False,
        "derived-missing": True,
        "index": True,
    }


def test_a_file_of_the_same_name_is_no_find_and_one_of_two_the_same_is_taken(tmp_path: Path) -> None:
    source = tmp_path / "phone"
    source.mkdir()
    for name in ("BL300127.JPG", "BL300140.JPG"):
        shutil.copy(next(lightship.MEDIA.rglob(name)), source)
    kept = archive.create(tmp_path / "build", name="B", zone="UTC")
    with Store(kept, create=True) as store:
        ingest.ingest(store, [source], executor=Inline(), leave_in_place=True)
    new = tmp_path / "new"
    for folder in ("a", "b"):
        (new / folder).mkdir(parents=True)
        shutil.copy(source / "BL300127.JPG", new / folder / "renamed.jpg")
    shutil.rmtree(source)
    (new / "BL300140.JPG").write_bytes(b"another picture of that name")
    with Store(kept) as store:
        done = relink(store, [new])
        assert done.found == (("BL300127.JPG", new / "a" / "renamed.jpg"),)
        assert done.missing == ("BL300140.JPG",)
        assert done.unlike == (("BL300140.JPG", new / "BL300140.JPG"),)
        assert [medium.file for medium in lost(store)] == ["BL300140.JPG"]
        (new / "a" / "renamed.jpg").unlink()  # the other one of the two serves when the first goes
        assert relink(store, [new]).found == (("BL300127.JPG", new / "b" / "renamed.jpg"),)
    told = CliRunner().invoke(command, ["relink", str(new), "--quiet", "--archive", str(kept.root)]).output
    assert f"{new / 'BL300140.JPG'} has the name of BL300140.JPG but other content; it was left alone" in told


def test_a_backup_in_the_middle_of_an_ingest_is_whole(little: Archive, tmp_path: Path) -> None:
    """What was taken in by then is in it with its original; nothing that is half there."""
    states: list[backup.Backed] = []

    def back_up(progress: Progress) -> None:
        if not states:
            states.append(backup.backup(little, tmp_path / "disk", now=NOW))

    with Store(little) as store:
        paths = [next(lightship.MEDIA.rglob(name)) for name in ("BL300140.JPG", "BL300172.JPG")]
        ingest.ingest(store, paths, executor=Inline(), report=back_up)
    assert states[0].good
    back = backup.restore(tmp_path / "disk", tmp_path / "back")
    assert not back.problems
    assert not faults(back.archive)
    later = backup.backup(little, tmp_path / "disk", now=NOW + timedelta(hours=1))
    assert later.copied + states[0].copied == 3


def test_a_full_disk_leaves_no_state_and_no_half_archive(
    little: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = Mock(side_effect=OSError(errno.ENOSPC, "No space left on device"))
    with monkeypatch.context() as patched:
        patched.setattr(backup, "_write_list", full)
        with pytest.raises(ArchiveError, match="could not be written: no space left on device"):
            backup.backup(little, tmp_path / "disk", now=NOW)
    assert not backup.states_of(tmp_path / "disk")
    assert backup.backup(little, tmp_path / "disk", now=NOW).good
    with monkeypatch.context() as patched:
        patched.setattr(os, "utime", full)
        with pytest.raises(ArchiveError, match="could not be written: no space left on device"):
            backup.restore(tmp_path / "disk", tmp_path / "back")
    assert not (tmp_path / "back").exists()
    assert not list(tmp_path.glob(".back*"))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine")
    with pytest.raises(ArchiveError, match="is there already and not empty"):
        backup.restore(tmp_path / "disk", tmp_path / "mine")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["letter.txt"]
