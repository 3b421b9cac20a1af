"""One act of a person as a decision: when it was done and who did it, its words and figures checked on the way in.

What the acts are, `recording` and `bonding` say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from lastlook import times
from lastlook.catalogue import decisions
from lastlook.deciding import when_done
from lastlook.errors import UsageError
from lastlook.projecting import project
from lastlook.records import Decision
from lastlook.store import Store

WORDS_LIMIT = 2000


@dataclass(frozen=True, slots=True)
class Act:
    """When something was done, as a person says it ('' is now), and who did it ('' is whoever records it)."""

    at: str = ""
    person: str = ""


def done_by(store: Store, kind: str, body: Mapping[str, object], act: Act, now: datetime | None) -> Decision:
    """Record `body` with the time and the person of the act. `now` (aware) is what "now" means, None the clock. Raises
    UsageError for a time that cannot be read or lies ahead."""
    whole = {**body, **when_said(store, act.at, now), "person": words_of(act.person) or store.by}
    return record(store, kind, whole)


def record(store: Store, kind: str, body: Mapping[str, object]) -> Decision:
    """Append a decision and let what follows from it follow, in one transaction."""
    with store.deciding():
        decision = decisions.append(store.catalogue, kind, body, by=store.by)
        project(store, decision)
    return decision


def when_said(store: Store, said: str, now: datetime | None) -> dict[str, object]:
    """A time as a decision keeps it: instant, both ends (RFC 3339, UTC) and words; '' is now. Raises UsageError."""
    when = when_done(store, said if said.strip() else "now", now)
    return {
        "at": times.format_rfc3339(when.capture_time().instant or when.earliest, "UTC"),
        "earliest": times.format_rfc3339(when.earliest, "UTC"),
        "latest": times.format_rfc3339(when.latest, "UTC"),
        "said": when.text,
    }


def needs_person(act: Act) -> None:
    """Raises UsageError where nobody is named."""
    if not act.person.strip():
        raise UsageError("nobody is named", "Give --person: who releases, waives or attends, by name.")


def words_of(text: str) -> str:
    """The words with single spaces between. Raises UsageError for more than WORDS_LIMIT letters."""
    text = " ".join(text.split())
    if len(text) > WORDS_LIMIT:
        raise UsageError(f"the words have {len(text)} letters; {WORDS_LIMIT} is the most", "Shorten them.")
    return text


def number_of(value: object, what: str) -> float | None:
    """A figure of a file or form; None where nothing stands. Raises UsageError for what is no finite number."""
    if value is None or value == "":
        return None
    try:
        number = math.nan if isinstance(value, bool) or not isinstance(value, int | float) else float(value)
    except OverflowError:  # a whole number of hundreds of digits
        number = math.inf
    if not math.isfinite(number):
        raise UsageError(f"{what} is {str(value)[:40]!r}, which is no usable number", "Write a number without a unit.")
    return number


def not_negative(value: float | None, what: str) -> float | None:
    """The figure, if it may be a length, a mass or a share. Raises UsageError."""
    if value is not None and (not math.isfinite(value) or value < 0):
        raise UsageError(f"{what} is {value:g}; it cannot be negative", "Check the figure.")
    return value


def celsius(value: float | None, what: str) -> float | None:
    """The figure, if it may be a temperature in °C: no bench is colder or warmer, and a figure that is no number would
    pass every comparison with a minimum. Raises UsageError."""
    if value is not None and not -50 <= value <= 200:
        raise UsageError(f"{what} is {value:g}; it must lie between -50 and 200 °C", "Give it in degrees Celsius.")
    return value
