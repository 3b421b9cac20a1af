"""Sessions, stretches of bench work on one thing: folded from decisions, and what they propose. Pure.

A picture gets what its session was about, as surely as its time lies inside: the share of its interval that the session
covers. A session that nobody stopped ends where the next one starts, and after `LONGEST` anyway.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from lastlook.records import CaptureTime, Decision, Dimension, Proposal, ProposalSource
from lastlook.tagging.context import Context, SessionOverlap
from lastlook.times import zone_named

LONGEST: Final = timedelta(hours=12)
"""How long a session lasts that nobody stopped (common practice, no source: nobody is at the bench for longer)."""


@dataclass(frozen=True, slots=True)
class Session:
    """A stretch of bench work. `start` and `end` UTC, `end` as it holds: by a person, by the next session's start, or
    by `LONGEST`; `stopped` tells whether a person said so. `uid` is that of the decision that began it."""

    uid: str
    start: datetime
    end: datetime
    stopped: bool
    targets: tuple[tuple[Dimension, str], ...]
    by: str
    note: str = ""

    def ids(self, dimension: Dimension) -> tuple[str, ...]:
        return tuple(target for each, target in self.targets if each is dimension)

    @property
    def left_open(self) -> bool:
        """Whether neither a person nor the next session's start ended it."""
        return not self.stopped and self.end == self.start + LONGEST

    def share(self, time: CaptureTime) -> float:
        """How much of a picture's interval lies inside, 0..1."""
        if time.earliest is None or time.latest is None:
            return 0.0
        if time.earliest == time.latest:
            return 1.0 if self.start <= time.earliest <= self.end else 0.0
        overlap = min(self.end, time.latest) - max(self.start, time.earliest)
        return max(0.0, overlap / (time.latest - time.earliest))


def fold(decisions: Iterable[Decision]) -> tuple[Session, ...]:
    """The sessions that live `session` and `session-stop` decisions make, in order of their start."""
    begun: dict[str, Session] = {}
    stops: dict[str, datetime] = {}
    for decision in decisions:
        body: Mapping[str, Any] = decision.body
        if decision.kind == "session":
            start = instant(body["start"])
            end = instant(body["end"]) if body.get("end") else None
            targets = tuple((Dimension(dimension), str(target)) for dimension, target in body["targets"])
            begun[decision.uid] = Session(
                decision.uid,
                start,
                end or start + LONGEST,
                end is not None,
                targets,
                decision.by,
                str(body.get("note", "")),
            )
        elif decision.kind == "session-stop":
            stops[str(body["session"])] = instant(body["end"])
    for uid, end in stops.items():
        if uid in begun and end >= begun[uid].start:
            begun[uid] = replace(begun[uid], end=end, stopped=True)
    ordered = sorted(begun.values(), key=lambda session: (session.start, session.uid))
    starts = [session.start for session in ordered]
    folded = []
    for at, session in enumerate(ordered):
        if not session.stopped:
            later = next((start for start in starts[at + 1 :] if start > session.start), None)
            if later is not None and later < session.end:
                session = replace(session, end=later)
        folded.append(session)
    return tuple(folded)


def running(sessions: Sequence[Session], now: datetime) -> Session | None:
    """The session that is under way."""
    found = [session for session in sessions if not session.stopped and session.start <= now < session.end]
    return found[-1] if found else None


def overlaps(sessions: Iterable[Session], time: CaptureTime, least: float = 0.05) -> tuple[SessionOverlap, ...]:
    """What sessions say of a picture taken at `time`."""
    found = []
    for session in sessions:
        share = session.share(time)
        if share >= least:
            found.append(SessionOverlap(session.uid, session.start, session.targets, share, session.by))
    return tuple(found)


def propose(context: Context) -> list[Proposal]:
    """One proposal for each thing that the sessions around the picture were about."""
    best: dict[tuple[Dimension, str], Proposal] = {}
    zone = zone_named(context.plan.build.zone)
    for overlap in context.sessions:
        began = f"{overlap.start.astimezone(zone):%Y-%m-%d %H:%M}"
        for dimension, target in overlap.targets:
            confidence = round(overlap.share * context.weights.session_of(dimension), 4)
            evidence = f"taken in the session on {target} that {overlap.by} began {began}"
            if overlap.share < 0.995:
                evidence += f" ({overlap.share * 100:.0f} % of the times it may have)"
            key = (dimension, target)
            if confidence >= context.weights.floor and (key not in best or confidence > best[key].confidence):
                best[key] = Proposal(dimension, target, ProposalSource.SESSION, confidence, evidence)
    return list(best.values())


def instant(text: object) -> datetime:
    """An instant as decisions write it, UTC."""
    return datetime.fromisoformat(str(text)).astimezone(UTC)
