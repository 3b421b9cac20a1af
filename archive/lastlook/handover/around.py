"""The pictures around what was done to a subassembly: before, during and after each step and closing, of those that may
leave. A picture that is private or out of scope is no last look here: the newest before it is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

from lastlook import times
from lastlook.handover.material import Moment
from lastlook.records import Closing, Opening, Picture, Step

_EARLY, _LATE = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)


def moments(
    items: Sequence[Step | Opening],
    closings: Mapping[str, Sequence[Closing]],
    inside: Iterable[str],
    pictures: Mapping[str, Picture],
    tagged: Mapping[str, Sequence[str]],
) -> tuple[Moment, ...]:
    """Steps and openings of a subassembly in order, each with the pictures around it. `inside`: the subassembly and
    what is built into it; `tagged`: ids of pictures by what of the plan they count for."""

    def timed(ids: Iterable[str]) -> list[Picture]:
        return [pictures[id] for id in ids if pictures[id].time.instant is not None]

    own = timed(dict.fromkeys(id for sub in inside for id in tagged.get(sub, ())))
    found = []
    for item in items:
        if isinstance(item, Opening):
            acts = closings.get(item.id, ())
            found.append(_opening(item, acts[-1] if acts else None, own))
        else:
            found.append(_step(item, timed(tagged.get(item.id, ())), own))
    return tuple(found)


def _opening(item: Opening, closing: Closing | None, own: Sequence[Picture]) -> Moment:
    if closing is None:
        return Moment(item.id, item.title, True, None, _newest(own), "")
    before = [one for one in own if times.compare(one.time, closing.time) is times.Order.BEFORE]
    after = [one for one in own if times.compare(one.time, closing.time) is times.Order.AFTER]
    return Moment(item.id, item.title, True, closing, _newest(before), min(after, key=_first).id if after else "")


def _step(item: Step, of_step: Sequence[Picture], own: Sequence[Picture]) -> Moment:
    if not of_step:
        return Moment(item.id, item.title, False, None, "", "")
    began = min(of_step, key=_first).time
    before = [one for one in own if times.compare(one.time, began) is times.Order.BEFORE]
    return Moment(item.id, item.title, False, None, _newest(before), _newest(of_step))


def _newest(of: Sequence[Picture]) -> str:
    return max(of, key=_last).id if of else ""


def _first(one: Picture) -> tuple[datetime, datetime, str]:
    """What was there first: an interval counts by its end."""
    return one.time.latest or _LATE, one.time.instant or _LATE, one.id


def _last(one: Picture) -> tuple[datetime, datetime, str]:
    """What is newest: an interval counts by its beginning, so that "not later than" is no newest one."""
    return one.time.earliest or _EARLY, one.time.instant or _EARLY, one.id
