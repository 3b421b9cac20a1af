"""What needs a person: open proposals in groups, the most useful first, and settling a group at once.

A picture is open until a person has put it to a subassembly or step, or has said no to all that was proposed. Open
pictures are grouped by where they come from (a clip, a session, a stretch of time without a pause of `PAUSE_MS`) and by
what is claimed of them, so that one answer settles a burst, a clip's stretch, a session.

Usefulness is the number of pictures that an answer is expected to put right: for each, one less the probability of what
stands on it. What contradicts counts twice, since nothing more will come of itself; what nothing is known of counts
half, since it takes typing. What is applied and surer than `SURE` is left out unless all is asked for.
"""

from __future__ import annotations

import bisect
import hashlib
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from lastlook import deciding
from lastlook.catalogue import codes, pictures, review
from lastlook.catalogue.review import Open
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.placing import all_sessions
from lastlook.plan import structure
from lastlook.records import CaptureTime, Code, CodeKind, Decision, Dimension, Plan
from lastlook.store import Store
from lastlook.tagging import cards
from lastlook.tagging.sessions import Session
from lastlook.tagging.weigh import OTHER

PAUSE_MS = 20 * 60 * 1000
SURE = 0.95
MOST_CHOICES = 9
_STRETCH = "stretch"
_WORTH = 0.2  # a claim less sure than this is no choice worth a key


class Need(StrEnum):
    CONFLICT = "conflict"
    NOTHING = "nothing"
    UNSURE = "unsure"
    APPLIED = "applied"


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
class _Entry:
    """An open picture with what its group follows from. `after`: where it stands in order of time; `sure`: it is left
    out unless all is asked for; `key`: where it comes from and what is claimed of it. `timed_ms`: when it was
    taken, None for stills and where that is not known: those part no stretches."""

    one: Open
    after: tuple[bool, int, int]
    sure: bool
    timed_ms: int | None
    key: tuple[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class _Grouped:
    """The groups in order, and by what they share and their first picture. `places`: what lies in what by the plan."""

    places: tuple[object, ...]
    groups: tuple[Group, ...]
    known: Mapping[tuple[str, tuple[str, ...], int], Group]


@dataclass(frozen=True, slots=True)
class _Opened:
    """Open pictures in order of time, and the sessions by which they were told apart."""

    sessions: tuple[Session, ...]
    entries: list[_Entry]


def groups(store: Store, *, everything: bool = False) -> list[Group]:
    """All open groups, the most useful first. `everything`: also what is applied and sure."""
    name = f"queue {'of everything' if everything else ''}"
    sessions = all_sessions(store)

    def make(was: _Grouped | None = None, _: Sequence[int] = ()) -> _Grouped:
        return _groups(store, sessions, was, everything=everything)

    return list(store.followed(name, make, make, of=(sessions, _places(store.plan))).groups)


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


def _groups(store: Store, sessions: tuple[Session, ...], was: _Grouped | None, *, everything: bool) -> _Grouped:
    """`was`: the groups before some pictures changed; those of the very same pictures are not made anew."""
    plan = store.plan
    places = _places(plan)
    if was is not None and was.places != places:
        was = None
    homes = {step.id: step.subassembly for step in plan.steps}
    known: dict[tuple[str, tuple[str, ...], int], Group] = {}
    for (where, signature), each in _gathered(_entries(store, sessions), everything=everything):
        key = where, signature, each[0].rid
        before = was.known.get(key) if was is not None else None
        same = before is not None and before.pictures == tuple(each)
        known[key] = before if before is not None and same else _group(where, each, homes, plan)
    found = sorted(known.values(), key=lambda group: (-group.worth, group.pictures[0].taken_ms or 0, group.id))
    return _Grouped(places, tuple(found), known)


def _gathered(entries: list[_Entry], *, everything: bool) -> list[tuple[tuple[str, tuple[str, ...]], list[Open]]]:
    """Pictures that share what a group follows from, with that. Little is done for each: there may be all there are."""
    elsewhere: dict[tuple[str, tuple[str, ...]], list[Open]] = defaultdict(list)
    stretch: dict[tuple[str, tuple[str, ...]], list[Open]] = defaultdict(list)
    found: list[tuple[tuple[str, tuple[str, ...]], list[Open]]] = []
    goes_on_until = -math.inf
    for entry in entries:
        if entry.sure and not everything:
            continue
        at, key = entry.timed_ms, entry.key
        if at is not None:
            if at > goes_on_until:
                found += stretch.items()
                stretch.clear()
            goes_on_until = at + PAUSE_MS
            if key[0] == _STRETCH:
                stretch[key].append(entry.one)
                continue
        elsewhere[key].append(entry.one)
    return [*found, *stretch.items(), *elsewhere.items()]


def _entries(store: Store, sessions: tuple[Session, ...]) -> list[_Entry]:
    """What is open and needs grouping, in order of time, those of unknown time last."""
    within = _Within(sessions)

    def make() -> _Opened:
        every = review.open_pictures(store.catalogue)
        return _Opened(sessions, [_entry(one, within) for one in every if not _refused(one)])

    def update(was: _Opened, rids: Sequence[int]) -> _Opened:
        changed = set(rids)
        now = [entry for entry in was.entries if entry.after[2] not in changed]
        for one in review.open_pictures(store.catalogue, rids):
            if not _refused(one):
                bisect.insort(now, _entry(one, within), key=lambda entry: entry.after)
        spans = [
            (pictures.ms(each.start), pictures.ms(each.end))
            for each in (*was.sessions, *sessions)
            if each not in was.sessions or each not in sessions
        ]
        if spans:
            low, high = min(start for start, _ in spans), max(end for _, end in spans)
            now = [_entry(entry.one, within) if _touches(entry.one, low, high) else entry for entry in now]
        return _Opened(sessions, now)

    return store.followed("open pictures", make, update, of=sessions).entries


def _touches(one: Open, low: int, high: int) -> bool:
    return (
        one.earliest_ms is not None and one.latest_ms is not None and one.latest_ms >= low and one.earliest_ms <= high
    )


class _Within:
    """The sessions, so laid out that the one of a picture is found among a year of them."""

    def __init__(self, sessions: Sequence[Session]) -> None:
        self._sessions = sessions  # in order of their start
        self._starts = [pictures.ms(each.start) for each in sessions]
        self._longest = max((pictures.ms(each.end) - pictures.ms(each.start) for each in sessions), default=0)

    def session_of(self, one: Open) -> Session | None:
        """The first session that holds more than half of the time a picture may be of."""
        if one.earliest_ms is None or one.latest_ms is None:
            return None
        last = bisect.bisect_right(self._starts, one.latest_ms)
        first = bisect.bisect_left(self._starts, one.earliest_ms - self._longest - 1)
        if first == last:
            return None
        time = _time(one)
        return next((each for each in self._sessions[first:last] if each.share(time) > 0.5), None)


def _entry(one: Open, within: _Within) -> _Entry:
    timed_ms = one.taken_ms if one.clip_ms is None else None
    if one.taken_ms is None:
        where = f"undated {one.sha256}"
    elif timed_ms is None:
        where = f"clip {one.sha256}"
    else:
        session = within.session_of(one)
        where = f"session {session.uid}" if session else _STRETCH
    need = _need(one)
    sure = need is Need.APPLIED and _top(one) >= SURE
    return _Entry(
        one,
        (one.taken_ms is None, one.taken_ms or 0, one.rid),
        sure,
        timed_ms,
        (where, (need.value, *_signature(one))),
    )


def _refused(one: Open) -> bool:
    """Whether a person looked, and said no to all there was."""
    return one.rejected and not one.claims


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
    for one in (entry.one for entry in _entries(store, all_sessions(store))):
        if one.earliest_ms is None or one.latest_ms is None or one.latest_ms < start or one.earliest_ms > end:
            continue  # most lie far off: a cheap look before the exact one
        if session.share(_time(one)) <= 0.5:
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


def _need(one: Open) -> Need:
    places = [claim for claim in one.claims if claim.dimension is Dimension.SUBASSEMBLY]
    if not places:
        return Need.UNSURE if one.claims else Need.NOTHING
    if OTHER in places[0].why:
        return Need.CONFLICT
    return Need.APPLIED if places[0].counts else Need.UNSURE


def _top(one: Open) -> float:
    return max((claim.confidence for claim in one.claims if claim.counts), default=0.0)


def _signature(one: Open) -> tuple[str, ...]:
    """What is claimed of a picture, as far as it decides which answer fits: its surest place and step."""
    best: dict[Dimension, str] = {}
    for claim in one.claims:
        if claim.confidence >= _WORTH:
            best.setdefault(claim.dimension, claim.target)
    return best.get(Dimension.SUBASSEMBLY, ""), best.get(Dimension.STEP, "")


def _group(where: str, each: list[Open], homes: dict[str, str], plan: Plan) -> Group:
    choices = _choices(each, homes, plan)
    need = _need(each[0])
    told = {Need.CONFLICT: 2.0, Need.NOTHING: 0.5}.get(need, 1.0)
    worth = told * sum(1.0 - _top(one) for one in each)
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
        if sums[place] < _WORTH:
            continue
        inside = [step for step in steps if sums[step] >= _WORTH and _akin(homes.get(step[1], ""), {place[1]}, plan)]
        for step in inside[:2]:
            made[place, step] = Choice((place, step), round(min(sums[place], sums[step]), 4), why[step])
        made[(place,)] = Choice((place,), round(sums[place], 4), why[place])
    for step in steps:
        home = homes.get(step[1], "")
        pair = ((Dimension.SUBASSEMBLY, home), step)
        if home and sums[step] >= _WORTH and not any(step in targets for targets in made):
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


def _time(one: Open) -> CaptureTime:
    return CaptureTime(
        pictures.from_ms(one.taken_ms), pictures.from_ms(one.earliest_ms), pictures.from_ms(one.latest_ms), "", ""
    )
