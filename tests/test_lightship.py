"""The demonstration archive against sample_media/truth.json: what is known of it by how it was rendered.

truth.json was written by the scripts that rendered the media, from the scenes' own cameras and geometry; the archive
sees the files only.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from lastlook import demo, queue
from lastlook.archive import Archive, path_to_text
from lastlook.catalogue import paths, pictures
from lastlook.find import find
from lastlook.records import Dimension, Picture, Question
from lastlook.store import Store
from tests.lightship import MEDIA, truth


@pytest.fixture(scope="module")
def store(lightship_archive: Archive) -> Iterator[Store]:
    with Store(lightship_archive) as opened:
        yield opened


def pictures_of(store: Store, path: str) -> list[Picture]:
    seen = paths.sightings(store.catalogue)[path_to_text(MEDIA / path)]
    return pictures.of_medium(store.catalogue, seen.sha256)


def at(entry: dict[str, Any], key: str = "taken_at_utc") -> datetime:
    return datetime.fromisoformat(entry[key])


def test_every_photo_has_its_true_time_inside_its_interval(store: Store) -> None:
    wrong = []
    for path, entry in truth()["pictures"].items():
        time = pictures_of(store, path)[0].time
        # truth.json tells whole seconds; the phone writes the fraction as well.
        true, second = at(entry), timedelta(seconds=1)
        if time.earliest is None or time.latest is None or not time.earliest - second < true < time.latest + second:
            wrong.append((path, entry["taken_at_utc"], time))
    assert not wrong


def test_intervals_are_as_narrow_as_the_cameras_allow(store: Store) -> None:
    """All but the photo with the blank date are known to within the corrections' uncertainty of a few seconds."""
    wide = [
        path
        for path in truth()["pictures"]
        if (time := pictures_of(store, path)[0].time).earliest is None
        or time.latest is None
        or (time.latest - time.earliest).total_seconds() > 6
    ]
    blank = [path for path, entry in truth()["pictures"].items() if entry["exif_time_shown"] is None]
    assert wide == blank


def test_stills_have_their_true_time_inside_their_interval(store: Store) -> None:
    for path, clip in truth()["clips"].items():
        starts = datetime.fromisoformat(clip["starts_at_utc"])
        for still in pictures_of(store, path):
            assert still.clip_ms is not None
            assert still.time.earliest is not None
            assert still.time.latest is not None
            true = starts.timestamp() + still.clip_ms / 1000
            assert still.time.earliest.timestamp() - 1 <= true <= still.time.latest.timestamp() + 1, path


def test_every_state_held_in_view_for_three_seconds_has_a_still(store: Store) -> None:
    missed = []
    for path, clip in truth()["clips"].items():
        moments = [still.clip_ms or 0 for still in pictures_of(store, path)]
        for state in clip["states"]:
            if state["end"] - state["start"] < 3:
                continue
            if not any(state["start"] <= moment / 1000 <= state["end"] for moment in moments):
                missed.append((path, state["start"], state["end"], state["what"]))
    assert not missed


def test_no_stretch_of_twenty_seconds_is_without_a_still(store: Store) -> None:
    for path, clip in truth()["clips"].items():
        moments = [0.0, *((still.clip_ms or 0) / 1000 for still in pictures_of(store, path)), float(clip["seconds"])]
        assert max(later - earlier for earlier, later in pairwise(moments)) <= 20.5, path


def test_before_and_after_each_closing_are_never_mixed_up(store: Store) -> None:
    closed = {entry["opening"]: at(entry, "at") for entry in truth()["closings"]}
    taken = {pictures_of(store, path)[0].id: at(entry) for path, entry in truth()["pictures"].items()}
    for opening, when in closed.items():
        before = find(store, Question(before_closing=opening, limit=1000))
        after = find(store, Question(after_closing=opening, limit=1000))
        assert [hit.picture.file for hit in before.hits if taken.get(hit.picture.id, when) > when] == []
        assert [hit.picture.file for hit in after.hits if taken.get(hit.picture.id, when) < when] == []
        assert before.total + after.total + before.undetermined_total == find(store, Question()).total
        assert before.total > 10 if opening != "O4" else before.total > 5


def test_the_last_look_at_the_lantern_run_before_the_mast_foot_is_true(store: Store) -> None:
    """The builder's first question: what is shown really shows W03, and is not stale."""
    answer = find(store, Question(runs=("W03",), before_closing="O4", limit=1000))
    photos = {pictures_of(store, path)[0].id: entry for path, entry in truth()["pictures"].items()}
    said = [hit for hit in answer.hits if hit.picture.id in photos and "W03" in hit.picture.said(Dimension.RUN)]
    assert len(said) >= 6
    for hit in said:
        assert photos[hit.picture.id]["items"].get("W03", {}).get("fraction_visible", 0) > 0, hit.picture.file
    assert said[0].picture.file == "BL300172.JPG"


def test_what_the_archive_proposes_of_places_is_mostly_true(store: Store) -> None:
    right = wrong = 0
    for path, entry in truth()["pictures"].items():
        picture = pictures_of(store, path)[0]
        for tag in picture.tags:
            if tag.dimension is Dimension.SUBASSEMBLY and tag.counts:
                ok = tag.target in entry["subassemblies"]
                right, wrong = right + ok, wrong + (not ok)
    assert right >= 25
    assert wrong / (right + wrong) <= 0.03


def test_the_photo_with_a_motion_clip_counts_once(store: Store) -> None:
    for pair in truth()["live_pairs"]:
        photo, clip = (pictures_of(store, path) for path in pair)
        assert len(photo) == 1
        assert clip == []


def test_sample_media_behind_a_link_are_known_by_their_real_paths(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sample_media").symlink_to(MEDIA)
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "demo.py"))
    assert demo.sample_media() == MEDIA


def test_the_renamed_copy_is_one_picture(store: Store) -> None:
    for group in truth()["same_bytes"]:
        assert len({pictures_of(store, path)[0].id for path in group}) == 1


def test_near_duplicates_are_grouped_and_both_kept(store: Store) -> None:
    together = 0
    for group in truth()["near_duplicates"]:
        groups = {pictures_of(store, path)[0].group for path in group}
        together += len(groups) == 1 and None not in groups
    assert together >= 0.5 * len(truth()["near_duplicates"])


def test_files_no_reader_should_accept_are_listed(store: Store) -> None:
    listed = {problem.path for problem in paths.problems(store.catalogue)}
    for path in truth()["refused"]:
        assert path_to_text(MEDIA / path) in listed


@pytest.mark.parametrize("everything", [False, True])
def test_every_group_of_the_queue_can_be_answered(store: Store, everything: bool) -> None:
    found = queue.groups(store, everything=everything)
    assert len(found) > 4
    assert [queue.find(store, group.id).ids for group in found] == [group.ids for group in found]
