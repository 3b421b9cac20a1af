"""After a change of times only what the times can change is proposed anew, and comes out as if everything were."""

from __future__ import annotations

import json
import random
import shutil
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook import clip_stretches, deciding, placing, projecting, proposing, retime, sessions, stills_by_hand
from lastlook.archive import open_at
from lastlook.cards.payload import Card, encode
from lastlook.catalogue import Catalogue, codes, decisions, media, pictures
from lastlook.clocks import card as clock_card
from lastlook.deciding import Target
from lastlook.errors import UsageError
from lastlook.progress import Progress, Stage
from lastlook.records import ClockCorrection, Dimension, Quality, StillReading
from lastlook.store import Store
from lastlook.tagging.context import Neighbour
from lastlook.tagging.neighbours import REACH_MS, Anchor, Anchors
from tests import generated

MINUTE = 60_000
SHOWN = tuple(((Dimension.STEP, step),) for step in ("S10", "S20"))


def one_by_one(anchors: Sequence[Anchor], bounds: Sequence[int], at: int, picture: str, *, earlier: bool) -> object:
    """The rule as it is told, anchor by anchor away from a moment."""
    kept = sorted(anchors, key=lambda one: (one.at_ms, one.by_card, one.picture))
    times = [one.at_ms for one in kept]
    order = range(bisect_right(times, at) - 1, -1, -1) if earlier else range(bisect_left(times, at), len(kept))
    found: dict[bool, Neighbour] = {}
    for anchor in (kept[index] for index in order):
        gap = abs(anchor.at_ms - at)
        low, high = sorted((anchor.at_ms, at))
        if gap > REACH_MS or any(low < bound <= high for bound in bounds):
            break
        if anchor.picture == picture:
            continue
        one = Neighbour(anchor.picture, anchor.file, gap, earlier, anchor.by_card, anchor.targets)
        shown = found.get(True)
        if shown is not None:
            if anchor.by_card and anchor.targets != shown.targets:
                return [*found.values(), replace(one, superseded=True)] if earlier else [*found.values()]
        elif anchor.by_card or False not in found:
            found[anchor.by_card] = one
    return list(found.values())


anchors_of = st.lists(
    st.builds(
        lambda minute, picture, targets, by_card: Anchor(minute * MINUTE, picture, f"{picture}.jpg", targets, by_card),
        st.integers(0, 200),
        st.sampled_from(["a", "b", "c", "d", "e"]),
        st.sampled_from(SHOWN),
        st.booleans(),
    ),
    max_size=12,
)


@settings(max_examples=150, deadline=None)
@given(anchors_of, st.lists(st.integers(0, 200), max_size=3), st.integers(0, 200), st.sampled_from(["a", "b", "z"]))
def test_the_nearest_are_those_met_going_one_by_one(
    anchors: list[Anchor], minutes: list[int], minute: int, picture: str
) -> None:
    at, bounds = minute * MINUTE, [one * MINUTE for one in minutes]
    found = Anchors(anchors, bounds)
    before = one_by_one(anchors, bounds, at, picture, earlier=True)
    after = one_by_one(anchors, bounds, at, picture, earlier=False)
    assert [found._before(at, picture), found._after(at, picture)] == [before, after]


@pytest.fixture(scope="module")
def kept(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive that goes on changing: every example begins where the last one ended."""
    return Path(shutil.copytree(made, tmp_path_factory.mktemp("goes-on") / "build"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive with cards in some pictures, to be copied."""
    root = tmp_path_factory.mktemp("again") / "build"
    with Store(generated.make(root, 400), by="Ada") as store, store.catalogue.writing():
        chance = random.Random(7)
        for rid in chance.sample(pictures.every_rid(store.catalogue), 25):
            card = encode(Card(Dimension.STEP, chance.choice(store.plan.steps).id))
            store.catalogue.execute("INSERT INTO code VALUES (?, 0, 'qr', ?, '[]', 1.0, 0)", (rid, card))
        proposing.propose(store)
    return root


def act(store: Store, kind: str, seed: int) -> None:
    chance = random.Random(seed)
    cameras = [key for key, _ in media.cameras(store.catalogue) if key]
    if kind == "tag":
        some = pictures.by_rids(store.catalogue, chance.sample(pictures.every_rid(store.catalogue), 3))
        deciding.tag(store, [one.id for one in some], [Target(Dimension.STEP, chance.choice(store.plan.steps).id)])
    elif kind == "session":
        day = generated.START.date() + timedelta(days=chance.randrange(300))
        target = Target(Dimension.SUBASSEMBLY, chance.choice(store.plan.subassemblies).id)
        sessions.add(store, [target], f"{day} 09:{chance.randrange(60):02}", f"{day} 19:00")
    elif kind == "undo":
        deciding.undo(store)
    elif kind == "merge":
        deciding.merge_cameras(store, *chance.sample(cameras, 2))
    else:
        error = chance.choice((0.0, 1.0, 20.0, 900.0, 7200.0, 40 * 86_400.0))
        unsure = chance.choice((0.0, 2.0, 600.0, 3600.0))
        half = (generated.START + timedelta(days=chance.randrange(300))).replace(tzinfo=None)
        since, until = chance.choice(((None, None), (half, None), (None, half)))
        deciding.correct_clock(
            store,
            ClockCorrection(chance.choice(cameras), error_s=error, uncertainty_s=unsure, since=since, until=until),
        )


def proposed(catalogue: Catalogue) -> list[object]:
    return [
        catalogue.rows("SELECT * FROM proposal ORDER BY rid, dimension, target, source"),
        catalogue.rows("SELECT * FROM tag ORDER BY rid, dimension, target"),
        catalogue.rows("SELECT rid, caption FROM picture ORDER BY rid"),
    ]


ACTS = ("clock", "clock", "clock", "clock", "session", "tag", "undo", "merge")


@settings(max_examples=6, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(ACTS), st.integers(0, 100_000)), min_size=1, max_size=4))
def test_times_that_change_end_in_what_proposing_everything_gives(kept: Path, acts: list[tuple[str, int]]) -> None:
    with Store(open_at(kept), by="Ada") as store:
        for kind, seed in acts:
            try:
                act(store, kind, seed)
            except UsageError:
                continue  # nothing is left to undo, or the cameras are merged already
            found = proposed(store.catalogue)
            with store.catalogue.writing():
                proposing.propose(store)
            assert found == proposed(store.catalogue)


def test_only_pictures_with_other_surroundings_are_proposed_anew(made: Path, tmp_path: Path) -> None:
    """Where all clocks are off by the same, nothing lies otherwise beside anything."""
    told: list[Progress] = []
    shutil.copytree(made, tmp_path / "build")
    with Store(open_at(tmp_path / "build"), by="Ada") as store:
        store.report = told.append
        _, first = placing.around_by_time(store)
        camera = next(key for key, _ in media.cameras(store.catalogue) if key)
        deciding.correct_clock(store, ClockCorrection(camera, error_s=5.0, uncertainty_s=0.0))
        _, second = placing.around_by_time(store)
        differing = placing.differing(first, second)
        assert differing
        assert placing.differing(second, second) == []
        assert placing.differing({}, {1: ((), ())}) == []
    assert told[0].stage is Stage.TIMES
    assert {one.total for one in told if one.stage is Stage.PROPOSE} == {len(differing)}


@pytest.mark.parametrize("by", ["stretch", "card", "clock"])
def test_a_frame_speaks_for_what_lies_around_it_as_long_as_it_is_kept(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by: str
) -> None:
    """By the stretch somebody tagged, by the bench card shown before it, by the clock card in it."""
    judged = Quality(100.0, 0, 120.0)
    frame = partial(StillReading, width=400, height=300, quality=judged, thumb="", page="", hold_ms=0, why="")
    monkeypatch.setattr(stills_by_hand, "take", lambda _store, _medium, at: frame(clip_ms=at))
    shutil.copytree(made, tmp_path / "build")
    with Store(open_at(tmp_path / "build"), by="Ada") as store:
        catalogue = store.catalogue
        rows = catalogue.rows("SELECT sha256, rid, taken_ms FROM picture WHERE clip_ms = 40000 ORDER BY rid LIMIT 1")
        ((clip, before, taken),) = rows
        ((photo, beside),) = catalogue.rows("SELECT sha256, rid FROM picture WHERE kind = 'photo' LIMIT 1")
        wall = (pictures.from_ms(taken + 12_000) or generated.START).replace(tzinfo=None).isoformat()
        claim = {"source": "exif-original", "text": wall, "wall": wall, "offset_min": 0}
        with catalogue.writing():
            catalogue.execute("DELETE FROM code")
            catalogue.execute("UPDATE medium SET model = camera, claims = json_replace(claims, '$[0].offset_min', 60)")
            catalogue.execute("UPDATE medium SET claims = ? WHERE sha256 = ?", (json.dumps([claim]), photo))
            if by == "card":
                card = encode(Card(Dimension.STEP, "S20"))
                catalogue.execute("INSERT INTO code VALUES (?, 0, 'qr', ?, '[]', 1.0, 0)", (before, card))
            retime.retime(catalogue, store.zone)
            proposing.propose(store)
        if by == "stretch":
            there = clip_stretches.preview(store, clip, "0:41", "0:59", [Target(Dimension.STEP, "S20")])
            assert not there.stills
            clip_stretches.say(store, there)
        first = catalogue.rows("SELECT rid, taken_ms FROM picture ORDER BY rid"), *proposed(catalogue)
        kept_, _ = stills_by_hand.keep(store, clip, "0:50")
        if by == "clock":
            shown = clock_card.compose(kept_.time.instant or generated.START, 1.3)
            with catalogue.writing():
                catalogue.execute("INSERT INTO code VALUES (?, 0, 'qr', ?, '[]', 1.0, 0)", (kept_.rid, shown))
                projecting.refit(store)
            assert codes.fitted_cameras(catalogue)
        else:
            said = "SELECT evidence FROM proposal WHERE rid = ? AND source = 'neighbour' AND target = 'S20'"
            assert [row[0][:9] for row in catalogue.rows(said, (beside,))] == ["taken 2 s"]
        deciding.undo(store, decisions.latest(catalogue, ("still",), 1)[0][0].uid)
        assert (catalogue.rows("SELECT rid, taken_ms FROM picture ORDER BY rid"), *proposed(catalogue)) == first
        assert codes.fitted_cameras(catalogue) == []
