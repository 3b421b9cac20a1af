"""What is on record of one run: its way in pictures from end to end, its log, its evidence for each opening, its drop.

Everything here reads; nothing decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from lastlook import marking, schedule_edits
from lastlook.catalogue import pictures
from lastlook.catalogue.columns import UNKNOWN, Columns
from lastlook.closing import electrical, graph, item_log
from lastlook.closing.check import check, retests
from lastlook.closing.records import Facts, Line, State
from lastlook.closing_check import moment
from lastlook.closing_facts import gather
from lastlook.marking import Mark
from lastlook.plan import gauges, structure
from lastlook.plan.ids import id_key
from lastlook.records import CaptureTime, Closing, Dimension, Opening, Picture, Plan, Run
from lastlook.store import Store

# ------------------------------------------------------------------------------------------------ its way


class Place(StrEnum):
    END = "end"
    SUBASSEMBLY = "subassembly"
    CROSSING = "crossing"


@dataclass(frozen=True, slots=True)
class Station:
    """One place on a run's way. `id` of the subassembly or opening, for an end "from" or "to"; `name` its title, for an
    end what the plan says of it. `picture` is the one shown, `why` it; `count` how many show the run there."""

    place: Place
    id: str
    name: str
    picture: Picture | None
    count: int
    why: str = ""


RULE = (
    "End by end as the plan lists its subassemblies. At an end and where it crosses a joint line: the newest close view"
    " somebody said shows it. In a subassembly: a picture on which the run is drawn, else the newest tagged with both."
)


def route(store: Store, run: Run, facts: Facts, marks: Sequence[Mark]) -> tuple[Station, ...]:
    """The places on a run's way from its end "from" to its end "to", each with a picture or without. `facts` with the
    pictures of the run."""
    columns = store.columns
    of_run = store.tagged(columns, Dimension.RUN, [run.id])
    drawn = columns.mask_of(
        np.array(
            list(pictures.rids_of_ids(store.catalogue, list({mark.picture for mark in marks})).values()), dtype=np.int32
        )
    )
    titles = {id: item.title for id, item in structure.items(store.plan).items()}
    stations = [_by_view(run, facts, Place.END, "from", run.source)]
    for place, id in stops(store.plan, run):
        if place is Place.CROSSING:
            stations.append(_by_view(run, facts, place, id, titles.get(id, "")))
            continue
        there = of_run & store.tagged(columns, Dimension.SUBASSEMBLY, [id])
        marked = there & drawn
        picture = _newest(store, columns, marked if marked.any() else there)
        why = "" if picture is None else "drawn on it" if marked.any() else "newest tagged with both"
        stations.append(Station(place, id, titles.get(id, ""), picture, int(np.count_nonzero(there)), why))
    stations.append(_by_view(run, facts, Place.END, "to", run.target))
    return tuple(stations)


def stops(plan: Plan, run: Run) -> tuple[tuple[Place, str], ...]:
    """Subassemblies and joint lines between the two ends of a run, in the order in which it passes them.

    The plan lists subassemblies along the way; where its ends say that it lists them backwards, they are turned. A
    joint line comes before the first subassembly, but for the one it starts in, that can be seen through its opening or
    holds a part that can; one that fits nowhere comes last.
    """
    subs = list(run.subassemblies)
    first, last = _home(run.source, subs), _home(run.target, subs)
    if len(subs) > 1 and (first == subs[-1] or last == subs[0]) and first != subs[0] and last != subs[-1]:
        subs.reverse()
    shown = {opening.id: _shown(plan, opening) for opening in plan.openings if opening.id in run.crosses}
    found: list[tuple[Place, str]] = []
    waiting = [id for id in run.crosses if id in shown]
    for at, sub in enumerate(subs):
        for id in [id for id in waiting if at and sub in shown[id]]:
            found.append((Place.CROSSING, id))
            waiting.remove(id)
        found.append((Place.SUBASSEMBLY, sub))
    return (*found, *((Place.CROSSING, id) for id in waiting))


def _shown(plan: Plan, opening: Opening) -> set[str]:
    homes = {part.id: part.subassembly for part in plan.parts}
    return {homes.get(id, id) for id in opening.shows}


def _home(end: str, subs: Sequence[str]) -> str:
    """The subassembly that an end such as "BHD-11.TB.3" lies in; '' where it names none of `subs`."""
    fits = [sub for sub in subs if id_key(end) == id_key(sub) or id_key(end).startswith(id_key(sub) + ".")]
    return max(fits, key=len, default="")


def _by_view(run: Run, facts: Facts, place: Place, id: str, name: str) -> Station:
    key = f"crossing:{id}" if place is Place.CROSSING else id
    found = [one for one in facts.seen.get(run.id, ()) if key in one.view.shows]
    if not found:
        return Station(place, id, name, None, 0)
    newest = max(found, key=lambda one: _instant(one.picture.time))
    return Station(place, id, name, newest.picture, len(found), f"{newest.view.person or 'somebody'} said it shows it")


def _newest(store: Store, columns: Columns, mask: NDArray[np.bool_]) -> Picture | None:
    at = np.flatnonzero(mask & (columns.taken != UNKNOWN))
    at = at if len(at) else np.flatnonzero(mask)
    if not len(at):
        return None
    found = pictures.by_rids(store.catalogue, [int(columns.rid[at[np.argmax(columns.taken[at])]])])
    return found[0] if found else None


def _instant(time: CaptureTime) -> datetime:
    return time.instant or datetime.min.replace(tzinfo=UTC)


# ------------------------------------------------------------------------------------------------ its evidence


@dataclass(frozen=True, slots=True)
class Evidence:
    """What closing one opening asks of a run. `closing`: the one in force; `hides`: whether closing it hides the run,
    else `others` show it still. `lines` of the closing check that are about the run."""

    opening: Opening
    closing: Closing | None
    hides: bool
    others: tuple[str, ...]
    crosses: bool
    lines: tuple[Line, ...]

    @property
    def open_lines(self) -> int:
        return sum(line.open for line in self.lines)

    def count(self, state: State) -> int:
        return sum(line.state is state for line in self.lines)


def evidence(store: Store, run: Run, facts: Facts, now: datetime | None = None) -> tuple[Evidence, ...]:
    """For each opening that shows a run or whose joint line it crosses: what the closing check says of the run."""
    shows = structure.openings_showing(store.plan, run.id)
    return tuple(
        _evidence(store, run, facts, opening, now, shows)
        for opening in store.plan.openings
        if opening.id in shows or opening.id in run.crosses
    )


def _evidence(
    store: Store, run: Run, facts: Facts, opening: Opening, now: datetime | None, shows: Sequence[str]
) -> Evidence:
    acts = facts.closings.get(opening.id, ())
    closing = acts[-1] if acts and acts[-1].reopened is None else None
    when = closing.time if closing is not None else moment(store, "", now)
    found = check(facts, opening, when, shut=closing is not None)
    again = retests(facts, opening, found) if closing is not None else ()
    others = tuple(
        id for id in shows if id != opening.id and graph.shut_at(facts.closings.get(id, ()), when)[0] is graph.Shut.OPEN
    )
    return Evidence(
        opening,
        closing,
        run.id in found.hides,
        others,
        opening.id in run.crosses,
        tuple(line for line in (*found.lines, *again) if line.subject == run.id),
    )


# ------------------------------------------------------------------------------------------------ its log


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of a run's log. `time` None: no date is on record. `of_plan`: the plan was changed, not the wire."""

    time: CaptureTime | None
    what: str
    person: str
    of_plan: bool = False


def log(store: Store, run: Run, facts: Facts) -> tuple[LogLine, ...]:
    """What happened to a run, oldest first, what has no date before all else: what was done at the bench, by its own
    time, and what was changed in the plan, by when it was put in force."""
    lines = [LogLine(entry.time, entry.what, entry.person) for entry in item_log.log(facts, run, run.id)]
    for decision, what in schedule_edits.revisions_of(store, run.id):
        at = CaptureTime(decision.at, decision.at, decision.at, "said", "when the plan was put in force")
        lines.append(LogLine(at, what, decision.by, of_plan=True))
    return tuple(sorted(lines, key=lambda line: _instant(line.time) if line.time else datetime.min.replace(tzinfo=UTC)))


# ------------------------------------------------------------------------------------------------ its figures


@dataclass(frozen=True, slots=True)
class Figures:
    """Resistance and drop from gauge and cut length (ASTM B258, IEC 60028, solid copper at 20 °C). `ohms` of the run
    alone; `back` the run that carries the current back, '' for none; `drop_v` over both at the plan's current, `share`
    of its voltage, `flagged` where that is more than is usual. `notes`: what else is worth knowing."""

    cut_mm: float | None
    ohms: float | None
    back: str
    both_ohms: float | None
    drop_v: float | None
    share: float | None
    flagged: bool
    notes: tuple[str, ...]


def figures(store: Store, run: Run, facts: Facts, now: datetime | None = None) -> Figures:
    """Drop and resistance of a run as it is now, its changes included."""
    when = moment(store, "", now)
    cut = _cut(facts, run, when)
    back = electrical.partner(facts.plan, run)
    own = list(_conductor(run, cut))
    other = list(_conductor(back, _cut(facts, back, when))) if back is not None else []
    ohms = gauges.drop(own, 0).ohms if own else None
    both = gauges.drop([*own, *other], run.milliamps or 0) if own else None
    drop = both.volts if both is not None and run.milliamps is not None else None
    share = drop / abs(run.volts) if drop is not None and run.volts else None
    colour = item_log.colour(run, item_log.standing(facts.changes.get(run.id, ()), when))
    notes = [] if colour == run.colour else [f"the plan says {run.colour or 'no colour'}, on the bench it is {colour}"]
    return Figures(
        cut,
        ohms,
        back.id if back is not None and other else "",
        both.ohms if both is not None and other else None,
        drop,
        share,
        share is not None and share > electrical.DROP_SHARE,
        tuple(notes),
    )


def _cut(facts: Facts, run: Run, when: CaptureTime) -> float | None:
    return item_log.cut_length(run, item_log.standing(facts.changes.get(run.id, ()), when))


def _conductor(run: Run, cut_mm: float | None) -> Iterator[tuple[int, float]]:
    if run.gauge_awg is not None and gauges.known(run.gauge_awg) and cut_mm is not None:
        yield run.gauge_awg, cut_mm


# ------------------------------------------------------------------------------------------------ all together


@dataclass(frozen=True, slots=True)
class RunRecord:
    """Everything a run's page shows. `count`: pictures tagged with it; `beside`: ids of the runs before and after it in
    the schedule, '' for none."""

    run: Run
    stations: tuple[Station, ...]
    evidence: tuple[Evidence, ...]
    log: tuple[LogLine, ...]
    figures: Figures
    marks: tuple[Mark, ...]
    count: int
    beside: tuple[str, str]

    @property
    def gaps(self) -> tuple[Station, ...]:
        return tuple(station for station in self.stations if station.picture is None)


def record(store: Store, id: str, now: datetime | None = None) -> RunRecord:
    """Everything that is on record of a run. Raises NoSuchId."""
    plan = store.plan
    run = schedule_edits.find_run(plan, id)
    facts = gather(store, (run.id,))
    marks = tuple(marking.marks(store, run.id))
    ids = [one.id for one in plan.runs]
    at = ids.index(run.id)
    return RunRecord(
        run,
        route(store, run, facts, marks),
        evidence(store, run, facts, now),
        log(store, run, facts),
        figures(store, run, facts, now),
        marks,
        int(np.count_nonzero(store.tagged(store.columns, Dimension.RUN, [run.id]))),
        (ids[at - 1] if at else "", ids[at + 1] if at + 1 < len(ids) else ""),
    )
