"""Which picture proves what: newer than the last change, older than the hiding, sharp enough, and seen as it must be.

Where the intervals of two times share a moment, their order is not known and the picture proves nothing. Sharpness has
no threshold that holds for all scenes (Pech-Pacheco and others, ICPR 2000, rank within one scene): a picture is ranked
within its own near-duplicates, in the item's own region where somebody has drawn it; alone, within the pictures of the
item from the same station, else in the same view, by the same camera. What there is nothing to rank against is not
judged, and proves nothing until somebody says that it is sharp. A person's own word wins over every figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import median
from typing import Final

from lastlook.closing import graph, item_log
from lastlook.closing.records import Change, Facts, Line, Seen, State, ViewKind
from lastlook.closing.requirements import Asked
from lastlook.records import CaptureTime, Closing, Part, Run, Subassembly
from lastlook.times import Order, compare, describe

BURST_SHARE: Final = 0.5
"""Sharpness of the sharpest near-duplicate, or of the sharpest picture from the same station, to be reached. Own
guide: shake and false focus cost far more than half (0.1 to 0.2 in the sample media), noise and light far less."""

STATION_BITS: Final = 14
"""Bits in which the hashes of two pictures of one photo station may differ. Own guide: pictures of other stations
differ in 18 bits or more in the sample media."""

VIEW_SHARE: Final = 0.1
"""What is left where there is nothing of the same station: the median of the same item, view and camera, of which a
picture must reach a tenth. Scenes differ, so only what is blurred all over is told by it. Own guide."""

VIEW_LEAST: Final = 2
SHOWN: Final = 3
"""How many pictures a line names at most."""


@dataclass(frozen=True, slots=True)
class Role:
    """One way in which an item must be seen: its key, in words, and what to shoot."""

    what: str
    title: str
    kind: ViewKind
    shows: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one picture proves for one role. `judged` False: all is well with its time, its sharpness nobody knows."""

    seen: Seen
    state: State
    why: str
    judged: bool = True


def roles(item: Subassembly | Run | Part, asked: Asked, hidden: bool = True, crossed: Sequence[str] = ()) -> list[Role]:
    """How an item must be seen. `hidden` False: only the crossings in `crossed` are shut over, the rest stays seen."""
    found: list[Role] = []
    if hidden:
        if asked.context:
            found.append(Role("context", "context view", ViewKind.CONTEXT))
        if isinstance(item, Run) and asked.ends:
            for end, place in (("from", item.source), ("to", item.target)):
                at = f" ({place})" if place else ""
                found.append(Role(end, f"close view of its end “{end}”{at}", ViewKind.CLOSE, end))
        elif asked.close:
            found.append(Role("close", "close view", ViewKind.CLOSE))
    if isinstance(item, Run) and asked.crossings:
        for opening in item.crosses if hidden else crossed:
            name = f"crossing:{opening}"
            found.append(Role(name, f"close view where it crosses the joint line of {opening}", ViewKind.CLOSE, name))
    return found


def fits(seen: Seen, role: Role) -> bool:
    """Whether a picture is of the kind a role asks for."""
    return seen.view.kind is role.kind and (not role.shows or role.shows in seen.view.shows)


def judge(
    seen: Seen,
    changes: Sequence[Change],
    at: CaptureTime,
    through: Sequence[str],
    closings: Mapping[str, Sequence[Closing]],
    sharp: Callable[[], tuple[bool | None, str]],
    zone: str,
    undated: bool = False,
) -> Verdict:
    """What a picture proves of an item that is to be hidden at `at`, after its `changes`. `sharp` asks
    `sharpness`, and only for what its time would let pass: that may need measuring.

    `undated`: the plan says that the item was changed, and nobody knows when.
    """
    time = seen.picture.time
    if not time.known:
        return Verdict(seen, State.UNDETERMINED, "its time is not known")
    newer = item_log.against(time, changes)
    if newer.order is Order.BEFORE and newer.change is not None:
        return Verdict(seen, State.STALE, f"taken before it was {change_words(newer.change, zone)}")
    older = compare(time, at)
    if older is Order.AFTER:
        return Verdict(seen, State.GAP, "taken after the closing")
    if newer.order is not Order.AFTER and newer.change is not None:
        return Verdict(
            seen,
            State.UNDETERMINED,
            f"its time leaves open whether it was taken before or after it was {change_words(newer.change, zone)}",
        )
    if older is not Order.BEFORE:
        return Verdict(seen, State.UNDETERMINED, "its time leaves open whether it was taken before the closing")
    if undated:
        return Verdict(seen, State.UNDETERMINED, "the plan says it was changed, and no date of the change is on record")
    sight = graph.sight_at(through, closings, time)
    if sight in (graph.Sight.HIDDEN, graph.Sight.UNDETERMINED):
        sure = "was" if sight is graph.Sight.HIDDEN else "may have been"
        return Verdict(seen, State.UNDETERMINED, f"it {sure} hidden when this was taken: the time or the view is wrong")
    good, told_by = sharp()
    if good is None:
        return Verdict(seen, State.UNDETERMINED, told_by, judged=False)
    return Verdict(seen, State.PASSED if good else State.GAP, told_by)


def change_words(change: Change | item_log.Event, zone: str) -> str:
    """ "lengthened (24 Mar 2026 13:30:00 +01:00)"."""
    if isinstance(change, item_log.Event):
        return f"{change.words} ({describe(change.time, zone)})"
    words = "abandoned in place" if change.kind.value == "abandoned" else change.kind.value
    return f"{words} ({describe(change.time, zone)})"


NOT_JUDGED: Final = "look at it at full size, and say whether it is sharp"


def sharpness(seen: Seen, others: Sequence[Seen], facts: Facts) -> tuple[bool | None, str]:
    """Whether a picture is sharp enough, and by what it was told; None where nothing tells. `others` show the same
    item."""
    view, picture = seen.view, seen.picture
    if view.sharp is not None:
        by = view.person or "somebody"
        return view.sharp, f"sharp, {by} says" if view.sharp else f"not sharp, {by} says"
    peers = [
        other
        for other in others
        if other.picture.id != picture.id
        and other.picture.quality is not None
        and other.view.kind is view.kind
        and other.picture.camera == picture.camera
    ]
    station = [peer for peer in peers if _distance(peer, seen) <= STATION_BITS]
    if view.region is not None:
        share = view.region_share if view.region_share is not None else facts.in_region(seen, station)
        if share is None:
            return None, f"its sharpness where the item is drawn on it has nothing to be ranked against; {NOT_JUDGED}"
        return _ranked(share, BURST_SHARE, "the sharpest like it, in the item's own region")
    share = facts.rank.get(picture.id)
    if share is not None:
        return _ranked(share, BURST_SHARE, "the sharpest of its near-duplicates, over the whole picture")
    if picture.quality is None:
        return None, f"its sharpness was not measured; {NOT_JUDGED}"
    own = picture.quality.sharpness
    if station:
        return _ranked(own / max(*map(_sharp, station), 1e-9), BURST_SHARE, "the sharpest from the same place")
    if len(peers) >= VIEW_LEAST:
        usual = max(median(map(_sharp, peers)), 1e-9)
        return _ranked(own / usual, VIEW_SHARE, "what this camera reaches in this view of it")
    return None, f"there is nothing like it to rank its sharpness against; {NOT_JUDGED}"


def _ranked(share: float, least: float, of: str) -> tuple[bool, str]:
    words = f"{share * 100:.0f} % of {of}"
    return (True, words) if share >= least else (False, f"not sharp: {words}")


def _sharp(seen: Seen) -> float:
    return seen.picture.quality.sharpness if seen.picture.quality is not None else 0.0


def _distance(one: Seen, other: Seen) -> int:
    first, second = one.picture.quality, other.picture.quality
    return 64 if first is None or second is None else (first.phash ^ second.phash).bit_count()


def verdicts(facts: Facts, item: Subassembly | Run | Part, at: CaptureTime, through: Sequence[str]) -> list[Verdict]:
    """What every picture of an item proves at `at`, the newest first."""
    id = item.id
    changes = item_log.standing(facts.changes.get(id, ()), at)
    seen = facts.seen.get(id, ())
    undated = item_log.undated_change(item, changes)
    zone = facts.plan.build.zone
    found = [
        judge(one, changes, at, through, facts.closings, partial(sharpness, one, seen, facts), zone, undated)
        for one in seen
    ]
    found.sort(key=lambda verdict: _newest(verdict.seen), reverse=True)
    return found


def line_for(facts: Facts, id: str, role: Role, found: Sequence[Verdict], at: CaptureTime) -> Line:
    """The line of a check for one role, from the verdicts on all pictures of the item."""
    zone = facts.plan.build.zone
    fitting = [verdict for verdict in found if fits(verdict.seen, role)]
    candidates = tuple(one.picture for one in facts.candidates.get(id, ()) if compare(one.time, at) is not Order.AFTER)[
        :SHOWN
    ]
    for state in (State.PASSED, State.UNDETERMINED, State.STALE, State.GAP):
        of_state = [verdict for verdict in fitting if verdict.state is state]
        if not of_state:
            continue
        best = of_state[0]
        pictures = tuple(dict.fromkeys(verdict.seen.picture.id for verdict in of_state))[:SHOWN]
        when = describe(best.seen.picture.time, zone)
        if state is State.PASSED:
            return Line(id, role.what, role.title, state, f"{when}; {best.why}", "", pictures)
        seen_words = f"last seen {when}: {best.why}"
        ask = _shoot(id, role) if best.judged else _judge_it(id, best)
        return Line(id, role.what, role.title, state, seen_words, ask, pictures, candidates)
    if found:
        newest = found[0]
        reason = f"no {role.title} on record; last seen {describe(newest.seen.picture.time, zone)}, {_as(newest)}"
    elif candidates:
        reason = "nobody has said of a picture yet how it shows it"
    else:
        reason = "no picture on record"
    return Line(id, role.what, role.title, State.GAP, reason, _shoot(id, role), (), candidates)


def _as(verdict: Verdict) -> str:
    view = verdict.seen.view
    shown = f" of {', '.join(name.replace(':', ' ') for name in view.shows)}" if view.shows else ""
    return f"{view.kind.value} view{shown}"


def _shoot(id: str, role: Role) -> str:
    extra = "what is around it in frame" if role.kind is ViewKind.CONTEXT else "scale and label in frame"
    return f"{id}, {role.title}, {extra}, nothing loose in the picture"


def _judge_it(id: str, verdict: Verdict) -> str:
    view = verdict.seen.view
    shows = "".join(
        f" --{'crossing ' + one[9:] if one.startswith('crossing:') else 'end ' + one}" for one in view.shows
    )
    said = f"'lastlook view {view.picture} … --{view.kind.value}{shows} --sharp' or '--not-sharp'"
    return f"{id}: look at {view.picture} at full size and say whether it is sharp there: {said}"


def _newest(seen: Seen) -> tuple[float, str]:
    instant = seen.picture.time.instant
    return (instant.timestamp() if instant is not None else float("-inf"), seen.picture.id)
