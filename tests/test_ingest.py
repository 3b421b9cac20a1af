"""Taking files in: what is new, known, changed, clashing, awkward; inline, on threads and on processes alike."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import threading
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from lastlook import ingest as ingest_module
from lastlook import keeping
from lastlook.archive import Archive, path_to_text, text_to_path
from lastlook.catalogue import Catalogue, decisions, media, paths, pictures, tags
from lastlook.errors import ArchiveBusy, ArchiveError, LastlookError, UsageError
from lastlook.find import find
from lastlook.intake import fingerprint
from lastlook.locking import held
from lastlook.records import Dimension, Problem, Question
from lastlook.store import Store
from tests import archives
from tests.archives import Inline, comparable, photo, state, take


@pytest.fixture(params=["inline", "threads", "processes"])
def executor(request: pytest.FixtureRequest) -> Iterator[Executor]:
    if request.param == "inline":
        yield Inline()
    elif request.param == "threads":
        with ThreadPoolExecutor(2) as pool:
            yield pool
    else:
        with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("forkserver")) as pool:
            yield pool


@pytest.fixture(scope="module")
def taken(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """The bench taken in; look, do not change."""
    made = archives.make(tmp_path_factory.mktemp("taken") / "lv40")
    take(made, bench)
    return made


@pytest.fixture
def lv40(tmp_path: Path) -> Archive:
    return archives.make(tmp_path / "lv40")


def media_of(where: Archive) -> dict[str, media.Medium]:
    """By source path."""
    with Catalogue(where.catalogue) as catalogue:
        return {
            path: medium
            for path, sighting in paths.sightings(catalogue).items()
            if (medium := media.get(catalogue, sighting.sha256)) is not None
        }


# ------------------------------------------------------------------------------------------------ the whole bench


def test_everything_that_can_be_kept_is_kept(bench: Path, lv40: Archive, executor: Executor, taken: Archive) -> None:
    before = state(bench)
    done = take(lv40, bench, executor=executor)
    assert (done.added, done.linked, done.captions, done.known) == (
        archives.PHOTOS + archives.CLIPS,
        archives.MOTION,
        archives.CAPTIONS,
        archives.DOUBLES,
    )
    assert len(done.problems) == archives.PROBLEMS
    assert state(bench) == before, "a source was touched"
    assert comparable(lv40) == comparable(taken), "another executor, another archive"


def test_originals_are_equal_read_only_and_keep_their_time(bench: Path, taken: Archive) -> None:
    for path, medium in media_of(taken).items():
        original = taken.original(medium.stored, medium.in_place)
        source = text_to_path(path)
        assert original.read_bytes() == source.read_bytes()
        assert original.stat().st_mtime_ns == source.stat().st_mtime_ns
        assert original.stat().st_mode & 0o222 == 0
    stored = [path for path in taken.originals.rglob("*") if path.is_file()]
    assert len(stored) == archives.PHOTOS + archives.CLIPS + archives.MOTION + archives.CAPTIONS
    folded = Counter(str(path).casefold() for path in stored)
    assert max(folded.values()) == 1, "two originals are one on a system that does not tell case apart"


def test_an_original_and_the_way_to_it_are_on_the_disk_before_it_is_committed(
    bench: Path, lv40: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order in which a power cut must find things; each name is asked of the kernel (Linux, /proc/self/fd)."""
    synced: list[str] = []
    fsync, add = os.fsync, media.add

    def noted(descriptor: int) -> None:
        fsync(descriptor)
        synced.append(str(Path(f"/proc/self/fd/{descriptor}").readlink()))

    def checked(catalogue: Catalogue, medium: media.Medium) -> None:
        folder = (lv40.root / medium.stored).parent
        way = [folder, *(each for each in folder.parents if each.is_relative_to(lv40.originals))]
        assert {str(each) for each in way} <= set(synced)
        assert any(Path(name).parent == lv40.incoming for name in synced), "the copy itself"
        add(catalogue, medium)

    monkeypatch.setattr(os, "fsync", noted)
    monkeypatch.setattr(media, "add", checked)
    assert take(lv40, bench / "deck").added > 0


def test_nothing_is_left_in_incoming(taken: Archive) -> None:
    assert {path.name for path in taken.incoming.iterdir()} <= {"ingest.lock"}


def test_the_same_again_is_known(bench: Path, taken: Archive, tmp_path: Path) -> None:
    where = Archive(tmp_path / "copy", taken.settings)
    shutil.copytree(taken.root, where.root)
    before = comparable(where)
    done = take(where, bench)
    assert (done.added, done.stills, done.captions, done.linked) == (0, 0, 0, 0)
    assert done.known == archives.PHOTOS + archives.CLIPS + archives.MOTION + archives.CAPTIONS + archives.DOUBLES
    # The raw file is kept and known; what could not be read is tried and told again.
    assert len(done.problems) == archives.PROBLEMS - 1
    assert comparable(where) == before, "an unchanged folder changed the archive"


def test_names_that_are_one_elsewhere_are_kept_apart(bench: Path, taken: Archive) -> None:
    found = media_of(taken)
    stored = [found[str(bench / path)].stored for path in ("deck/LV40_0002.jpg", "deck/lv40_0002.JPG")]
    stored += [found[str(bench / "mast loom" / "LV40_0002.jpg")].stored]
    assert len({keeping._folded(name) for name in stored}) == 3
    assert sum("~" in name for name in stored) == 2
    composed = {found[str(bench / "deck" / name)].stored for name in ("la\u0301tida.jpg", "l\u00e1tida.jpg")}
    assert len({keeping._folded(name) for name in composed}) == 2


def test_awkward_names(bench: Path, taken: Archive) -> None:
    found = media_of(taken)
    raw = found[path_to_text(bench / "odd" / os.fsdecode(b"caf\xe9.jpg"))]
    assert raw.file == "caf\\udce9.jpg"
    assert os.fsencode(taken.original(raw.stored, raw.in_place)).endswith(b"caf\xe9.jpg")
    assert found[str(bench / "odd" / "two\nlines.jpg")].file == "two\nlines.jpg"
    assert len(found[str(bench / "odd" / ("n" * 251 + ".jpg"))].file) == 255


def test_the_name_of_255_bytes_can_clash(lv40: Archive, tmp_path: Path) -> None:
    name = "å" * 125 + ".jpg"  # two bytes each
    take(lv40, photo(tmp_path / "a" / name, 20), photo(tmp_path / "b" / name, 21))
    stored = [medium.stored for medium in media_of(lv40).values()]
    assert len(stored) == 2
    assert all(len(os.fsencode(Path(path).name)) <= 255 and path.endswith(".jpg") for path in stored)


def test_a_motion_clip_is_part_of_its_photo(bench: Path, taken: Archive) -> None:
    found = media_of(taken)
    clip, shot = found[str(bench / "hull-f" / "IMG_0005.mov")], found[str(bench / "hull-f" / "IMG_0005.jpg")]
    assert clip.belongs_to == shot.sha256
    with Catalogue(taken.catalogue) as catalogue:
        assert pictures.of_medium(catalogue, clip.sha256) == []
        assert media.tally(catalogue) == media.Tally(archives.PHOTOS, 1, _stills(catalogue), archives.PROBLEMS)


def _stills(catalogue: Catalogue) -> int:
    return sum("-" in picture.id for picture in pictures.by_rids(catalogue, pictures.every_rid(catalogue)))


@pytest.mark.parametrize("first", ["IMG_0005.jpg", "IMG_0005.mov"])
def test_a_motion_clip_finds_its_photo_whichever_comes_first(bench: Path, lv40: Archive, first: str) -> None:
    pair = [bench / "hull-f" / name for name in ("IMG_0005.jpg", "IMG_0005.mov")]
    one = next(path for path in pair if path.name == first)
    other = next(path for path in pair if path.name != first)
    assert take(lv40, one).added == 1
    done = take(lv40, other)
    assert done.linked == 1
    assert media_of(lv40)[str(pair[1])].belongs_to
    assert done.added == (0 if first.endswith("jpg") else 1)


def test_words_of_the_captions_are_on_the_stills_and_propose(bench: Path, taken: Archive) -> None:
    clip = media_of(taken)[str(bench / "hull-f" / "CLIP_0001.mp4")]
    with Store(taken) as store:
        stills = pictures.of_medium(store.catalogue, clip.sha256)
        assert any("W03" in still.spoken for still in stills)
        assert any(tag.target == "W03" for still in stills for tag in still.tags)
        assert find(store, Question(words="going down the lantern mast")).total >= 1


def test_problems_are_listed_with_their_reasons(bench: Path, taken: Archive) -> None:
    with Catalogue(taken.catalogue) as catalogue:
        listed = {Path(problem.path).name: problem for problem in paths.problems(catalogue)}
    assert listed.keys() == {"torn.jpg", "empty.jpg", "notes.txt", "alone.srt", "kept.nef"}
    assert listed["empty.jpg"].reason == "is empty"
    assert listed["kept.nef"].kept


# ------------------------------------------------------------------------------------------------ file by file


def test_a_renamed_copy_is_known_by_content_and_its_folder_speaks(lv40: Archive, tmp_path: Path) -> None:
    one = photo(tmp_path / "card" / "IMG_1.jpg", 30)
    take(lv40, tmp_path / "card")
    (tmp_path / "sorted" / "DKH").mkdir(parents=True)
    shutil.copy2(one, tmp_path / "sorted" / "DKH" / "roof wiring.jpg")
    done = take(lv40, tmp_path / "sorted")
    assert (done.added, done.known) == (0, 1)
    with Catalogue(lv40.catalogue) as catalogue:
        rid = pictures.every_rid(catalogue)[0]
        found = {(tag.dimension, tag.target) for tag in tags.standing(catalogue, [rid])[rid]}
        assert len(media.every(catalogue)) == 1
    assert (Dimension.SUBASSEMBLY, "DKH") in found


def test_a_changed_file_under_the_same_name_is_new_and_both_stay(lv40: Archive, tmp_path: Path) -> None:
    path = photo(tmp_path / "card" / "IMG_1.jpg", 31)
    take(lv40, path)
    photo(path, 32)
    done = take(lv40, path)
    assert (done.added, done.known) == (1, 0)
    with Catalogue(lv40.catalogue) as catalogue:
        kept = media.every(catalogue)
        assert len(kept) == 2
        assert all(keeping.is_there(lv40, medium) for medium in kept)
    assert take(lv40, path).known == 1


def test_only_the_date_of_a_file_changed(lv40: Archive, tmp_path: Path) -> None:
    path = photo(tmp_path / "IMG_1.jpg", 33)
    take(lv40, path)
    os.utime(path, (COPIED_LATER, COPIED_LATER))
    assert take(lv40, path).known == 1
    before = comparable(lv40)
    assert take(lv40, path).known == 1
    assert comparable(lv40) == before


COPIED_LATER = archives.COPIED + 86_400


def test_left_in_place(lv40: Archive, tmp_path: Path) -> None:
    path = photo(tmp_path / "disk" / "IMG_1.jpg", 34)
    assert take(lv40, path, leave_in_place=True).added == 1
    assert not any(item.is_file() for item in lv40.originals.rglob("*"))
    assert media_of(lv40)[str(path)].stored == str(path)
    # Moved away: found again by its content where it lies now, and its place is told anew.
    moved = tmp_path / "other disk" / "x.jpg"
    moved.parent.mkdir()
    path.rename(moved)
    done = take(lv40, moved, leave_in_place=True)
    assert (done.added, done.known) == (0, 1)
    medium = media_of(lv40)[str(moved)]
    assert (medium.stored, medium.in_place) == (str(moved), True)
    # Gone from there as well, and taken in as a copy this time.
    back = path.parent / "y.jpg"
    moved.rename(back)
    take(lv40, back)
    medium = media_of(lv40)[str(back)]
    assert not medium.in_place
    assert keeping.is_there(lv40, medium)


def test_an_original_that_was_lost_is_put_back_by_taking_the_file_in_again(lv40: Archive, tmp_path: Path) -> None:
    path = photo(tmp_path / "IMG_1.jpg", 35)
    take(lv40, path)
    medium = media_of(lv40)[str(path)]
    lv40.original(medium.stored, medium.in_place).unlink()
    done = take(lv40, path)
    assert (done.added, done.known) == (0, 1)
    medium = media_of(lv40)[str(path)]
    assert lv40.original(medium.stored, medium.in_place).read_bytes() == path.read_bytes()


def test_a_problem_is_cleared_once_the_file_can_be_read(lv40: Archive, tmp_path: Path) -> None:
    path = tmp_path / "IMG_1.jpg"
    path.write_bytes(b"")
    for _ in range(2):
        assert [problem.reason for problem in take(lv40, path).problems] == ["is empty"]
    with Catalogue(lv40.catalogue) as catalogue:
        assert len(decisions.live(catalogue, "refused")) == 1, "told twice"
    photo(path, 36)
    assert take(lv40, path).problems == ()
    with Catalogue(lv40.catalogue) as catalogue:
        assert paths.problems(catalogue) == []
    # And listed again where it breaks again in the same way.
    path.write_bytes(b"")
    take(lv40, path)
    with Catalogue(lv40.catalogue) as catalogue:
        assert len(paths.problems(catalogue)) == 1
        assert len(decisions.live(catalogue, "refused")) == 2


def test_captions_that_come_later(bench: Path, lv40: Archive, tmp_path: Path) -> None:
    clip = tmp_path / "CLIP_0001.mp4"
    shutil.copy2(bench / "hull-f" / "CLIP_0001.mp4", clip)
    take(lv40, clip)
    words = tmp_path / "CLIP_0001.srt"
    words.write_text("1\n00:00:00,500 --> 00:00:06,000\nlantern socket\n", encoding="utf-8")
    assert take(lv40, words).captions == 1, "given alone, beside a clip that is known"
    assert _spoken(lv40) == {"lantern socket"}
    # Changed: the old file stays as an original, its words do not count any more.
    words.write_text("1\n00:00:00,500 --> 00:00:06,000\nlantern plug\n", encoding="utf-8")
    os.utime(words, (COPIED_LATER, COPIED_LATER))
    assert take(lv40, tmp_path).captions == 1
    assert _spoken(lv40) == {"lantern plug"}
    # And back again: content that is known counts anew.
    words.write_text("1\n00:00:00,500 --> 00:00:06,000\nlantern socket\n", encoding="utf-8")
    assert take(lv40, tmp_path).captions == 0
    assert _spoken(lv40) == {"lantern socket"}
    assert len(list(lv40.originals.rglob("*.srt"))) == 2


def test_the_same_captions_beside_a_clip_that_was_replaced(bench: Path, lv40: Archive, tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    for ending in ("mp4", "srt"):
        shutil.copy2(bench / "hull-f" / f"CLIP_0001.{ending}", folder)
    take(lv40, folder)
    shutil.copy2(bench / "hull-f" / "IMG_0005.mov", folder / "CLIP_0001.mp4")
    take(lv40, folder)
    with Catalogue(lv40.catalogue) as catalogue:
        clips = media.every(catalogue, "clip")
        assert len(clips) == 2
        assert all(media.cues_of_clip(catalogue, clip.sha256) for clip in clips)


def _spoken(where: Archive) -> set[str]:
    with Catalogue(where.catalogue) as catalogue:
        every = pictures.by_rids(catalogue, pictures.every_rid(catalogue))
        return {picture.spoken for picture in every if picture.spoken}


def test_a_captions_file_that_cannot_be_read_is_a_problem(bench: Path, lv40: Archive, tmp_path: Path) -> None:
    shutil.copy2(bench / "hull-f" / "CLIP_0001.mp4", tmp_path)
    (tmp_path / "CLIP_0001.srt").write_bytes(b"\0\1\2" * 500)
    assert len(take(lv40, tmp_path / "CLIP_0001.mp4", tmp_path / "CLIP_0001.srt").problems) == 1
    assert {path.name for path in lv40.incoming.iterdir()} == {"ingest.lock"}


def test_captions_of_a_clip_that_was_refused_do_not_vanish(bench: Path, lv40: Archive, tmp_path: Path) -> None:
    whole = (bench / "hull-f" / "CLIP_0001.mp4").read_bytes()
    clip = tmp_path / "in" / "CLIP_0001.mp4"
    clip.parent.mkdir()
    clip.write_bytes(whole[:500])
    words = clip.with_suffix(".srt")
    words.write_text("1\n00:00:00,500 --> 00:00:06,000\nlantern socket\n", encoding="utf-8")
    done = take(lv40, clip.parent)
    said = {Path(problem.path).name: problem.reason for problem in done.problems}
    assert list(said) == ["CLIP_0001.mp4", "CLIP_0001.srt"]
    assert said["CLIP_0001.srt"] == "belongs to CLIP_0001.mp4, which could not be used"
    clip.write_bytes(whole)
    again = take(lv40, clip.parent)
    assert (again.added, again.captions, again.problems) == (1, 1, ())
    with Catalogue(lv40.catalogue) as catalogue:
        assert paths.problems(catalogue) == []


def test_every_file_is_counted_somewhere(bench: Path, lv40: Archive, tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    shutil.copy2(bench / "hull-f" / "CLIP_0001.mp4", folder / "MVI_0001.mp4")
    photo(folder / "MVI_0001.thm", 50)  # the small picture beside a clip
    photo(folder / "IMG_0002.jpg", 51)
    photo(folder / "._IMG_0002.jpg", 52)
    (folder / "IMG_0003.bmp").write_bytes(b"BM" + bytes(100))
    done = take(lv40, folder)
    assert (done.added, done.skipped, len(done.problems)) == (2, 2, 1)
    assert done.problems[0].reason == "is a BMP file, which is not read as a photo"


def test_the_copy_of_a_reader_that_was_ended_does_not_stay(lv40: Archive, tmp_path: Path) -> None:
    """A reader that hangs or crashes cannot clear up; of a long recording that would be gigabytes."""

    class Hangs(Inline):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            fingerprint.take(args[0], staging=lv40.incoming)
            return super().submit(Problem, args[0], "took too long")

    done = take(lv40, photo(tmp_path / "IMG_1.jpg", 53), executor=Hangs())
    assert len(done.problems) == 1
    assert {path.name for path in lv40.incoming.iterdir()} == {"ingest.lock"}


def test_folder_names_from_the_one_given_down(lv40: Archive, tmp_path: Path) -> None:
    photo(tmp_path / "LAN" / "2026" / "IMG_1.jpg", 37)
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "LAN")
    take(lv40, link, tmp_path / "LAN" / "2026")
    with Catalogue(lv40.catalogue) as catalogue:
        body: Any = decisions.live(catalogue, "arrival")[0].body
    assert body["folders"] == ["LAN", "2026"]


# ------------------------------------------------------------------------------------------------ what goes wrong


def test_a_path_that_is_not_there(lv40: Archive, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="there is no"):
        take(lv40, tmp_path / "nowhere")


@pytest.mark.parametrize("inside", ["", "originals", "derived", "originals/2026"])
def test_an_archive_does_not_eat_itself(taken: Archive, tmp_path: Path, inside: str) -> None:
    where = Archive(tmp_path / "copy", taken.settings)
    shutil.copytree(taken.root, where.root)
    before = comparable(where)["medium"]
    done = take(where, where.root / inside)
    assert (done.added, done.known, len(done.problems)) == (0, 0, 1)
    assert "archive" in done.problems[0].reason
    assert comparable(where)["medium"] == before


def test_two_at_once(lv40: Archive, tmp_path: Path) -> None:
    path = photo(tmp_path / "IMG_1.jpg", 38)
    with held(lv40.incoming / "ingest.lock", "x"), pytest.raises(ArchiveBusy, match="another ingest"):
        take(lv40, path)
    assert take(lv40, path).added == 1


def test_a_source_that_may_only_be_read(lv40: Archive, tmp_path: Path) -> None:
    folder = tmp_path / "card"
    path = photo(folder / "IMG_1.jpg", 39)
    path.chmod(0o444)
    folder.chmod(0o555)
    try:
        assert take(lv40, folder).added == 1
    finally:
        folder.chmod(0o755)


def test_a_full_disk_stops_the_run_with_words_and_the_next_one_goes_on(
    bench: Path, lv40: Archive, taken: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = 0

    def full(path: Path) -> None:
        nonlocal calls
        calls += 1
        if calls == 7:
            raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(keeping, "_sync", full)
        with pytest.raises(ArchiveError, match="no space left"):
            take(lv40, bench)
    take(lv40, bench)
    assert comparable(lv40) == comparable(taken)


def test_a_file_that_the_disk_has_no_room_for_is_a_problem(lv40: Archive, tmp_path: Path) -> None:
    """The worker's copy fails (RLIMIT_FSIZE of the helper process); nothing half-way stays."""
    path = photo(tmp_path / "IMG_1.jpg", 40)

    class Small(Inline):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            return super().submit(_without_room, *args, **kwargs)

    done = take(lv40, path, executor=Small())
    assert "full" in done.problems[0].reason
    assert {item.name for item in lv40.incoming.iterdir()} == {"ingest.lock"}
    assert take(lv40, path).problems == ()


def _without_room(path: str, settings: Any) -> Any:
    from lastlook.intake import reader

    real = os.write

    def write(descriptor: int, data: Any) -> int:
        raise OSError(28, "No space left on device")

    os.write = write
    try:
        return reader.read_here(path, settings)
    finally:
        os.write = real


def test_one_file_that_cannot_be_placed_does_not_stop_the_others(
    lv40: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo(tmp_path / "card" / "IMG_1.jpg", 41)
    photo(tmp_path / "card" / "IMG_2.jpg", 42)
    real = keeping._sync

    def sync(path: Path) -> None:
        if path.suffix == ".staged" and path.name.startswith(fingerprint.take(str(tmp_path / "card/IMG_1.jpg")).sha256):
            raise OSError(84, "Invalid or incomplete multibyte or wide character")
        real(path)

    monkeypatch.setattr(keeping, "_sync", sync)
    done = take(lv40, tmp_path / "card")
    assert done.added == 1
    assert [Path(problem.path).name for problem in done.problems] == ["IMG_1.jpg"]


def test_a_mistake_of_the_reader_is_a_problem_of_one_file(
    lv40: Archive, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    class Wrong(Inline):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            future: Future[Any] = Future()
            future.set_exception(ZeroDivisionError())
            return future

    done = take(lv40, photo(tmp_path / "IMG_1.jpg", 43), executor=Wrong())
    assert [problem.reason for problem in done.problems] == ["could not be read (ZeroDivisionError)"]


def test_workers_that_died(lv40: Archive, tmp_path: Path) -> None:
    class Broken(Inline):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            future: Future[Any] = Future()
            if args[0].endswith("IMG_2.jpg"):
                future.set_exception(BrokenExecutor())
                return future
            return super().submit(fn, *args, **kwargs)

    photo(tmp_path / "card" / "IMG_1.jpg", 44)
    photo(tmp_path / "card" / "IMG_2.jpg", 45)
    with pytest.raises(LastlookError, match="workers"):
        take(lv40, tmp_path / "card", executor=Broken(), window=1)
    assert len(media_of(lv40)) == 1, "what was read before is kept"


# ------------------------------------------------------------------------------------------------ while it runs


def test_a_reader_sees_whole_records_only(bench: Path, lv40: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody looks all the time while an ingest commits every file by itself."""
    monkeypatch.setattr(ingest_module, "_BATCH_FILES", 1)
    stop = threading.Event()
    faults: list[str] = []
    looked = 0

    def look() -> None:
        nonlocal looked
        with Catalogue(lv40.catalogue) as catalogue:
            while not stop.is_set():
                looked += 1
                with catalogue.reading():
                    faults.extend(half_records(catalogue))

    reader = threading.Thread(target=look)
    reader.start()
    try:
        take(lv40, bench)
    finally:
        stop.set()
        reader.join()
    assert looked > 10
    assert faults == []


def half_records(catalogue: Catalogue) -> list[str]:
    """What is there only in part: a medium without its arrival or sighting or pictures, a motion clip with stills."""
    faults = []
    every = media.every(catalogue)
    arrived = {one.body["sha256"] for one in decisions.live(catalogue, "arrival")}
    if arrived != {medium.sha256 for medium in every}:
        faults.append("arrivals and media differ")
    met = {sighting.sha256 for sighting in paths.sightings(catalogue).values()}
    for medium in every:
        shown = pictures.of_medium(catalogue, medium.sha256)
        if medium.sha256 not in met:
            faults.append(f"{medium.file} was never met")
        if medium.kind == "photo" and len(shown) != 1:
            faults.append(f"{medium.file} has {len(shown)} pictures")
        if medium.kind == "clip" and bool(shown) == bool(medium.belongs_to):
            faults.append(f"{medium.file} has {len(shown)} stills and belongs to {medium.belongs_to!r}")
    return faults


def test_reading_does_not_wait_for_a_writer(taken: Archive) -> None:
    with Catalogue(taken.catalogue) as writer, Catalogue(taken.catalogue) as reader, writer.writing():
        assert len(pictures.every_rid(reader)) > 0


def test_the_plain_text_says_what_the_catalogue_says(taken: Archive) -> None:
    lines = [json.loads(line) for line in taken.decisions.read_text(encoding="utf-8").splitlines()]
    with Catalogue(taken.catalogue) as catalogue:
        assert [line["uid"] for line in lines] == [one.uid for one in decisions.every(catalogue)]
