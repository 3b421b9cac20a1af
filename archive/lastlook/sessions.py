"""Sessions: saying what is being worked on, from when to when. Each is a decision; taking it back is another."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from lastlook import times
from lastlook.catalogue import decisions, pictures, placed
from lastlook.deciding import Target
from lastlook.errors import AmbiguousId, NoSuchId, UsageError
from lastlook.placing import SESSION_KINDS, all_sessions
from lastlook.plan.vocabulary import lookup_id
from lastlook.projecting import project
from lastlook.records import Decision
from lastlook.store import Store
from lastlook.tagging.sessions import LONGEST, Session, running

__all__ = [
    "SESSION_KINDS",
    "Session",
    "add",
    "every",
    "find",
    "pictures_of",
    "start",
    "stop",
    "stopped_by",
    "under_way",
]

NOTE_LIMIT = 500
LONGEST_SAID = timedelta(days=7)


def every(store: Store) -> tuple[Session, ...]:
    """The sessions that stand, in order of their start."""
    return all_sessions(store)


def under_way(store: Store, now: datetime | None = None) -> Session | None:
    """The session that is going on."""
    return running(all_sessions(store), now or datetime.now(UTC))


def find(store: Store, typed: str) -> Session:
    """A session by its id or the beginning of it. Raises NoSuchId, AmbiguousId."""
    typed = typed.strip().lower()
    found = [session for session in all_sessions(store) if len(typed) >= 4 and session.uid.startswith(typed)]
    if not found:
        raise NoSuchId("session", typed)
    if len(found) > 1:
        raise AmbiguousId("session", typed, [session.uid for session in found])
    return found[0]


def start(
    store: Store, targets: Sequence[Target], at: str = "now", note: str = "", now: datetime | None = None
) -> Session:
    """Begin a session; one that is under way ends with it. Raises NoSuchId, UsageError; nothing is recorded then."""
    now = now or datetime.now(UTC)
    when = times.parse_when(at, store.zone, now)
    _a_moment(when, "start")
    if when.earliest > now + timedelta(minutes=1):
        raise UsageError(f"{at} is yet to come", "Start a session when the work starts, or add it afterwards.")
    with store.deciding():
        going = running(all_sessions(store), now)
        # One that began before ends where this one starts, and goes on where this one is taken back.
        if going is not None and going.start == when.earliest:
            _stop(store, going, when.earliest, at)
        uid = _begin(store, targets, when.earliest, None, at, note)
    return find(store, uid)


def stop(store: Store, at: str = "now", typed: str = "", now: datetime | None = None) -> Session:
    """End the session that is under way, or another one. Raises UsageError, NoSuchId; also for one that is over, where
    nobody says when it ended: a button pressed hours later must not make it longer."""
    now = now or datetime.now(UTC)
    when = times.parse_when(at, store.zone, now)
    _a_moment(when, "end")
    with store.deciding():
        going = running(all_sessions(store), now)
        session = find(store, typed) if typed else going
        if session is None:
            # One that was forgotten is the likeliest to be meant.
            open_ones = [each for each in all_sessions(store) if each.left_open]
            if not open_ones:
                raise UsageError("no session is under way", "Start one: 'lastlook session start SUB|STEP'.")
            session = open_ones[-1]
        end = min(when.latest, now)
        if at.strip().casefold() == "now" and (going is None or going.uid != session.uid):
            about = " ".join(target for _, target in session.targets)
            raise UsageError(
                f"the session on {about} is over, since {times.format_rfc3339(session.end, store.zone)}",
                f"Say when it ended, if not then: 'lastlook session stop {session.uid[:8]} --at TIME'.",
            )
        if end - session.start > LONGEST_SAID:
            raise UsageError("a session of more than a week says little", "Check the time, or add one for each day.")
        if end < session.start:
            raise UsageError(
                f"that session began only at {times.format_rfc3339(session.start, store.zone)}, after the time given",
                "Check the time.",
            )
        _stop(store, session, end, at)
    return find(store, session.uid)


def stopped_by(store: Store, session: Session) -> str:
    """The uid of the decision that stopped a session last; '' where none did."""
    found = decisions.live(store.catalogue, "session-stop", f"session:{session.uid}")
    return found[-1].uid if found else ""


def add(
    store: Store,
    targets: Sequence[Target],
    since: str,
    until: str,
    note: str = "",
    now: datetime | None = None,
) -> Session:
    """Record a session that was. A bare day means all of it. Raises UsageError, NoSuchId."""
    now = now or datetime.now(UTC)
    first, last = times.parse_when(since, store.zone, now), times.parse_when(until, store.zone, now)
    if last.latest <= first.earliest:
        raise UsageError("the session would end before it starts", "Check --from and --to.")
    for each, said in ((first, since), (last, until)):
        if each.earliest > now:
            raise UsageError(f"{said} is yet to come", "Add a session after it was.")
    end = min(last.latest, now)  # today's pictures, not those still to be taken today
    if end - first.earliest > LONGEST_SAID:
        raise UsageError("a session of more than a week says little", "Add one for each day.")
    said = f"{since} to {until}"
    with store.deciding():
        uid = _begin(store, targets, first.earliest, end, said, note)
    return find(store, uid)


def pictures_of(store: Store, session: Session) -> list[int]:
    """Rows of the pictures that were more likely than not taken inside."""
    catalogue = store.catalogue
    rids = placed.touching(catalogue, pictures.ms(session.start), pictures.ms(session.end))
    return [one.rid for one in pictures.by_rids(catalogue, rids) if session.share(one.time) > 0.5]


def _begin(store: Store, targets: Sequence[Target], begin: datetime, end: datetime | None, said: str, note: str) -> str:
    """Inside a transaction."""
    if not targets:
        raise UsageError("a session needs something that was worked on", "Name a subassembly or a step of the plan.")
    pairs = list(
        dict.fromkeys((each.dimension.value, lookup_id(store.plan, each.dimension, each.typed)) for each in targets)
    )
    note = " ".join(note.split())
    if len(note) > NOTE_LIMIT:
        raise UsageError(f"the note has {len(note)} letters; {NOTE_LIMIT} is the most", "Shorten it.")
    body: dict[str, object] = {
        "targets": [list(pair) for pair in pairs],
        "start": decisions.instant_text(begin),
        "end": decisions.instant_text(end) if end is not None else None,
        "said": said,
        "note": note,
    }
    decision = decisions.append(store.catalogue, "session", body, by=store.by)
    project(store, decision)
    return decision.uid


def _stop(store: Store, session: Session, end: datetime, said: str) -> Decision:
    """Inside a transaction."""
    body = {"session": session.uid, "end": decisions.instant_text(end), "said": said}
    decision = decisions.append(store.catalogue, "session-stop", body, by=store.by)
    project(store, decision)
    return decision


def _a_moment(when: times.When, which: str) -> None:
    if when.latest - when.earliest > timedelta(hours=1):
        raise UsageError(
            f"{when.text} is no moment to {which} at", "Give a time of day, or add the session with --from and --to."
        )


LONGEST_HOURS = LONGEST // timedelta(hours=1)
