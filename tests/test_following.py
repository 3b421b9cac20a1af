"""What is brought up to date by the pictures that changed is what reading everything anew would give."""

from __future__ import annotations

import hashlib
import itertools
import random
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lastlook import (
    care,
    care_log,
    deciding,
    newest,
    planning,
    queue,
    schedule_edits,
    sessions,
    viewing,
    waiting,
    windows,
)
from lastlook.archive import open_at
from lastlook.catalogue import changes, columns, grouped, media, pictures, review, tags
from lastlook.counting import counts
from lastlook.deciding import Target
from lastlook.errors import PlanError, UsageError
from lastlook.newest import newest_tagged
from lastlook.plan import structure
from lastlook.plan.write import dump_plan
from lastlook.records import CaptureTime, ClockCorrection, Dimension, Picture
from lastlook.store import Caches, Store
from tests import generated

ACTS = (
    *("tag", "step", "no", "caption", "undo", "close", "reopen", "group", "session", "start", "clock", "merge"),
    *("retire", "title", "depth", "moved", "arrive", "drop", "time", "burst", "rename", "check"),
)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Caches, viewing.OverviewCache]:
    """An archive with what a viewer keeps of it. It goes on changing: every example begins where the last one ended."""
    root = tmp_path_factory.mktemp("following") / "build"
    generated.make(root, 300)
    return root, Caches(), viewing.OverviewCache()


LATER = datetime(2028, 1, 1, tzinfo=UTC)
_days = itertools.count()


def day_of_act() -> date:
    """The next day, after all closings that were made up: they are recorded in order."""
    return date(2026, 12, 1) + timedelta(days=next(_days))


def act(store: Store, kind: str, seed: int) -> None:
    chance = random.Random(seed)
    some = pictures.by_rids(store.catalogue, chance.sample(pictures.every_rid(store.catalogue), 3))
    ids = [one.id for one in some]
    sub = Target(Dimension.SUBASSEMBLY, chance.choice(store.plan.subassemblies).id)
    if kind == "tag":
        deciding.tag(store, ids, [sub])
    elif kind == "step":
        deciding.tag(store, ids[:1], [Target(Dimension.STEP, chance.choice(store.plan.steps).id)])
    elif kind == "no":
        deciding.untag(store, ids, [sub])
    elif kind == "undo":
        deciding.undo(store)
    elif kind == "close":
        shut = {id for id, each in viewing.acts(store).items() if each[-1].reopened is None}
        for one in [one for one in store.plan.openings if one.id not in shut][:1]:
            deciding.close(store, one.id, f"{day_of_act()} 09:00", "", LATER)
    elif kind == "reopen":
        shut = {id for id, each in viewing.acts(store).items() if each[-1].reopened is None}
        for one_shut in sorted(shut)[:1]:
            deciding.reopen(store, one_shut, f"{day_of_act()} 10:00", LATER)
    elif kind == "clock":
        camera = chance.choice([key for key, _ in media.cameras(store.catalogue) if key])
        deciding.correct_clock(store, ClockCorrection(camera, chance.randrange(-90_000, 90_000)))
    elif kind == "retire":
        run = chance.choice(store.plan.runs)
        schedule_edits.retire(store, run.id, planning.uid_in_force(store))
    elif kind == "caption":
        # Of the picture that the overview shows as the newest of some subassembly.
        last = chance.choice([row.last for row in viewing.overview(store).rows if row.last is not None])
        deciding.tag(store, [last.id], [], f"seen again {seed}")
    elif kind in {"title", "depth", "moved"}:
        first, *others = store.plan.subassemblies
        titled = f"{first.title.split(' no.')[0]} no. {seed}"
        within = "" if first.within else next(one.id for one in others if one.within != first.id)
        every: dict[str, dict[str, Any]] = {
            "title": {"title": titled},
            "depth": {"depth_mm": float(1 + seed % 90)},
            "moved": {"within": within},
        }
        said = every[kind]
        plan = replace(store.plan, subassemblies=(replace(first, **said), *others))
        with suppress(PlanError):  # one that would lie in itself
            planning.load(store, dump_plan(plan, store.plan_text), "plan.toml")
    elif kind == "merge":
        keys = chance.sample([key for key, _ in media.cameras(store.catalogue) if key], 2)
        deciding.merge_cameras(store, *keys)
    elif kind == "check":
        read = chance.sample(media.sums(store.catalogue), 40)
        care_log.add(store.archive, "check", {"findings": seed, "read": [care_log.short(one) for one in read]})
    elif kind == "start":
        sessions.start(store, [sub])
    elif kind in {"arrive", "drop", "time", "burst", "rename"}:
        by_row(store, kind, some[0], seed)
    elif kind == "session":
        day = generated.START.date() + timedelta(days=chance.randrange(300))
        sessions.add(store, [sub], f"{day} 09:00", f"{day} 19:00")
    else:
        group = chance.choice(queue.groups(store, everything=True))
        if group.choices:
            queue.accept(store, group)


def by_row(store: Store, kind: str, one: Picture, seed: int) -> None:
    """One change of rows alone, as taking files in makes many at once."""
    catalogue = store.catalogue
    medium = media.get(catalogue, one.sha256)
    assert medium is not None
    moment = generated.START + timedelta(days=seed % 300, minutes=seed % 600)
    time = CaptureTime(moment, moment, moment + timedelta(seconds=1), "exif-original", "")
    with catalogue.writing():
        if kind == "arrive":
            sha256 = hashlib.sha256(f"{seed}".encode()).hexdigest()
            media.add(catalogue, replace(medium, sha256=sha256, kind="photo", file=f"{seed}.jpg", belongs_to=""))
            pictures.add_photo(
                catalogue, sha256, width=4, height=3, time=time, quality=None, thumb=f"{seed}", page=f"{seed}"
            )
        elif kind == "drop":
            pictures.drop(catalogue, [one.rid])
        elif kind == "time":
            pictures.set_times(catalogue, [(one.rid, time)])
        elif kind == "burst":
            open_now = [each.rid for group in queue.groups(store)[:1] for each in group.pictures] or [one.rid]
            grouped.set_groups(catalogue, dict.fromkeys(open_now, seed))
        else:
            media.add(catalogue, replace(medium, file=f"renamed {seed}.jpg"))


def seen(store: Store, cache: viewing.OverviewCache | None) -> list[object]:
    """All that pages show at a glance, in a form that compares."""
    series = windows.series(store, cache)
    arrays = store.columns
    subs = store.plan.subassemblies
    kinds = {id: str(structure.kind_of(one)) for id, one in structure.items(store.plan).items()}
    of_subs = counts(store, Dimension.SUBASSEMBLY)
    masks = {sub.id: store.tagged(arrays, Dimension.SUBASSEMBLY, (sub.id,)) for sub in subs}
    assert of_subs == {id: int(mask.sum()) for id, mask in masks.items() if mask.any()}
    return [
        viewing.overview(store, cache),
        viewing.tally(store, cache),
        waiting.waiting(store, cache)[0].to_place,
        {name: [one.taken.tolist(), one.rid.tolist(), one.open] for name, one in series.items()},
        queue.groups(store),
        queue.groups(store, everything=True),
        queue.placed_count(store),
        [arrays.version, *(getattr(arrays, name).tolist() for name in ("rid", "taken", "earliest", "latest", "still"))],
        [mask.tolist() for mask in masks.values()],
        care.ages_of(store, LATER),
        [counts(store, dimension) for dimension in Dimension],
        [newest_tagged(store, kinds, most) for most in (3, 9)],
    ]


@settings(max_examples=6, deadline=None)
@example([(kind, 7) for kind in (*ACTS, "reopen", "close", "arrive", "undo")])
@given(st.lists(st.tuples(st.sampled_from(ACTS), st.integers(0, 10_000)), min_size=1, max_size=4))
def test_what_follows_is_what_is_read_anew(
    kept: tuple[Path, Caches, viewing.OverviewCache], acts: list[tuple[str, int]]
) -> None:
    root, caches, cache = kept
    archive = open_at(root)
    with Store(archive, by="Ada", caches=caches) as store:
        seen(store, cache)
    for kind, seed in acts:
        # The deciding store keeps nothing, as another process would not.
        # Where nothing is left to undo, or it is closed already, nothing is recorded.
        with Store(archive, by="Ada") as other, suppress(UsageError):
            act(other, kind, seed)
        with Store(archive, by="Ada", caches=caches) as store, Store(archive, by="Ada") as anew:
            assert seen(store, cache) == seen(anew, None)


def test_a_closing_leaves_alone_what_is_made_of_pictures(
    kept: tuple[Path, Caches, viewing.OverviewCache], monkeypatch: pytest.MonkeyPatch
) -> None:
    root, caches, cache = kept
    read: list[str] = []

    def watch(holder: Any, name: str) -> None:
        real = getattr(holder, name)

        def called(*given: Any) -> Any:
            read.append(name)
            return real(*given)

        monkeypatch.setattr(holder, name, called)

    with Store(open_at(root), by="Ada", caches=caches) as store:
        shut = [one for one in viewing.acts(store).values() if one[-1].reopened is None]
        if not shut:
            act(store, "close", 0)
            shut = [one for one in viewing.acts(store).values() if one[-1].reopened is None]
        opening = shut[0][-1].opening
        seen(store, cache)
        for holder, name in (
            (columns, "load"),
            (columns, "rows_with"),
            (review, "open_pictures"),
            (review, "placed_rids"),
            (review, "waiting_rids"),
            (media, "tally"),
            (windows, "_series"),
        ):
            watch(holder, name)
        deciding.reopen(store, opening, f"{day_of_act()} 10:00", LATER)
        now = seen(store, cache)
        assert read == []
        again = [acts for each, acts in viewing.overview(store, cache).openings if each.id == opening]
        assert again[0][-1].reopened is not None
        assert viewing.overview(store, None) == now[0]


def test_a_file_that_goes_by_another_name_is_called_by_it(
    kept: tuple[Path, Caches, viewing.OverviewCache],
) -> None:
    root, caches, _ = kept
    with Store(open_at(root), by="Ada", caches=caches) as store:
        one = queue.groups(store, everything=True)[0].pictures[0]
        medium = media.get(store.catalogue, one.sha256)
        assert medium is not None
        with store.catalogue.writing():
            media.add(store.catalogue, replace(medium, file="another name.jpg"))
        named = {each.rid: each.file for group in queue.groups(store, everything=True) for each in group.pictures}
        assert named[one.rid] == "another name.jpg"


def test_changes_are_those_of_the_rows_and_unknown_where_one_was_not_noted(
    kept: tuple[Path, Caches, viewing.OverviewCache],
) -> None:
    with Store(open_at(kept[0]), by="Ada") as store:
        before = changes.versions(store.catalogue)
        every = pictures.every_rid(store.catalogue)
        stood = tags.standing(store.catalogue, every)
        rids = pictures.every_rid(store.catalogue)[5:8]
        ids = [one.id for one in pictures.by_rids(store.catalogue, rids)]
        sub = store.plan.subassemblies[-1].id
        deciding.tag(store, ids, [Target(Dimension.SUBASSEMBLY, sub)], None)
        now = changes.versions(store.catalogue)
        stand = tags.standing(store.catalogue, every)
        # Those that were named, and what lies beside them and is proposed anew.
        differing = {rid for rid in every if stood.get(rid) != stand.get(rid)}
        assert differing & set(rids)
        assert set(changes.since(store.catalogue, before, now) or ()) == differing
        assert changes.since(store.catalogue, now, now) == []
        assert changes.since(store.catalogue, now, before) is None
        for at, counter in enumerate(("tags", "times")):
            now = changes.versions(store.catalogue)
            with store.catalogue.writing():
                store.catalogue.count_up(counter)  # as an earlier version of the program did
            one_more = (now[0] + (at == 0), now[1] + (at == 1))
            assert changes.since(store.catalogue, now, one_more) is None


def test_nothing_is_kept_of_what_is_taken_back(kept: tuple[Path, Caches, viewing.OverviewCache]) -> None:
    root, caches, _ = kept
    with Store(open_at(root), by="Ada", caches=caches) as store:
        sub = store.plan.subassemblies[0].id
        before = store.tagged(store.columns, Dimension.SUBASSEMBLY, (sub,)).copy()
        rid = int(store.columns.rid[np.flatnonzero(~before)[0]])
        with suppress(KeyError), store.catalogue.writing():
            store.catalogue.execute("DELETE FROM tag WHERE rid = ?", (rid,))
            store.catalogue.count_up("tags")
            inside = tags.standing(store.catalogue, [rid])
            assert inside == {}
            store.tagged(store.columns, Dimension.SUBASSEMBLY, (sub,))
            assert store.followed("taken back", lambda: 1, lambda was, rids: was + 1) == 1
            raise KeyError
        assert "taken back" not in caches.followed
        after = store.tagged(store.columns, Dimension.SUBASSEMBLY, (sub,))
        assert np.array_equal(before, after)


def test_the_next_newest_is_not_one_that_is_older_than_what_was_read(
    kept: tuple[Path, Caches, viewing.OverviewCache], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(newest, "_SPARE", 0)
    with Store(open_at(kept[0]), by="Ada", caches=Caches()) as store:
        sub = max(counts(store, Dimension.SUBASSEMBLY).items(), key=lambda pair: pair[1])[0]
        before = [id for id, _ in newest_tagged(store, {sub: "subassembly"}, 3)[sub]]
        every = store.columns
        tagged = store.tagged(every, Dimension.SUBASSEMBLY, (sub,))
        oldest = int(every.rid[np.argmin(np.where(tagged, every.taken, np.iinfo(np.int64).max))])
        gone = pictures.rids_of_ids(store.catalogue, before[:1])[before[0]]
        stood = [replace(one, why="another") for one in tags.standing(store.catalogue, [oldest])[oldest]]
        with store.catalogue.writing():
            tags.replace_standing(store.catalogue, {gone: [], oldest: stood})
        after = newest_tagged(store, {sub: "subassembly"}, 3)
    with Store(open_at(kept[0]), by="Ada") as anew:
        assert after == newest_tagged(anew, {sub: "subassembly"}, 3)
