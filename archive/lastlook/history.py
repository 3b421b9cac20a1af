"""The history of a subassembly, and all that is known of one picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lastlook import times
from lastlook.catalogue import decisions, media, paths, pictures, tags
from lastlook.catalogue.media import Medium
from lastlook.find import closing_in_force, find
from lastlook.plan import structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import (
    Closing,
    Decision,
    Dimension,
    Opening,
    Picture,
    Proposal,
    Question,
    Sort,
    Step,
    Subassembly,
)
from lastlook.store import Store

# ------------------------------------------------------------------------------------------------ timeline


@dataclass(frozen=True, slots=True)
class Moment:
    """A step or an opening on a subassembly's time line: the last picture before it, the first or last after it.

    For a step: `before` is the last picture of the subassembly taken surely before the step's first picture, `after`
    the newest picture of the step. For an opening: the last look before its closing and the first look after it.
    `count` is how many pictures are tagged with the step. `gaps` says in words what is missing.
    """

    item: Step | Opening
    closing: Closing | None
    before: Picture | None
    after: Picture | None
    count: int
    undetermined: int
    gaps: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Timeline:
    """`moments` in the order of the plan, each opening behind the last step that must precede it."""

    subassembly: Subassembly
    total: int
    moments: tuple[Moment, ...]


def timeline(store: Store, sub: str) -> Timeline:
    """The time line of a subassembly and what is built into it. Raises NoSuchId."""
    plan = store.plan
    id = lookup_id(plan, Dimension.SUBASSEMBLY, sub)
    subassembly = next(item for item in plan.subassemblies if item.id == id)
    moments = tuple(moment_of(store, id, item) for item in order_of(store, id))
    total = find(store, Question(subassemblies=(id,), limit=1)).total
    return Timeline(subassembly, total, moments)


def moment_of(store: Store, sub: str, item: Step | Opening) -> Moment:
    """A step or an opening by itself, as it stands on the time line of subassembly `sub`."""
    return _opening_moment(store, sub, item) if isinstance(item, Opening) else _step_moment(store, sub, item)


def order_of(store: Store, sub: str) -> list[Step | Opening]:
    """Steps of a subassembly in order, each opening that hides it behind the last step that must precede it."""
    plan = store.plan
    steps = list(structure.steps_of(plan, sub, below=True))
    near = {*structure.openings_showing(plan, sub), *(opening for step in steps for opening in step.before)}
    openings = {item.id: item for item in plan.openings if item.id in near}
    last_step: dict[str, int] = {
        name: max((step.order for step in structure.steps_before(plan, name)), default=max_order(plan.steps))
        for name in openings
    }
    line: list[tuple[int, int, int, Step | Opening]] = [
        (step.order, 0, number, step) for number, step in enumerate(steps)
    ]
    closing_order = structure.closing_order(plan)
    line += [(last_step[name], 1, closing_order.index(name), item) for name, item in openings.items()]
    return [item for _, _, _, item in sorted(line, key=lambda entry: entry[:3])]


def max_order(steps: Sequence[Step]) -> int:
    return max((step.order for step in steps), default=0)


def _step_moment(store: Store, sub: str, step: Step) -> Moment:
    answer = find(store, Question(steps=(step.id,), sort=Sort.OLDEST, limit=1))
    gaps: list[str] = []
    before = after = None
    if answer.hits:
        first = answer.hits[0].picture
        newest = find(store, Question(steps=(step.id,), sort=Sort.NEWEST, limit=1))
        after = newest.hits[0].picture
        before = _last_before(store, sub, first)
        if before is None:
            gaps.append(f"no picture of {sub} before {step.id} began")
    else:
        gaps.append(f"no picture of {step.id} {step.title}")
    return Moment(step, None, before, after, answer.total, answer.undetermined_total, tuple(gaps))


def _last_before(store: Store, sub: str, first: Picture) -> Picture | None:
    """The last picture of the subassembly that was surely taken before `first`."""
    if first.time.earliest is None:
        return None
    answer = find(
        store,
        Question(subassemblies=(sub,), until=first.time.earliest, sort=Sort.NEWEST, limit=5),
    )
    for hit in answer.hits:
        if times.compare(hit.picture.time, first.time) is times.Order.BEFORE:
            return hit.picture
    return None


def _opening_moment(store: Store, sub: str, opening: Opening) -> Moment:
    closing = closing_in_force(store, opening.id)
    if closing is None:
        newest = find(store, Question(subassemblies=(sub,), sort=Sort.NEWEST, limit=1))
        before = newest.hits[0].picture if newest.hits else None
        return Moment(opening, None, before, None, 0, 0, (f"{opening.id} is not closed on record",))
    last = find(store, Question(subassemblies=(sub,), before_closing=opening.id, sort=Sort.NEWEST, limit=1))
    next_ = find(store, Question(subassemblies=(sub,), after_closing=opening.id, sort=Sort.OLDEST, limit=1))
    before = last.hits[0].picture if last.hits else None
    after = next_.hits[0].picture if next_.hits else None
    gaps: list[str] = []
    if before is None:
        gaps.append(f"no picture of {sub} surely before {opening.id} was closed")
    if after is None:
        gaps.append(f"no picture of {sub} surely after {opening.id} was closed")
    return Moment(opening, closing, before, after, 0, last.undetermined_total, tuple(gaps))


# ------------------------------------------------------------------------------------------------ one picture


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything known of a picture. `sources` are the paths its file was met at; `decisions` with whether each was
    taken back; `group` its near-duplicates, itself included; `motion` the short clip beside a photo."""

    picture: Picture
    medium: Medium
    sources: tuple[str, ...]
    proposals: tuple[Proposal, ...]
    decisions: tuple[tuple[Decision, bool], ...]
    group: tuple[Picture, ...]
    earlier: str
    later: str
    motion: Medium | None


def show(store: Store, typed: str) -> Shown:
    """A picture by its id or the beginning of it. Raises NoSuchId, AmbiguousId."""
    catalogue = store.catalogue
    picture = pictures.find(catalogue, typed)
    medium = media.get(catalogue, picture.sha256)
    if medium is None:  # foreign keys hold it there
        raise AssertionError(f"{picture.id} has no file")
    earlier, later = pictures.neighbours(catalogue, picture.rid)
    met = paths.sightings_of(catalogue, [picture.sha256]).get(picture.sha256, [])
    motion = [item for item in media.belonging(catalogue, picture.sha256) if item.kind == "clip"]
    return Shown(
        picture=picture,
        medium=medium,
        sources=tuple(place.path for place in met),
        proposals=tuple(tags.proposals_of(catalogue, picture.rid)),
        decisions=tuple(decisions.about(catalogue, picture.id)),
        group=tuple(pictures.of_group(catalogue, picture.group)) if picture.group is not None else (),
        earlier=earlier,
        later=later,
        motion=motion[0] if motion else None,
    )
