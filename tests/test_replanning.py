"""What follows from another plan, followed only where it matters, is what proposing for all pictures would give."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from lastlook import deciding, indexing, planning, proposing
from lastlook.archive import Archive
from lastlook.catalogue import decisions, indexed, pictures, tags
from lastlook.plan.write import dump_plan
from lastlook.records import Dimension, Plan, RunStatus
from lastlook.store import Store
from tests import lightship


@pytest.fixture(scope="module")
def store(lightship_archive: Archive, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """An archive with cards, sessions and spoken words. It goes on changing: each plan follows the one before it."""
    with Store(lightship.copy(lightship_archive, tmp_path_factory.mktemp("replanning")), by="Ada") as opened:
        yield opened


def with_one(group: str, id: str, **values: Any) -> Any:
    """A plan of which one item says something else."""

    def changed(plan: Plan) -> Plan:
        items: Any = tuple(replace(each, **values) if each.id == id else each for each in getattr(plan, group))
        assert items != getattr(plan, group)
        said: dict[str, Any] = {group: items}
        return replace(plan, **said)

    return changed


def with_zone(plan: Plan) -> Plan:
    return replace(plan, build=replace(plan.build, zone="Atlantic/Faroe"))


def with_runs_renumbered(plan: Plan) -> Plan:
    """One more run that is called by a colour which has named another alone."""
    return replace(plan, runs=(*plan.runs, replace(plan.runs[0], id="W77", title="A spare", aliases=("mast foot",))))


CHANGES = {
    "a depth": (with_one("subassemblies", "MAST", depth_mm=31.5), 0, 0),
    "an opening's kind": (with_one("openings", "O4", depth_mm=12.0, replaces=("MAST",)), 0, 0),
    "a run's end": (with_one("runs", "W03", source="a drawer"), 0, 1),
    "a run's status": (with_one("runs", "W03", status=RunStatus.SPARE), 0, 0),
    "a run's colour": (with_one("runs", "W03", colour="PK"), None, 1),
    "a name that is said": (with_one("subassemblies", "LAN", aliases=("splice", "sleeved", "motor")), 1, 1),
    "a title": (with_one("subassemblies", "MAST", title="Something of another name"), 1, 1),
    "a step's title": (with_one("steps", "S08", title="Mast foot, runs come in"), None, 1),
    "where a step is done": (with_one("steps", "S08", subassembly="LAN"), 1, 0),
    "what lies in what": (with_one("subassemblies", "LAN", within="HULL-F"), None, 0),
    "where a run lies": (with_one("runs", "W05", subassemblies=("LAN",)), None, 0),
    "a run more": (with_runs_renumbered, None, 0),
    "the zone": (with_zone, None, None),
}
"""(the change, at least so many pictures to propose for, at least so many reworded); None: it is not said."""


def folded(store: Store) -> tuple[Any, Any, Any]:
    """Proposals, tags and times of all pictures."""
    rids = pictures.every_rid(store.catalogue)
    proposed = {rid: tags.proposals_of(store.catalogue, rid) for rid in rids}
    return proposed, tags.standing(store.catalogue, rids), [one.time for one in pictures.by_rids(store.catalogue, rids)]


def learned(store: Store, plan: Plan) -> dict[int, str]:
    return {one.rid: one.text for one in indexing.documents(store.catalogue, plan, pictures.every_rid(store.catalogue))}


@pytest.mark.parametrize("name", CHANGES)
def test_a_plan_is_followed_where_it_matters(store: Store, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    change, least, reworded = CHANGES[name]
    asked: list[int] = []
    real = proposing.propose

    def propose(store: Store, rids: Any = None, **more: Any) -> None:
        asked.append(len(pictures.every_rid(store.catalogue)) if rids is None else len(rids))
        real(store, rids, **more)

    monkeypatch.setattr(proposing, "propose", propose)
    every = len(pictures.every_rid(store.catalogue))
    for back in (False, True):  # the change, then its being taken back
        before = learned(store, store.plan)
        with store.catalogue.writing():  # as `deciding` does, but for the text index, so that it can be looked at
            if not back:
                wanted = dump_plan(change(store.plan), store.plan_text)
                planning.load(store, wanted, "plan.toml")
            else:
                last = decisions.last_live(store.catalogue, "plan")
                assert last is not None
                deciding.undo(store, last.uid)
            waiting = set(indexed.unindexed(store.catalogue, -1))
            now = learned(store, store.plan)
            followed = folded(store)
            real(store)
            assert folded(store) == followed
        assert {rid for rid in now if now[rid] != before[rid]} <= waiting
        if least is not None:
            assert least <= asked[-1] < every
        if least == 0:
            assert asked[-1] == 0
        if reworded is not None:
            assert reworded <= len(waiting) < every
        indexing.catch_up(store.index, store.catalogue, store.plan)


def test_nothing_is_said_of_a_plan_that_was_never_in_force(store: Store) -> None:
    """Taking back one of the plans before the last changes nothing at all."""
    first = decisions.last_live(store.catalogue, "plan")
    assert first is not None
    changed = replace(store.plan, build=replace(store.plan.build, client="The harbour museum"))
    planning.load(store, dump_plan(changed, store.plan_text), "plan.toml")
    before, of = folded(store), store.catalogue.counters()["tags"]
    deciding.undo(store, first.uid)
    assert (folded(store), store.catalogue.counters()["tags"]) == (before, of)
    assert store.plan.build.client == "The harbour museum"
    assert Dimension.RUN in {tag.dimension for each in before[1].values() for tag in each}
