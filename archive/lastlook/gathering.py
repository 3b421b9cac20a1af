"""Gather what a hand-over record is made from, and leave out what is private or out of scope."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

from lastlook import closing_check, history
from lastlook.catalogue import decisions, pictures
from lastlook.closing import folding, graph
from lastlook.closing.records import Facts, ItemLook, State
from lastlook.closing_facts import approval_step, closings_by_opening, gather
from lastlook.errors import UsageError
from lastlook.handover import around
from lastlook.handover.drawing import Drawing
from lastlook.handover.material import Approval, Audience, Material
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Closing, Dimension, Picture, Subassembly, TagState
from lastlook.stating import Private, statements, what_is_private
from lastlook.store import Store

T = TypeVar("T")
_AT_ONCE = 5000  # pictures read between two words on how far it is


@dataclass(frozen=True, slots=True)
class Scope:
    """What a record is about: subassemblies with what is built into them (empty: the whole build), and a span of time.

    A picture lies in the span if it may: its interval overlaps it.
    """

    subassemblies: tuple[str, ...] = ()
    since: datetime | None = None
    until: datetime | None = None


def issued_at(store: Store) -> datetime:
    """The state of the archive that a record tells: when it last changed. No clock of today comes in, so that the same
    archive gives the same record."""
    last = decisions.last_seq(store.catalogue)
    found = decisions.by_uid(store.catalogue, decisions.uid_at(store.catalogue, last)) if last else None
    return found.at if found is not None else datetime(1980, 1, 1, tzinfo=UTC)


def material(store: Store, scope: Scope, audience: Audience, *, report: Report = silent) -> Material:
    """All that goes into a record. Raises NoSuchId, UsageError."""
    plan = store.plan
    subs = tuple(lookup_id(plan, Dimension.SUBASSEMBLY, typed) for typed in scope.subassemblies)
    if scope.since and scope.until and scope.until < scope.since:
        raise UsageError("'until' lies before 'since'", "Swap the two.")
    with store.catalogue.reading():
        private = what_is_private(store)
        issued = issued_at(store)
        items = _items(store, subs)
        every = _every(store, report)
        if "proposals" in private.fields:
            every = [_said_only(picture) for picture in every]
        allowed, kept_back, wider = _pictures(store, every, scope, items if subs else None, private)
        tagged = _tagged(allowed.values())
        facts, words_kept = _without_words(gather(store, sorted(items)), private, items)
        acts = {id: tuple(_quiet(one, private) for one in found) for id, found in closings_by_opening(store).items()}
        said = [(decision, one) for decision, one in statements(store) if not one.about or one.about in items]
        open_said = tuple(one for decision, one in said if decision.uid not in private.notes)
        states = closing_check.hidden(store, now=issued).items
        states = tuple(replace(one, since=_quiet(one.since, private) if one.since else None) for one in states)
        shows = {one.id: _counted(one) for one in every} if subs else None
        approvals, words_back = _approvals(store, private, items, shows)
        return Material(
            plan=plan,
            facts=facts,
            states=states,
            closings=acts,
            looks=_looks(store, items, issued, every if "proposals" in private.fields else ()),
            moments={
                sub.id: around.moments(
                    history.order_of(store, sub.id), acts, structure.subtree(plan, sub.id), allowed, tagged
                )
                for sub in plan.subassemblies
                if sub.id in items
            },
            statements=open_said,
            approvals=approvals,
            pictures=allowed,
            tagged=tagged,
            marked=_marked(store),
            drawings={id: drawn for id, drawn in _drawings(store, items).items() if id in allowed},
            items=items,
            fields=private.fields,
            withheld=kept_back + len(said) - len(open_said) + words_kept + words_back,
            issued=issued,
            audience=audience,
            # A clip holds each of its stills: with one that is private, it cannot leave whole.
            kept=frozenset(picture.sha256 for picture in every if picture.id in private.pictures),
            wider=wider,
        )


def _every(store: Store, report: Report) -> list[Picture]:
    """All pictures there are: in a large archive the most of the work, so it says how far it is."""
    rids = pictures.every_rid(store.catalogue)
    found: list[Picture] = []
    for start in range(0, len(rids), _AT_ONCE):
        report(Progress(Stage.GATHER, start, len(rids)))
        found += pictures.by_rids(store.catalogue, rids[start : start + _AT_ONCE])
    report(Progress(Stage.GATHER, len(rids), len(rids)))
    return found


def _items(store: Store, subs: Sequence[str]) -> frozenset[str]:
    """Ids of the plan in scope: subassemblies with what is in them, the openings that show any of it, their steps."""
    plan = store.plan
    if not subs:
        return plan.ids
    inside = {id for sub in subs for id in structure.subtree(plan, sub)}
    found = set(inside)
    for sub in subs:
        found.update(run.id for run in structure.runs_in(plan, sub, below=True))
        found.update(part.id for part in structure.parts_in(plan, sub, below=True))
    found.update(step.id for step in plan.steps if step.subassembly in inside)
    found.update(opening.id for opening in plan.openings if found.intersection(opening.shows))
    return frozenset(found)


def _pictures(
    store: Store, every: Sequence[Picture], scope: Scope, items: frozenset[str] | None, private: Private
) -> tuple[dict[str, Picture], int, frozenset[str]]:
    """Pictures in scope that may leave, by time; how many in scope may not; and the checksums of originals of which
    some picture is out of scope."""
    quiet = _quiet_captions(store, private)
    found, kept = [], 0
    wider: set[str] = set()
    for picture in every:
        if not _in_scope(picture, scope, items):
            wider.add(picture.sha256)
        elif not picture.shown or not picture.page:
            continue
        elif picture.id in private.pictures:
            kept += 1
        else:
            found.append(replace(picture, caption="") if picture.id in quiet else picture)
    unknown = datetime.max.replace(tzinfo=UTC)
    found.sort(key=lambda one: (one.time.instant or unknown, one.id))
    return {picture.id: picture for picture in found}, kept, frozenset(wider)


def _in_scope(picture: Picture, scope: Scope, items: frozenset[str] | None) -> bool:
    if items is not None and items.isdisjoint(_counted(picture)):
        return False
    first, last = picture.time.earliest, picture.time.latest
    if scope.since and (last is None or last < scope.since):
        return False
    return not (scope.until and (first is None or first > scope.until))


def _counted(picture: Picture) -> frozenset[str]:
    return frozenset(id for dimension in Dimension for id in picture.counted(dimension))


def _said_only(picture: Picture) -> Picture:
    """The picture as people tagged it. Tags that were proposed name what it shows as well as any, so that where
    proposals are private, nothing may be sorted by them."""
    return replace(picture, tags=tuple(tag for tag in picture.tags if tag.state is TagState.SET))


def _quiet_captions(store: Store, private: Private) -> set[str]:
    """Pictures whose caption was said by a decision that is private."""
    found: set[str] = set()
    if not private.notes:  # and so no need to read every decision on tags
        return found
    for decision in decisions.live(store.catalogue, "tag"):
        if "caption" in decision.body:
            listed = decision.body["pictures"]
            assert isinstance(listed, list)
            if decision.uid in private.notes:
                found.update(map(str, listed))
            else:
                found.difference_update(map(str, listed))
    return found


def _tagged(every: Iterable[Picture]) -> dict[str, tuple[str, ...]]:
    found: dict[str, list[str]] = {}
    for picture in every:
        for dimension in Dimension:
            for id in picture.counted(dimension):
                found.setdefault(id, []).append(picture.id)
    return {id: tuple(ids) for id, ids in found.items()}


_WORDS = ("why", "text", "words", "reason", "note", "preparation", "instrument", "batch")


def _without_words(facts: Facts, private: Private, items: frozenset[str]) -> tuple[Facts, int]:
    """What was recorded, without the words of private notes: the facts stay, or the record would claim too much. And
    how many there are about `items`."""
    count = 0

    def quiet(one: Any, about: str) -> Any:
        nonlocal count
        if one.uid not in private.notes:
            return one
        count += about in items
        there = {each.name for each in fields(one)}
        return replace(one, **{name: "" for name in _WORDS if name in there})

    def each(found: Mapping[str, tuple[T, ...]]) -> dict[str, tuple[T, ...]]:
        return {key: tuple(quiet(one, key) for one in ones) for key, ones in found.items()}

    return (
        replace(
            facts,
            changes=each(facts.changes),
            measures=each(facts.measures),
            tests=each(facts.tests),
            done=each(facts.done),
            releases=each(facts.releases),
            witnesses=each(facts.witnesses),
            waivers=each(facts.waivers),
            bonds=tuple(quiet(bond, bond.target) for bond in facts.bonds),
        ),
        count,
    )


def _quiet(closing: Closing, private: Private) -> Closing:
    return replace(closing, method="") if closing.decision in private.notes else closing


def _looks(store: Store, items: frozenset[str], issued: datetime, said: Sequence[Picture]) -> dict[str, ItemLook]:
    """The last look at every item that can be hidden: as kept at its closing, or taken from what is on record. `said`:
    the pictures as people tagged them, where what was only proposed is left out, else ()."""
    shown = {picture.id: _counted(picture) for picture in said}

    def quiet(look: ItemLook) -> ItemLook:
        if not said:
            return look
        # Of any other state a person has said how the picture shows the item.
        kept = (each for each in look.pictures if each.state is not State.GAP or look.item in shown[each.picture])
        return replace(look, pictures=tuple(kept))

    found: dict[str, ItemLook] = {}
    for id in graph.visible_items(store.plan):
        if id in items:
            for look in closing_check.last_look(store, id, now=issued).looks:
                if look.item == id:
                    found[id] = quiet(look)
    return found


def _marked(store: Store) -> dict[str, tuple[str, ...]]:
    """For each run, the pictures on which somebody has drawn it."""
    found: dict[str, list[str]] = {}
    for decision in decisions.live(store.catalogue, "mark"):
        if decision.body["shape"] == "trace" and decision.body["of"]:
            found.setdefault(str(decision.body["of"]), []).append(str(decision.body["picture"]))
    return {id: tuple(dict.fromkeys(ids)) for id, ids in found.items()}


def _drawings(store: Store, items: frozenset[str]) -> dict[str, tuple[Drawing, ...]]:
    """What was drawn on each picture of things in scope. Free labels stay behind: an id says what it is."""
    codes = {run.id: run.colour for run in store.plan.runs}
    found: dict[str, list[Drawing]] = {}
    for decision in decisions.live(store.catalogue, "mark"):
        body: Mapping[str, Any] = decision.body
        if body["of"] in items and body["points"]:
            points = tuple((float(x), float(y)) for x, y in body["points"])
            made = Drawing(str(body["shape"]), str(body["of"]), points, codes.get(str(body["of"]), ""))
            found.setdefault(str(body["picture"]), []).append(made)
    return {id: tuple(drawn) for id, drawn in found.items()}


def _approvals(
    store: Store, private: Private, items: frozenset[str], shows: Mapping[str, frozenset[str]] | None
) -> tuple[tuple[Approval, ...], int]:
    """Packs that went out with their answers; a pack whose words are private is left out whole. `shows`: what each
    picture shows, where packs about other parts are left out; a pack is about what its pictures show and the step that
    its point names."""
    answers = {str(one.body["pack"]): one for one in decisions.live(store.catalogue, "approval")}
    found, kept = [], 0
    for pack in decisions.live(store.catalogue, "approval-pack"):
        body: Mapping[str, Any] = pack.body
        shown = tuple(str(one["picture"]) for one in body["pictures"])
        if shows is not None:
            step = approval_step(store.plan, str(body["point"]))
            if items.isdisjoint({*([step.id] if step else ()), *(id for one in shown for id in shows.get(one, ()))}):
                continue
        if pack.uid in private.notes:
            kept += 1
            continue
        made = Approval(pack.uid, body["point"], body["wording"], shown, pack.at)
        answer = answers.get(pack.uid)
        if answer is not None and answer.uid in private.notes:
            kept += 1
        elif answer is not None:
            said: Mapping[str, Any] = answer.body
            when = folding.when(said, answer.by)
            made = replace(made, answer=said["answer"], words=said["words"], person=said["person"], time=when)
        found.append(made)
    return tuple(found), kept


def subassembly_titles(store: Store, ids: Sequence[str]) -> list[str]:
    """ "MAST Lantern mast", for the scope's words."""
    known: dict[str, Subassembly] = {sub.id: sub for sub in store.plan.subassemblies}
    wanted = [lookup_id(store.plan, Dimension.SUBASSEMBLY, typed) for typed in ids]
    return [f"{id} {known[id].title}" for id in wanted]
