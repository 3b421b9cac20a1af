"""What needs a person: open proposals in groups, the most useful first, and settling a group at once.

Open pictures (`open_pictures`) are grouped by where they come from (a clip, a session, a stretch of time without a
pause of `PAUSE_MS`) and by what is claimed of them, so that one answer settles a burst, a clip's stretch, a session.

Usefulness is the number of pictures that an answer is expected to put right: for each, one less the probability of what
stands on it. What contradicts counts twice, since nothing more will come of itself; what nothing is known of counts
half, since it takes typing. What is applied and surer than `SURE` is left out unless all is asked for.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from lastlook import deciding, open_pictures
from lastlook.catalogue import codes, pictures, review
from lastlook.catalogue.review import Open
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.open_pictures import WORTH, Key, Need, Opened, Part, need_of, surest, time_of
from lastlook.placing import all_sessions
from lastlook.plan import structure
from lastlook.records import Code, CodeKind, Decision, Dimension, Plan
from lastlook.store import Store
from lastlook.tagging import cards
from lastlook.tagging.sessions import Session

MOST_CHOICES = 9


class Kind(StrEnum):
    ONE = "one picture"
    BURST = "burst"
    CLIP = "clip"
    SESSION = "session"
    STRETCH = "stretch of time"


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer: what the pictures would be put to, how sure that is on the whole (0..1), and on what evidence."""

    targets: tuple[tuple[Dimension, str], ...]
    confidence: float
    evidence: str

    @property
    def words(self) -> str:
        return " · ".join(target for _, target in self.targets)


@dataclass(frozen=True, slots=True)
class Group:
    """Pictures to be settled by one answer, in order of time. `id` follows from the pictures and what is claimed of
    them, so that an answer to what has changed in the meantime is refused. `session` is the uid of theirs, or ''."""

    id: str
    kind: Kind
    need: Need
    pictures: tuple[Open, ...]
    choices: tuple[Choice, ...]
    worth: float
    session: str = ""

    @property
    def ids(self) -> list[str]:
        return [one.id for one in self.pictures]


@dataclass(frozen=True, slots=True)
class _OfPart:
    """The groups of one part, but for its pictures of sessions, and those by what a group of them follows from."""

    groups: tuple[Group, ...]
    of_sessions: Mapping[Key, list[Open]]


@dataclass(frozen=True, slots=True)
class _Grouped:
    """The groups in order, and what they were made of. `places`: what lies in what by the plan."""

    places: tuple[object, ...]
    groups: tuple[Group, ...]
    parts: Mapping[Part, _OfPart]
    of_sessions: Mapping[Key, Group]


def groups(store: Store, *, everything: bool = False) -> list[Group]:
    """All open groups, the most useful first. `everything`: also what is applied and sure."""
    name = f"queue {'of everything' if everything else ''}"
    sessions = all_sessions(store)
    places = _places(store.plan)

    def make(was: _Grouped | None = None, _: Sequence[int] = ()) -> _Grouped:
        known = was if was is not None and was.places == places else _Grouped(places, (), {}, {})
        return _groups(open_pictures.followed(store, sessions), store.plan, known, everything=everything)

    return list(store.followed(name, make, make, of=(sessions, places)).groups)


def placed_count(store: Store) -> int:
    """How many pictures a person has put to a subassembly or step."""

    def update(was: frozenset[int], rids: Sequence[int]) -> frozenset[int]:
        return (was - set(rids)) | review.placed_rids(store.catalogue, rids)

    return len(store.followed("placed", lambda: frozenset(review.placed_rids(store.catalogue)), update))


def _places(plan: Plan) -> tuple[object, ...]:
    return (
        tuple((sub.id, sub.within) for sub in plan.subassemblies),
        tuple((step.id, step.subassembly) for step in plan.steps),
    )


def _groups(opened: Opened, plan: Plan, was: _Grouped, *, everything: bool) -> _Grouped:
    """`was`: the groups before some pictures changed; those of the very same pictures are not made anew."""
    homes = {step.id: step.subassembly for step in plan.steps}

    def of(part: Part) -> _OfPart:
        own = tuple(_group(key, each, homes, plan) for key, each in part.stretches(everything=everything))
        return _OfPart(own, part.of_sessions(everything=everything))

    parts = {part: was.parts.get(part) or of(part) for part in opened.parts()}
    gathered: dict[Key, list[Open]] = defaultdict(list)
    for each in parts.values():
        for key, ones in each.of_sessions.items():
            gathered[key] += ones
    of_sessions: dict[Key, Group] = {}
    for key, ones in gathered.items():
        before = was.of_sessions.get(key)
        same = before is not None and before.pictures == tuple(ones)
        of_sessions[key] = before if before is not None and same else _group(key, ones, homes, plan)
    every = [group for each in parts.values() for group in each.groups] + list(of_sessions.values())
    every.sort(key=lambda group: (-group.worth, group.pictures[0].taken_ms or 0, group.id))
    return _Grouped(was.places, tuple(every), parts, of_sessions)


def find(store: Store, id: str) -> Group:
    """A group as it stands, by its id or the beginning of it. Raises NoSuchId."""
    id = id.strip().lower()
    # With the sure ones among them pictures fall into other groups than without.
    every = {group.id: group for everything in (True, False) for group in groups(store, everything=everything)}
    found = [group for known, group in every.items() if len(id) >= 4 and known.startswith(id)]
    if len(found) != 1:
        raise NoSuchId("open group", id)
    return found[0]


def accept(store: Store, group: Group, choice: int = 1) -> Decision:
    """Put a group's pictures to one of its choices, counted from 1. Raises UsageError."""
    if not 1 <= choice <= len(group.choices):
        raise UsageError(
            f"the group has no choice {choice}",
            f"Choose 1 to {len(group.choices)}." if group.choices else "Name what it shows with --as.",
        )
    return settle(store, group, [Target(*pair) for pair in group.choices[choice - 1].targets])


def settle(store: Store, group: Group, targets: Sequence[Target]) -> Decision:
    """Put a group's pictures to what a person names. Raises NoSuchId, UsageError."""
    decision, _ = deciding.tag(store, group.ids, targets)
    return decision


def reject(store: Store, group: Group, choice: int = 1) -> Decision:
    """Say that the pictures do not show a choice's targets: they are not proposed again. Raises UsageError."""
    if not 1 <= choice <= len(group.choices):
        raise UsageError("there is nothing proposed to say no to", "Name what it shows, or leave it for later.")
    # "MAST · S08" is wrong: where MAST alone is offered too, only the step is denied.
    targets = group.choices[choice - 1].targets
    if len(targets) > 1 and any(other.targets == targets[:1] for other in group.choices):
        targets = targets[1:]
    decision, _ = deciding.untag(store, group.ids, [Target(*pair) for pair in targets])
    return decision


def reject_all(store: Store, group: Group) -> Decision:
    """Say that the pictures show nothing of what is proposed. Raises UsageError."""
    claimed = dict.fromkeys((claim.dimension, claim.target) for one in group.pictures for claim in one.claims)
    if not claimed:
        raise UsageError("there is nothing proposed to say no to", "Name what it shows, or leave it for later.")
    decision, _ = deciding.untag(store, group.ids, [Target(*pair) for pair in claimed])
    return decision


def strange_cards(store: Store) -> list[tuple[str, str]]:
    """(file, what is to be said) of bench cards in pictures that cannot be used: another plan's, damaged, of a later
    version."""
    found: dict[tuple[str, str], None] = {}
    for seen in codes.beginning(store.catalogue, "LL"):
        for line in cards.strange([Code(CodeKind.QR, seen.text, (), 1.0)], store.plan):
            found[seen.file, line] = None
    return list(found)


# ------------------------------------------------------------------------------------------------ a whole session


@dataclass(frozen=True, slots=True)
class Preview:
    """What accepting a whole session would do: `sets` these targets on `pictures`, open ones that nothing contradicts;
    `differing` are left out since something else speaks of them, with what it says."""

    session: Session
    sets: tuple[tuple[Dimension, str], ...]
    pictures: tuple[Open, ...]
    differing: tuple[tuple[Open, str], ...]

    @property
    def id(self) -> str:
        """Follows from what would be done, so that an answer to what has changed in the meantime is refused."""
        what = [*(one.id for one in self.pictures), *(target for _, target in self.sets)]
        return hashlib.sha256("\n".join(what).encode()).hexdigest()[:12]


def preview(store: Store, session: Session) -> Preview:
    """What accepting all of a session would do; nothing is done."""
    plan = store.plan
    homes = {step.id: step.subassembly for step in plan.steps}
    wanted = {target for dimension, target in session.targets if dimension is Dimension.SUBASSEMBLY}
    steps = {target for dimension, target in session.targets if dimension is Dimension.STEP}
    wanted |= {homes[step] for step in steps if step in homes}
    taken, differing = [], []
    start, end = pictures.ms(session.start), pictures.ms(session.end)
    for one in open_pictures.followed(store, all_sessions(store)).between(start, end):
        if session.share(time_of(one)) <= 0.5:
            continue
        other = next(
            (
                claim.target
                for claim in one.claims
                if (claim.dimension is Dimension.SUBASSEMBLY and not _akin(claim.target, wanted, plan))
                or (claim.dimension is Dimension.STEP and steps and claim.target not in steps)
                if claim.counts or claim.confidence >= 0.4
            ),
            None,
        )
        if other is not None:
            differing.append((one, other))
        elif any((claim.dimension, claim.target) in session.targets for claim in one.claims):
            taken.append(one)
    sets = [pair for pair in session.targets if pair[0] in (Dimension.SUBASSEMBLY, Dimension.STEP)]
    if not any(dimension is Dimension.SUBASSEMBLY for dimension, _ in sets):
        sets += [(Dimension.SUBASSEMBLY, home) for home in dict.fromkeys(homes.get(step, "") for step in steps) if home]
    return Preview(session, tuple(sets), tuple(taken), tuple(differing))


def accept_session(store: Store, shown: Preview) -> Decision:
    """Do what a preview has shown. Raises UsageError where it shows nothing to do."""
    if not shown.pictures or not shown.sets:
        raise UsageError("the session has no open pictures that nothing else speaks of", "There is nothing to accept.")
    decision, _ = deciding.tag(store, [one.id for one in shown.pictures], [Target(*pair) for pair in shown.sets])
    return decision


# ------------------------------------------------------------------------------------------------ grouping


def _group(key: Key, each: list[Open], homes: dict[str, str], plan: Plan) -> Group:
    where, _ = key
    choices = _choices(each, homes, plan)
    need = need_of(each[0])
    told = {Need.CONFLICT: 2.0, Need.NOTHING: 0.5}.get(need, 1.0)
    worth = told * sum(1.0 - surest(one) for one in each)
    digest = hashlib.sha256(
        "\n".join([*(one.id for one in each), *(choice.words for choice in choices)]).encode()
    ).hexdigest()
    kind = Kind.STRETCH
    if len(each) == 1:
        kind = Kind.ONE
    elif where.startswith("clip"):
        kind = Kind.CLIP
    elif each[0].burst is not None and all(one.burst == each[0].burst for one in each):
        kind = Kind.BURST
    elif where.startswith("session"):
        kind = Kind.SESSION
    session = where.removeprefix("session ") if where.startswith("session ") else ""
    return Group(f"g{digest[:11]}", kind, need, tuple(each), choices, round(worth, 4), session)


def _choices(each: Sequence[Open], homes: dict[str, str], plan: Plan) -> tuple[Choice, ...]:
    """Answers worth a key: each place with its surest step, then the place alone, by how sure they are on the whole."""
    sums: dict[tuple[Dimension, str], float] = defaultdict(float)
    why: dict[tuple[Dimension, str], str] = {}
    for one in each:
        for claim in one.claims:
            sums[claim.dimension, claim.target] += claim.confidence / len(each)
            why.setdefault((claim.dimension, claim.target), claim.why)
    steps = sorted((pair for pair in sums if pair[0] is Dimension.STEP), key=lambda pair: (-sums[pair], pair[1]))
    places = sorted(
        (pair for pair in sums if pair[0] is Dimension.SUBASSEMBLY), key=lambda pair: (-sums[pair], pair[1])
    )
    made: dict[tuple[tuple[Dimension, str], ...], Choice] = {}
    for place in places:
        if sums[place] < WORTH:
            continue
        inside = [step for step in steps if sums[step] >= WORTH and _akin(homes.get(step[1], ""), {place[1]}, plan)]
        for step in inside[:2]:
            made[place, step] = Choice((place, step), round(min(sums[place], sums[step]), 4), why[step])
        made[(place,)] = Choice((place,), round(sums[place], 4), why[place])
    for step in steps:
        home = homes.get(step[1], "")
        pair = ((Dimension.SUBASSEMBLY, home), step)
        if home and sums[step] >= WORTH and not any(step in targets for targets in made):
            made[pair] = Choice(pair, round(sums[step], 4), why[step])
    return tuple(list(made.values())[:MOST_CHOICES])


def _akin(place: str, others: set[str], plan: Plan) -> bool:
    """Whether a subassembly is one of others, lies in one of them, or one of them lies in it."""
    if place in others:
        return True
    known = {item.id for item in plan.subassemblies}
    if place not in known:
        return False
    return any(
        other in structure.ancestors(plan, place) or place in structure.ancestors(plan, other)
        for other in others & known
    )
