"""The catalogue made anew from originals and decisions alone is equal to the one that was lost, in everything."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import pytest

from lastlook import deciding, grouping, planning, stills_by_hand, verify
from lastlook import rebuild as rebuild_module
from lastlook.archive import Archive
from lastlook.catalogue import Catalogue, decisions, media, paths, pictures, plain
from lastlook.deciding import Target
from lastlook.errors import ArchiveBusy, ArchiveDamaged
from lastlook.locking import held
from lastlook.rebuild import Rebuilt, rebuild
from lastlook.records import ClockCorrection, Dimension
from lastlook.store import Store
from tests import archives
from tests.archives import Inline, contents, photo, take

LATER_PLAN = archives.PLAN.replace('zone = "Europe/Copenhagen"', 'zone = "Atlantic/Faroe"')


def tell_a_whole_story(where: Archive, bench: Path, elsewhere: Path) -> None:
    """Everything that an archive can hold: each kind of decision, some of them taken back, and every way of meeting."""
    take(where, bench)
    with Store(where, by="Ada") as store:
        every = pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue))
        photos = [picture for picture in every if picture.clip_ms is None]
        clip = next(medium for medium in media.every(store.catalogue, "clip") if not medium.belongs_to)
        # Tags and captions, some taken back, one put back.
        lantern = [Target(Dimension.SUBASSEMBLY, "lan"), Target(Dimension.RUN, "w03")]
        deciding.tag(store, [photos[0].id, photos[1].id], lantern, "before the splice")
        refused, _ = deciding.untag(store, [photos[2].id], [Target(Dimension.SUBASSEMBLY, "DECK-M")])
        deciding.undo(store, refused.uid)
        put_back, _ = deciding.tag(store, [photos[3].id], [Target(Dimension.STEP, "S60")])
        _, undo = deciding.undo(store, put_back.uid)
        deciding.undo(store, undo.uid)
        # Stills by hand: one stays and is tagged, one is taken back, one of those is kept again.
        still, new = stills_by_hand.keep(store, clip.id, "0:02.5")
        assert new
        deciding.tag(store, [still.id], [], "the clamp")
        stills_by_hand.keep(store, clip.id, "0:03.1")
        deciding.undo(store)
        stills_by_hand.keep(store, clip.id, "0:04.4")
        deciding.undo(store)
        stills_by_hand.keep(store, clip.id, "0:04.4")
        # Closings and openings, the second one with a day only.
        deciding.close(store, "O4", "2026-03-27 11:29", "epoxy")
        deciding.reopen(store, "O4", "2026-03-28")
        deciding.close(store, "O4", "2026-03-29")
        deciding.close(store, "O2", "2026-03-30")
        deciding.undo(store)
        # Clocks, one taken back.
        camera = next(key for key, _ in media.cameras(store.catalogue) if key)
        deciding.correct_clock(store, ClockCorrection(camera, error_s=3600.0))
        reference = datetime(2026, 3, 12, 10, 0)  # noqa: DTZ001 - a camera's own wall clock
        deciding.correct_clock(store, ClockCorrection(camera, error_s=-60.0, reference=reference, drift_s_per_day=2.0))
        deciding.undo(store)
        # The plan, changed and moved to another zone.
        planning.load(store, LATER_PLAN, "plan.toml")
    # A copy met elsewhere, a file left in place and moved, a lost original put back, captions replaced.
    photo(elsewhere / "LAN" / "IMG_9.jpg", 90)
    take(where, elsewhere / "LAN", leave_in_place=True)
    (elsewhere / "LAN" / "IMG_9.jpg").rename(elsewhere / "LAN" / "moved.jpg")
    take(where, elsewhere / "LAN", leave_in_place=True)
    shutil.copytree(bench / "hull-f", elsewhere / "DKH")
    take(where, elsewhere / "DKH")
    captions = elsewhere / "DKH" / "CLIP_0001.srt"
    captions.write_text("1\n00:00:00,500 --> 00:00:06,000\nlantern plug, W05\n", encoding="utf-8")
    os.utime(captions, (archives.COPIED + 60, archives.COPIED + 60))
    take(where, elsewhere / "DKH")
    lost = next(where.originals.rglob("again.jpg"))
    lost.unlink()
    take(where, bench / "mast loom")
    # A file that breaks, is mended, and breaks again.
    torn = elsewhere / "torn.jpg"
    for content in (b"", photo(elsewhere / "good.jpg", 91).read_bytes(), b""):
        torn.write_bytes(content)
        take(where, torn)


@pytest.fixture(scope="module")
def told(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Look, do not change; `copied` is to be changed."""
    folder = tmp_path_factory.mktemp("told")
    made = archives.make(folder / "lv40")
    tell_a_whole_story(made, bench, folder / "elsewhere")
    return made


@pytest.fixture
def copied(told: Archive, tmp_path: Path) -> Archive:
    shutil.copytree(told.root, tmp_path / "lv40")
    return Archive(tmp_path / "lv40", told.settings)


def again(where: Archive) -> Rebuilt:
    return rebuild(where, executor=Inline())


def differences(one: Archive, other: Archive) -> dict[str, object]:
    before, after = contents(one), contents(other)
    return {
        name: [pair for pair in zip(before[name], after[name], strict=False) if pair[0] != pair[1]][:2]
        or (len(before[name]), len(after[name]))
        for name in before
        if before[name] != after[name]
    }


def lose(where: Archive) -> None:
    for path in where.root.glob("catalogue.db*"):
        path.unlink()


def test_equal_in_everything(told: Archive, copied: Archive) -> None:
    lose(copied)
    done = again(copied)
    assert done.problems == ()
    assert differences(told, copied) == {}
    assert verify.verify(copied).findings == ()


def test_on_threads_as_well(told: Archive, copied: Archive) -> None:
    lose(copied)
    with ThreadPoolExecutor(2) as executor:
        rebuild(copied, executor=executor)
    assert differences(told, copied) == {}


def test_twice_and_over_a_whole_one(told: Archive, copied: Archive) -> None:
    lines = copied.decisions.read_bytes()
    again(copied)
    again(copied)
    assert differences(told, copied) == {}
    assert copied.decisions.read_bytes() == lines
    kept = Archive(copied.root, copied.settings, catalogue_name="catalogue.before-rebuild.db")
    assert differences(told, kept) == {}
    assert not list(copied.root.glob("catalogue.rebuilding*"))


def test_whoever_has_it_open_sees_the_new_one(copied: Archive) -> None:
    with Catalogue(copied.catalogue) as other:
        before = other.counters()
        again(copied)
        assert other.counters() != before, "what is cached must be read again"
        assert pictures.every_rid(other)
        with other.writing():
            paths.drop_problem(other, "x")


def test_a_missing_original_is_listed_and_the_rest_goes_on(told: Archive, copied: Archive) -> None:
    gone = next(path for path in copied.originals.rglob("LV40_0002.jpg"))
    with Catalogue(told.catalogue) as catalogue:
        medium = next(
            one for one in media.every(catalogue) if told.original(one.stored, one.in_place).name == gone.name
        )
    content = gone.read_bytes()
    gone.unlink()
    done = again(copied)
    assert [problem.path for problem in done.problems] == [medium.stored]
    with Catalogue(copied.catalogue) as catalogue:
        assert media.get(catalogue, medium.sha256) is None
    assert any(finding.fault is verify.Fault.ORIGINAL_MISSING for finding in verify.verify(copied).findings)
    # Put back and rebuilt once more, all is as it was.
    gone.write_bytes(content)
    assert again(copied).problems == ()
    assert differences(told, copied) == {}


def test_a_lost_file_that_is_taken_in_again(copied: Archive, bench: Path) -> None:
    """Its second arrival counts; what was said of its picture stands again."""
    with Catalogue(copied.catalogue) as catalogue:
        medium = media.get(catalogue, paths.sightings(catalogue)[str(bench / "mast loom" / "LV40_0002.jpg")].sha256)
        assert medium is not None
        said = pictures.of_medium(catalogue, medium.sha256)[0].tags
    copied.original(medium.stored, medium.in_place).unlink()
    again(copied)
    assert take(copied, bench / "mast loom").added == 1
    with Catalogue(copied.catalogue) as catalogue:
        assert pictures.of_medium(catalogue, medium.sha256)[0].tags == said
    before = contents(copied)
    again(copied)
    assert contents(copied) == before


def test_a_changed_original_is_listed(copied: Archive) -> None:
    path = next(path for path in copied.originals.rglob("LV40_0002.jpg"))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.chmod(0o644)
    path.write_bytes(content)
    assert [problem.reason for problem in again(copied).problems] == ["is not what it was when it was taken in"]


def test_killed_in_the_middle_the_old_one_goes_on(
    told: Archive, copied: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever comes last before the swap, the swap itself: each failing there leaves the old catalogue."""

    class Killed(BaseException):
        pass

    def die(*_: object) -> None:
        raise Killed

    places: list[tuple[object, str]] = [
        (grouping, "regroup"),
        (rebuild_module, "_swap"),
        (decisions, "last_seq"),
    ]
    for module, name in places:
        with monkeypatch.context() as patch:
            patch.setattr(module, name, die)
            with pytest.raises(Killed):
                again(copied)
        assert differences(told, copied) == {}
        assert verify.verify(copied, read_all=False).findings == ()


def test_not_while_an_ingest_is_at_work(copied: Archive) -> None:
    with held(copied.incoming / "ingest.lock", "x"), pytest.raises(ArchiveBusy, match="ingest is at work"):
        again(copied)


# ------------------------------------------------------------------------------------------------ damaged decisions


def _older(copied: Archive, told: Archive) -> None:
    """An old copy of the catalogue is put back: the plain file holds more."""
    lose(copied)
    with Store(copied, create=True, by="Ada") as store, store.catalogue.writing():
        for decision in list(plain.read_plain(told.decisions)[0])[:1]:
            decisions.append(
                store.catalogue, decision.kind, decision.body, by=decision.by, at=decision.at, uid=decision.uid
            )


def test_an_older_catalogue_is_refused_and_nothing_is_lost(told: Archive, copied: Archive, bench: Path) -> None:
    _older(copied, told)
    lines = copied.decisions.read_bytes()
    with Store(copied) as store, pytest.raises(ArchiveDamaged, match="more decisions") as error:
        planning.load(store, LATER_PLAN, "plan.toml")
    assert "rebuild" in error.value.hint
    with pytest.raises(ArchiveDamaged, match="more decisions"):
        take(copied, bench)
    assert copied.decisions.read_bytes() == lines
    with Catalogue(copied.catalogue) as catalogue:
        assert decisions.last_seq(catalogue) == 1, "a decision was taken into a catalogue that is about to go"
    again(copied)
    assert differences(told, copied) == {}


def test_a_whole_last_line_without_its_end_is_no_torn_one(told: Archive, copied: Archive) -> None:
    """An editor took the last line break, and an older catalogue was put back: the line is all there is of it."""
    _older(copied, told)
    lines = copied.decisions.read_bytes().splitlines(keepends=True)[:2]
    copied.decisions.write_bytes(b"".join(lines)[:-1])
    with Store(copied) as store, pytest.raises(ArchiveDamaged, match="holds 1 more decision than"):
        planning.load(store, LATER_PLAN, "plan.toml")
    assert copied.decisions.read_bytes() == b"".join(lines)[:-1]
    copied.decisions.write_bytes(lines[0][:-1])
    with Store(copied, by="Ada") as store:
        planning.load(store, LATER_PLAN, "plan.toml")
    read, faults = plain.read_plain(copied.decisions)
    assert (len(read), faults) == (2, [])


def test_two_histories_are_brought_together(told: Archive, copied: Archive) -> None:
    """The old catalogue went on by itself while the plain file was elsewhere."""
    _older(copied, told)
    kept = copied.decisions.read_bytes()
    copied.decisions.unlink()
    with Store(copied, by="Grace") as store:
        deciding.close(store, "O3", "2026-04-01")
    copied.decisions.write_bytes(kept)
    with Store(copied) as store, pytest.raises(ArchiveDamaged, match="more decisions"):
        deciding.close(store, "O1", "2026-04-02")
    again(copied)
    with Catalogue(copied.catalogue) as catalogue:
        last = list(decisions.every(catalogue))
    assert len(last) == len(kept.splitlines()) + 1
    assert (last[-1].by, last[-1].kind, last[-1].body["opening"]) == ("Grace", "close", "O3")
    assert copied.decisions.read_bytes().startswith(kept)
    assert verify.verify(copied).findings == ()


def _flip(data: bytes, number: int) -> bytes:
    lines = data.splitlines(keepends=True)
    line = bytearray(lines[number])
    line[3] ^= 0xFF
    return b"".join([*lines[:number], bytes(line), *lines[number + 1 :]])


def _without(data: bytes, number: int) -> bytes:
    lines = data.splitlines(keepends=True)
    return b"".join(lines[:number] + lines[number + 1 :])


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: _flip(data, 3),
        lambda data: _flip(data, -1),
        lambda data: _without(data, 4),
        lambda data: data[: len(data) // 2],
        lambda data: b"",
        lambda data: data.rstrip(b"\n"),
        lambda data: data.replace(b"\n", b"\r\n"),
    ],
    ids=["a flipped byte", "in the last line", "a line gone", "half of it", "empty", "no last break", "an editor's"],
)
def test_a_damaged_plain_file_is_mended_from_the_catalogue(
    told: Archive, copied: Archive, damage: Callable[[bytes], bytes]
) -> None:
    whole = copied.decisions.read_bytes()
    copied.decisions.write_bytes(damage(whole))
    assert again(copied).problems == ()
    assert differences(told, copied) == {}
    assert [plain.from_line(line) for line in copied.decisions.read_bytes().splitlines()] == [
        plain.from_line(line) for line in whole.splitlines()
    ]
    assert verify.verify(copied).findings == ()


def test_a_damaged_plain_file_without_a_catalogue_stops_with_words(copied: Archive) -> None:
    copied.decisions.write_bytes(_flip(copied.decisions.read_bytes(), 3))
    lose(copied)
    with pytest.raises(ArchiveDamaged, match="line 4"):
        again(copied)
    copied.decisions.unlink()
    with pytest.raises(ArchiveDamaged, match="missing"):
        again(copied)


def test_a_torn_last_line_without_a_catalogue_is_told(copied: Archive) -> None:
    copied.decisions.write_bytes(copied.decisions.read_bytes()[:-20])
    lose(copied)
    assert [problem.reason for problem in again(copied).problems] == ["decisions.jsonl: the last line is torn"]
    assert verify.verify(copied).findings == ()


def test_an_archive_into_which_nothing_has_gone(tmp_path: Path) -> None:
    made = archives.make(tmp_path / "lv40", plan=False)
    lose(made)
    assert again(made).decisions == 0
    with Store(made, by="Ada") as store:
        planning.load(store, archives.PLAN, "plan.toml")
