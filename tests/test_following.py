"""What is brought up to date by the tags that changed is what reading everything anew would give."""

from __future__ import annotations

import random
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastlook import deciding, queue, sessions, viewing, waiting, windows
from lastlook.archive import open_at
from lastlook.catalogue import changes, pictures, tags
from lastlook.deciding import Target
from lastlook.errors import UsageError
from lastlook.records import Dimension
from lastlook.store import Caches, Store
from tests import generated

ACTS = ("tag", "step", "no", "undo", "close", "group", "session")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Caches, viewing.OverviewCache]:
    """An archive with what a viewer keeps of it. It goes on changing: every example begins where the last one ended."""
    root = tmp_path_factory.mktemp("following") / "build"
    generated.make(root, 300)
    return root, Caches(), viewing.OverviewCache()


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
        deciding.close(store, store.plan.openings[0].id, "2026-03-20 16:10")
    elif kind == "session":
        day = generated.START.date() + timedelta(days=chance.randrange(300))
        sessions.add(store, [sub], f"{day} 09:00", f"{day} 19:00")
    else:
        group = chance.choice(queue.groups(store, everything=True))
        if group.choices:
            queue.accept(store, group)


def seen(store: Store, cache: viewing.OverviewCache | None) -> list[object]:
    """All that pages show at a glance, in a form that compares."""
    series = windows.series(store, cache)
    return [
        viewing.overview(store, cache),
        viewing.tally(store, cache),
        waiting.waiting(store, cache)[0].to_place,
        {name: [one.taken.tolist(), one.rid.tolist(), one.open] for name, one in series.items()},
        queue.groups(store),
        queue.groups(store, everything=True),
    ]


@settings(max_examples=15, deadline=None)
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


def test_changes_are_those_of_the_rows_and_unknown_where_one_was_not_noted(
    kept: tuple[Path, Caches, viewing.OverviewCache],
) -> None:
    with Store(open_at(kept[0]), by="Ada") as store:
        before = store.catalogue.counters()["tags"]
        every = pictures.every_rid(store.catalogue)
        stood = tags.standing(store.catalogue, every)
        rids = pictures.every_rid(store.catalogue)[5:8]
        ids = [one.id for one in pictures.by_rids(store.catalogue, rids)]
        sub = store.plan.subassemblies[-1].id
        deciding.tag(store, ids, [Target(Dimension.SUBASSEMBLY, sub)], None)
        now = store.catalogue.counters()["tags"]
        stand = tags.standing(store.catalogue, every)
        # Those that were named, and what lies beside them and is proposed anew.
        differing = {rid for rid in every if stood.get(rid) != stand.get(rid)}
        assert differing & set(rids)
        assert set(changes.since(store.catalogue, before, now) or ()) == differing
        assert changes.since(store.catalogue, now, now) == []
        assert changes.since(store.catalogue, now, before) is None
        with store.catalogue.writing():
            store.catalogue.count_up("tags")  # as an earlier version of the program did
        assert changes.since(store.catalogue, before, now + 1) is None


def test_nothing_is_kept_of_what_is_taken_back(kept: tuple[Path, Caches, viewing.OverviewCache]) -> None:
    root, caches, _ = kept
    with Store(open_at(root), by="Ada", caches=caches) as store:
        sub = store.plan.subassemblies[0].id
        before = store.tagged(store.columns, Dimension.SUBASSEMBLY, (sub,)).copy()
        rid = int(store.columns.rid[np.flatnonzero(~before)[0]])
        with suppress(KeyError), store.catalogue.writing():
            tags.replace_standing(store.catalogue, rid, ())
            inside = tags.standing(store.catalogue, [rid])
            assert inside == {}
            store.tagged(store.columns, Dimension.SUBASSEMBLY, (sub,))
            assert store.followed("taken back", lambda: 1, lambda was, rids: was + 1) == 1
            raise KeyError
        assert "taken back" not in caches.followed
        after = store.tagged(store.columns, Dimension.SUBASSEMBLY, (sub,))
        assert np.array_equal(before, after)
