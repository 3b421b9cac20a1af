"""Clock cards in an archive: taken in, found, fitted, shown, left out, undone, rebuilt; cameras named and merged."""

from __future__ import annotations

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from lastlook import archive, clock_fit, clock_showing, deciding, retime
from lastlook.archive import Archive
from lastlook.cameras import cameras
from lastlook.catalogue import Catalogue, codes, dump, media, pictures
from lastlook.cli.main import root
from lastlook.clocks import card
from lastlook.errors import UsageError
from lastlook.ingest import Ingested, ingest
from lastlook.rebuild import rebuild
from lastlook.records import CaptureTime, ClockCorrection
from lastlook.store import Store
from tests import cardviews
from tests.media import bench_picture, exif_block, write_photo

ERROR = timedelta(minutes=7, seconds=20)
"""How fast the Keelson's clock is on 1 March; it gains three seconds a day."""

DECIDED: dict[str, list[tuple[object, ...]]] = {"decision": [], "decision_subject": []}
"""What a decision and its undoing leave behind, to be laid over the content of a catalogue."""

FIRST = datetime(2026, 3, 1, 9, 0, 0, 400_000, tzinfo=UTC)


def stamp(true: datetime) -> str:
    """What the Keelson writes at a true moment."""
    shown = true + ERROR + timedelta(seconds=3 * (true - FIRST) / timedelta(days=1)) + timedelta(hours=1)
    return f"{shown:%Y:%m:%d %H:%M:%S}"


def write_bench(folder: Path) -> None:
    dice = np.random.default_rng(9)
    for number, day in enumerate((0, 10)):
        true = FIRST + timedelta(days=day)
        text = card.compose(true.replace(microsecond=0), 1.3)
        write_photo(
            folder / f"K100010{number}.JPG", cardviews.photo_of(text, dice), exif=exif_block(original=stamp(true))
        )
    between = FIRST + timedelta(days=4)
    write_photo(folder / "K1000107.JPG", bench_picture(640, 480, 3), exif=exif_block(original=stamp(between)))
    nameless = exif_block(original="2026:03:04 10:00:00", make=None, model=None)
    write_photo(folder / "LV40_0412.JPG", bench_picture(640, 480, 4), exif=nameless)


def take(made: Archive, *paths: Path) -> Ingested:
    with Store(made) as store, ThreadPoolExecutor(2) as executor:
        return ingest(store, paths, executor=executor)


def again(made: Archive) -> None:
    with ThreadPoolExecutor(2) as executor:
        rebuild(made, executor=executor)


def contents(made: Archive) -> dict[str, list[tuple[object, ...]]]:
    with Catalogue(made.catalogue) as catalogue:
        return dump.dump(catalogue)


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("clocks")
    write_bench(folder / "bench")
    made = archive.create(folder / "build", name="LV-40", zone="Europe/Copenhagen")
    Store(made, create=True).close()
    take(made, folder / "bench")
    return made


@pytest.fixture
def lv40(taken: Archive, tmp_path: Path) -> Archive:
    shutil.copytree(taken.root, tmp_path / "build")
    return archive.open_at(tmp_path / "build")


def time_of(store: Store, file: str) -> CaptureTime:
    (sha256,) = [one.sha256 for one in media.every(store.catalogue, "photo") if one.file == file]
    return pictures.of_medium(store.catalogue, sha256)[0].time


def reference_ids(store: Store) -> list[str]:
    return [one.picture for one in clock_fit.cards(store.catalogue, store.zone)["Keelson K-1"].used]


def run(made: Archive, *arguments: str) -> str:
    done = CliRunner().invoke(root, [*arguments, "--archive", str(made.root)], standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done.output


def test_two_photos_of_the_card_set_a_camera_right(lv40: Archive) -> None:
    with Store(lv40) as store:
        for file, day in (("K1000107.JPG", 4), ("K1000100.JPG", 0)):
            time = time_of(store, file)
            true = FIRST + timedelta(days=day)
            assert time.earliest is not None
            assert time.latest is not None
            assert time.earliest <= true <= time.latest
            assert time.latest - time.earliest < timedelta(seconds=12)
            assert time.basis == "exif-original+zone+clock"
            assert "found from 2 pictures of the clock card" in time.why
        assert codes.count_to_read(store.catalogue) == 0
        fit = clock_fit.fits(store.catalogue, store.zone)["Keelson K-1"]
        assert fit.stretches[0].drift_s_per_day == pytest.approx(3, abs=0.3)
        assert fit.stretches[0].error_s == pytest.approx(440, abs=1.5)


def test_a_rebuild_reads_the_cards_again(lv40: Archive) -> None:
    with Store(lv40) as store:
        deciding.name_camera(store, "keelson k-1", "bench camera")
        deciding.use_reference(store, reference_ids(store)[0], used=False)
        deciding.merge_cameras(store, "named LV##_####", "bench camera")
    before = contents(lv40)
    again(lv40)
    assert contents(lv40) == before


def test_taking_in_once_more_changes_nothing(lv40: Archive, taken: Archive) -> None:
    before = contents(lv40)
    assert take(lv40, taken.root.parent / "bench").added == 0
    after = contents(lv40)
    assert isinstance(before, dict)
    assert isinstance(after, dict)
    assert {key: rows for key, rows in after.items() if "decision" not in key and key != "sighting"} == {
        key: rows for key, rows in before.items() if "decision" not in key and key != "sighting"
    }


def test_a_reference_is_left_out_used_again_and_undone(lv40: Archive) -> None:
    with Store(lv40) as store:
        before = contents(lv40)
        first, second = reference_ids(store)
        found = time_of(store, "K1000107.JPG")
        decision, moved = deciding.use_reference(store, second, used=False)
        assert moved >= 1
        alone = time_of(store, "K1000107.JPG")
        assert alone.latest is not None
        assert alone.earliest is not None
        assert alone.latest - alone.earliest > timedelta(seconds=60), "one reference tells no drift"
        with pytest.raises(UsageError, match="left out already"):
            deciding.use_reference(store, second, used=False)
        deciding.use_reference(store, second, used=True)
        assert time_of(store, "K1000107.JPG") == found
        deciding.use_reference(store, first, used=False)
        deciding.use_reference(store, second, used=False)
        assert time_of(store, "K1000107.JPG").basis == "exif-original+zone", "without any the camera is as it was"
        deciding.undo(store)
        deciding.undo(store)
        assert time_of(store, "K1000107.JPG") == found
        assert isinstance(before, dict)
        assert decision.body["used"] is False
        with pytest.raises(UsageError, match="no clock card was read"):
            deciding.use_reference(store, pictures.find(store.catalogue, _id(store, "K1000107.JPG")).id, used=False)


def _id(store: Store, file: str) -> str:
    (sha256,) = [one.sha256 for one in media.every(store.catalogue, "photo") if one.file == file]
    return pictures.of_medium(store.catalogue, sha256)[0].id


def test_a_persons_word_wins_over_the_fit(lv40: Archive) -> None:
    with Store(lv40) as store:
        fitted = time_of(store, "K1000107.JPG")
        deciding.correct_clock(store, ClockCorrection("Keelson K-1", error_s=60.0))
        time = time_of(store, "K1000107.JPG")
        assert time.instant is not None
        assert fitted.instant is not None
        assert (time.instant - fitted.instant) == pytest.approx(timedelta(seconds=392), abs=timedelta(seconds=2))
        deciding.undo(store)
        assert time_of(store, "K1000107.JPG") == fitted


def test_files_that_name_no_camera_go_by_their_naming(lv40: Archive) -> None:
    with Store(lv40) as store:
        assert ("named LV##_####", 1) in media.cameras(store.catalogue)
        before = time_of(store, "LV40_0412.JPG")
        _, moved = deciding.merge_cameras(store, "named LV##_####", "Keelson K-1")
        assert moved == 1
        time = time_of(store, "LV40_0412.JPG")
        assert before.instant is not None
        assert time.instant is not None
        assert before.instant - time.instant == pytest.approx(timedelta(seconds=449), abs=timedelta(seconds=3))
        deciding.undo(store)
        assert time_of(store, "LV40_0412.JPG") == before


@pytest.mark.parametrize("back", [(0,), (1,), (0, 1), (1, 0)])
def test_merges_said_both_ways_hold_together_and_come_apart_in_any_order(lv40: Archive, back: tuple[int, ...]) -> None:
    """Two people each say that the other's camera is theirs, the first one's word taken back in between."""
    one, other = "named LV##_####", "Keelson K-1"
    with Store(lv40) as store:
        apart = contents(lv40)
        first, _ = deciding.merge_cameras(store, one, other)
        merged = time_of(store, "LV40_0412.JPG"), time_of(store, "K1000107.JPG")
        undone = deciding.undo(store, first.uid)[1]
        second, _ = deciding.merge_cameras(store, other, one)
        deciding.undo(store, undone.uid)
        known = cameras(store.catalogue)
        assert known.members(one) == known.members(other) == (one, other)
        assert (time_of(store, "LV40_0412.JPG"), time_of(store, "K1000107.JPG")) == merged
        for at in back:
            deciding.undo(store, (first, second)[at].uid)
        if len(back) == 1:
            assert (time_of(store, "LV40_0412.JPG"), time_of(store, "K1000107.JPG")) == merged
        else:
            assert {**contents(lv40), **DECIDED} == {**apart, **DECIDED}


def test_a_name_that_came_to_be_two_cameras_is_asked_about(lv40: Archive) -> None:
    with Store(lv40) as store:
        named = deciding.name_camera(store, "Keelson K-1", "bench")
        undone = deciding.undo(store, named.uid)[1]
        deciding.name_camera(store, "named LV##_####", "bench")
        deciding.undo(store, undone.uid)
        with pytest.raises(UsageError, match="2 cameras are called 'bench'"):
            deciding.correct_clock(store, ClockCorrection("bench", error_s=1.0))
        assert deciding.find_camera(store, "keelson k-1") == "Keelson K-1"


def test_what_cannot_be_said_of_cameras(lv40: Archive) -> None:
    with Store(lv40) as store:
        for wrong in (
            lambda: deciding.merge_cameras(store, "Keelson K-1", "Keelson K-1"),
            lambda: deciding.merge_cameras(store, "Keelson K-1", "nobody"),
            lambda: deciding.name_camera(store, "Keelson K-1", "  "),
            lambda: deciding.name_camera(store, "Keelson K-1", "named LV##_####"),
            lambda: deciding.name_camera(store, "Keelson K-1", "bench\u202ecam"),
            lambda: deciding.correct_clock(store, ClockCorrection("Keelson K-1", error_s=float("nan"))),
            lambda: deciding.correct_clock(store, ClockCorrection("Keelson K-1", error_s=float("inf"))),
            lambda: deciding.correct_clock(store, ClockCorrection("Keelson K-1", drift_s_per_day=1e9)),
            lambda: deciding.correct_clock(store, ClockCorrection("Keelson K-1", uncertainty_s=-1)),
            lambda: deciding.correct_clock(store, ClockCorrection("Keelson K-1", since=FIRST)),
        ):
            with pytest.raises(UsageError):
                wrong()


def test_what_is_shown(lv40: Archive) -> None:
    listed = run(lv40, "clock", "list")
    assert "Keelson K-1: 3 files. 7 min 20 s fast and +" in listed
    assert "Its clock was never checked" in listed
    run(lv40, "clock", "name", "Keelson K-1", "bench camera")
    shown = run(lv40, "clock", "show", "bench camera")
    assert "in its files: Keelson K-1" in shown
    assert shown.count("left ") == 2
    assert "3 pictures moved" in shown
    with Store(lv40) as store:
        first = reference_ids(store)[0]
    said = json.loads(run(lv40, "clock", "show", "--json"))["cameras"][0]
    assert said["name"] == "bench camera"
    assert said["moved"] == 3
    assert [one["outlier"] for one in said["references"]] == [False, False]
    assert abs(said["references"][0]["error_s"] - 440) < 2
    assert "is left out" in run(lv40, "clock", "ignore", first)
    assert f"{first}  left out by hand" in run(lv40, "clock", "show")
    run(lv40, "clock", "use", first)


def test_the_card_in_a_terminal_and_a_file(tmp_path: Path) -> None:
    from PIL import Image

    from lastlook.intake import codes as reader

    before = datetime.now(UTC)
    CliRunner().invoke(root, ["clock", "card", "--png", str(tmp_path / "card.png")], standalone_mode=False)
    with Image.open(tmp_path / "card.png") as picture:
        (code,) = reader.read_codes(np.asarray(picture.convert("L")))
    shown = card.read(code.text)
    assert shown is not None
    assert shown.earliest - timedelta(seconds=1) <= before <= shown.latest
    said = CliRunner().invoke(root, ["clock", "card"], standalone_mode=False).output
    assert "/clock" in said
    text = CliRunner().invoke(root, ["clock", "card", "--text", "--seconds", "1"], standalone_mode=False).output
    assert "UTC" in text
    assert "█" in text or "▀" in text


def test_an_original_that_came_in_earlier_than_it_says(tmp_path: Path) -> None:
    """A time in the future of its coming in is passed over, now and after a rebuild."""
    made = archive.create(tmp_path / "build", name="LV-40", zone="Europe/Copenhagen")
    Store(made, create=True).close()
    write_photo(
        tmp_path / "bench" / "IMG_20260312_104107.jpg", bench_picture(), exif=exif_block(original="2093:01:01 10:00:00")
    )
    take(made, tmp_path / "bench")
    with Store(made) as store:
        time = time_of(store, "IMG_20260312_104107.jpg")
        assert time.instant is not None
        assert time.instant.year == 2026
        assert "it lies after the file came in" in time.why
    before = contents(made)
    again(made)
    assert contents(made) == before


def test_resolving_again_reads_no_media(lv40: Archive) -> None:
    shutil.rmtree(lv40.originals)
    with Store(lv40) as store:
        before = time_of(store, "K1000107.JPG")
        with store.catalogue.writing():
            assert retime.retime(store.catalogue, store.zone) == 0
            assert clock_fit.refit(store.catalogue, store.zone) == 0
        assert time_of(store, "K1000107.JPG") == before
        assert clock_showing.every(store)[0].moved == 3


def test_no_name_of_a_camera_turns_a_line_round(lv40: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    """Such a name is not taken any more; one that an archive holds is written as Python writes it."""
    with Store(lv40) as store, monkeypatch.context() as earlier:
        earlier.setattr(deciding, "_fit_for_a_name", lambda name: True)
        deciding.name_camera(store, "Keelson K-1", "bench\u202ecam")
    for told in (run(lv40, "clock", "list"), run(lv40, "clock", "show", "Keelson K-1"), run(lv40, "history")):
        assert "\u202e" not in told
        assert r"bench\u202ecam" in told
