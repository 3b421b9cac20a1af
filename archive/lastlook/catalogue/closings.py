"""Openings closed and reopened, folded from decisions."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from lastlook.catalogue import decisions
from lastlook.catalogue.connection import Catalogue, Row, meaning
from lastlook.catalogue.pictures import ceil_ms, from_ms, to_ms
from lastlook.records import CaptureTime, Closing, Decision

_COLUMNS = (
    "opening, closed_ms, earliest_ms, latest_ms, why, method, by, uid, reopened_ms, reopened_earliest_ms,"
    " reopened_latest_ms, reopened_why"
)


def refold(catalogue: Catalogue, opening: str) -> None:
    """Make the closings of one opening anew from its live decisions, in the order in which they were recorded.

    Not by the times they speak of: "closed on 27 March" and "reopened on 27 March at 10:00" are in order, though the
    middle of that day is past ten. What would be out of order is refused when it is recorded.
    """
    catalogue.execute("DELETE FROM closing WHERE opening = ?", (opening,))
    acts = decisions.live(catalogue, "close", opening) + decisions.live(catalogue, "reopen", opening)
    acts.sort(key=lambda act: act.seq)
    shut: Decision | None = None
    for act in acts:
        if act.kind == "close":
            shut = act
            body: Mapping[str, Any] = act.body
            catalogue.execute(
                "INSERT INTO closing (uid, opening, closed_ms, earliest_ms, latest_ms, why, method, by)"
                " VALUES (?,?,?,?,?,?,?,?)",
                (
                    act.uid,
                    opening,
                    to_ms(_instant(act, "at")),
                    to_ms(_instant(act, "earliest")),
                    ceil_ms(_instant(act, "latest")),
                    f"{act.by} said: {body.get('said', '')}",
                    str(body.get("method", "")),
                    act.by,
                ),
            )
        elif shut is not None:
            catalogue.execute(
                "UPDATE closing SET reopened_uid=?, reopened_ms=?, reopened_earliest_ms=?, reopened_latest_ms=?,"
                " reopened_why=? WHERE uid=?",
                (
                    act.uid,
                    to_ms(_instant(act, "at")),
                    to_ms(_instant(act, "earliest")),
                    ceil_ms(_instant(act, "latest")),
                    f"{act.by} said: {act.body.get('said', '')}",
                    shut.uid,
                ),
            )
            shut = None
    catalogue.count_up("closings")


def of_opening(catalogue: Catalogue, opening: str) -> list[Closing]:
    """All closings of an opening, in order; the last one with `reopened` None means that it is shut now."""
    rows = catalogue.rows(f"SELECT {_COLUMNS} FROM closing WHERE opening = ? ORDER BY rowid", (opening,))
    return [_closing(row) for row in rows]


def every(catalogue: Catalogue) -> list[Closing]:
    return [_closing(row) for row in catalogue.rows(f"SELECT {_COLUMNS} FROM closing ORDER BY closed_ms, rowid")]


def _instant(decision: Decision, key: str) -> datetime:
    return datetime.fromisoformat(str(decision.body[key]))


def _closing(row: Row) -> Closing:
    with meaning(f"a closing of {row[0]!r}"):
        reopened = None
        if row[8] is not None:
            reopened = CaptureTime(from_ms(row[8]), from_ms(row[9]), from_ms(row[10]), "said", row[11])
        return Closing(
            opening=row[0],
            time=CaptureTime(from_ms(row[1]), from_ms(row[2]), from_ms(row[3]), "said", row[4]),
            method=row[5],
            by=row[6],
            decision=row[7],
            reopened=reopened,
        )
