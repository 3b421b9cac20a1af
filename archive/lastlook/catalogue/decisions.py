"""The appended decisions: what people said, with time and author. Never changed, never deleted; undo is another one.

Kinds and bodies (plain JSON; instants RFC 3339):
    plan      {text}                                  the whole plan file that is in force from here on
    arrival   {sha256, media, file, source, folders, stored, in_place, size_bytes, mtime_ns, belongs_to}
              a file was taken in
    sighting  {sha256, source, folders, size_bytes, mtime_ns, belongs_to (captions), stored and in_place (or absent:
              where the original was put, if it was gone from its place)}
              content already known was met under another path
    pair      {clip, photo}                           a motion clip was put to its photo
    refused   {source, reason, hint, kept}            a file could not be used
    tag       {pictures, set: [[dimension, target]…], reject: [[dimension, target]…], caption (or absent),
              stretch: {clip, from_ms, to_ms} (or absent: it speaks of these pictures only, not of a stretch of a clip)}
    session   {targets: [[dimension, target]…], start, end (null: not stopped yet), said, note}
              a stretch of bench work on something
    session-stop  {session, end, said}                a session that had no end was stopped
    still     {clip, clip_ms}                         a moment of a clip kept by hand
    heard     {clip, recogniser, heard: [{start_ms, end_ms, text, sure}…]}
              a clip was listened to; the newest that stands is what counts
    close     {opening, at, earliest, latest, said, method, plan, check, look (or absent: closed without a check)}
    reopen    {opening, at, earliest, latest, said}
    camera    {camera, name} or {camera, into}         what a camera is called; that it is one with another
    reference {picture, camera, used}                 whether a picture of the clock card counts
    clock     {camera, error_s, reference, drift_s_per_day, uncertainty_s, fixed_offset_min, since, until, note}
    view      {pictures, items: [[dimension, target]…], view, shows, sharp, region, shares, person}
              how pictures show items; says too that they show them
    change    {item, change, at, earliest, latest, said, why, person, length_mm, colour}
    measure   {item, measure, mm, at, earliest, latest, said, person, instrument}
    test      {subject, test, passed, value, unit, text, instrument, through, at, earliest, latest, said, person}
    done      {step, at, earliest, latest, said, person, words}
    release   {target, at, earliest, latest, said, person, words, waived: [key…]}
    witness   {step, at, earliest, latest, said, person, attended, words}
    waiver    {opening, item, what, lines: [what…] (of a waiver for all of the item: what stood open), at, earliest,
              latest, said, reason, person}
    adhesive  {id, kind, fixture_h, handling_h, full_cure_h, reference_c, minimum_c, pot_life_min, ratio, sheet, note}
    bond      {target, adhesive, joined, mixed, clamp_on, clamp_off: {at, earliest, latest, said} or null,
              temperature_c, humidity_percent, batch, expiry, ratio, mass_g, preparation, note, person}
    mark      {picture, shape, of, label, points}     drawn on a picture; pixels of the upright picture in full size
    tie       {a, b, points: [[[x, y], [x, y]]…]}     places of two pictures that are one place of the model
    known     {what: length|plane|marker|depth|lens, …}  a size, place, depth or lens that somebody knows
    statement {topic, about, text, pictures, person}  what a hand-over record says of lifting, supply, cleaning …
    private   {subjects, private, reason}             what never leaves with a hand-over record ("picture:p27ee…",
              "decision:<uid>", "field:client"); `private` false lets it go again
    approval-pack  {point, wording, language, person, pictures: [{picture, sha256, shown_sha256, caption}…],
              sha256 (of the file that went out), file}
              a pack for one decision went out to the client
    approval  {pack, answer, words, person, at, earliest, latest, said}
              the client's answer to a pack, in the client's own words
    undo      {}                                      with `undoes`

`decisions.jsonl` is the same, one JSON object a line, in the same order (see `plain`).
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from lastlook.catalogue import shapes
from lastlook.catalogue.connection import Catalogue, Row, damaged
from lastlook.errors import AmbiguousId, NoSuchId, UsageError
from lastlook.records import Decision, still_id

_COLUMNS = "seq, uid, at, by, kind, body, COALESCE(undoes, '')"


def append(
    catalogue: Catalogue,
    kind: str,
    body: Mapping[str, object],
    *,
    by: str,
    undoes: str = "",
    at: datetime | None = None,
    uid: str = "",
) -> Decision:
    """Record a decision inside the transaction under way. `at` and `uid` are given when a record is replayed only."""
    at = at or datetime.now(UTC)
    at = at.replace(microsecond=at.microsecond // 1000 * 1000)  # as it is written, so that a replay is equal
    uid = uid or uuid.uuid4().hex
    last = catalogue.row("SELECT COALESCE(MAX(seq), 0) FROM decision")
    seq = (int(last[0]) if last else 0) + 1
    text = json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    if any("\ud800" <= letter <= "\udfff" for letter in text + by):  # what a terminal makes of bytes that are no UTF-8
        raise UsageError("the words hold bytes that are no letters", "Type them again, or set the terminal to UTF-8.")
    catalogue.execute(
        "INSERT INTO decision (seq, uid, at, by, kind, body, undoes) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (seq, uid, instant_text(at), by, kind, text, undoes or None),
    )
    catalogue.execute_many(
        "INSERT OR IGNORE INTO decision_subject VALUES (?, ?)",
        ((subject, seq) for subject in _subjects(catalogue, kind, body, undoes)),
    )
    if undoes:
        _flip(catalogue, undoes, undone=True)
    return Decision(seq, uid, at, by, kind, json.loads(text), undoes)


def by_uid(catalogue: Catalogue, uid: str) -> Decision | None:
    row = catalogue.row(f"SELECT {_COLUMNS} FROM decision WHERE uid = ?", (uid,))
    return _decision(row) if row else None


def complete_uid(catalogue: Catalogue, typed: str) -> str:
    """A decision's whole uid from its beginning. Raises NoSuchId, AmbiguousId."""
    typed = typed.strip().lower()
    rows = catalogue.rows("SELECT uid FROM decision WHERE uid >= ? AND uid < ? LIMIT 6", (typed, typed + "~"))
    if not rows or len(typed) < 4:
        raise NoSuchId("decision", typed)
    if len(rows) > 1:
        raise AmbiguousId("decision", typed, [str(row[0]) for row in rows])
    return str(rows[0][0])


def is_undone(catalogue: Catalogue, uid: str) -> bool:
    row = catalogue.row("SELECT undone FROM decision WHERE uid = ?", (uid,))
    return bool(row and row[0])


def live(catalogue: Catalogue, kind: str, subject: str | None = None) -> list[Decision]:
    """Decisions of a kind that nobody took back, oldest first; only those about `subject` where it is given."""
    if subject is None:
        rows = catalogue.rows(f"SELECT {_COLUMNS} FROM decision WHERE kind = ? AND undone = 0 ORDER BY seq", (kind,))
    else:
        rows = catalogue.rows(
            f"SELECT {_COLUMNS} FROM decision JOIN decision_subject USING (seq)"
            " WHERE subject = ? AND kind = ? AND undone = 0 ORDER BY seq",
            (subject, kind),
        )
    return [_decision(row) for row in rows]


def live_about(catalogue: Catalogue, kinds: Sequence[str], subjects: Sequence[str]) -> list[Decision]:
    """Decisions of some kinds about any of `subjects` that nobody took back, each once, oldest first."""
    found: dict[int, Decision] = {}
    of_kind = ",".join("?" * len(kinds))
    for start in range(0, len(subjects), 500):
        part = subjects[start : start + 500]
        marks = ",".join("?" * len(part))
        rows = catalogue.rows(
            f"SELECT DISTINCT {_COLUMNS} FROM decision JOIN decision_subject USING (seq)"
            f" WHERE subject IN ({marks}) AND kind IN ({of_kind}) AND undone = 0 ORDER BY seq",
            (*part, *kinds),
        )
        for row in rows:
            if int(row[0]) not in found:
                found[int(row[0])] = _decision(row)
    return [found[seq] for seq in sorted(found)]


def live_by_subject(
    catalogue: Catalogue, kinds: Sequence[str], subjects: Sequence[str], read: dict[int, Decision] | None = None
) -> list[tuple[str, Decision]]:
    """(subject, decision) for each decision of some kinds about any of `subjects` (at most some hundreds) that nobody
    took back, oldest first. `read` holds decisions read before by their number, and gets those read now."""
    marks, kind_marks = ",".join("?" * len(subjects)), ",".join("?" * len(kinds))
    about = [
        (str(subject), int(seq))
        for subject, seq in catalogue.rows(
            "SELECT subject, seq FROM decision JOIN decision_subject USING (seq)"
            f" WHERE subject IN ({marks}) AND kind IN ({kind_marks}) AND undone = 0 ORDER BY seq",
            (*subjects, *kinds),
        )
    ]
    # One decision may be about hundreds of pictures, all of them named in it: it is read once.
    read = {} if read is None else read
    unread = sorted({seq for _, seq in about if seq not in read})
    for start in range(0, len(unread), 500):
        part = unread[start : start + 500]
        marks = ",".join("?" * len(part))
        for row in catalogue.rows(f"SELECT {_COLUMNS} FROM decision WHERE seq IN ({marks})", part):
            read[int(row[0])] = _decision(row)
    return [(subject, read[seq]) for subject, seq in about]


def last_live(catalogue: Catalogue, kind: str) -> Decision | None:
    row = catalogue.row(
        f"SELECT {_COLUMNS} FROM decision WHERE kind = ? AND undone = 0 ORDER BY seq DESC LIMIT 1", (kind,)
    )
    return _decision(row) if row else None


def last_about(catalogue: Catalogue, kind: str, subject: str) -> Decision | None:
    """The newest decision of a kind about a subject, taken back or not."""
    row = catalogue.row(
        f"SELECT {_COLUMNS} FROM decision JOIN decision_subject USING (seq) WHERE subject = ? AND kind = ?"
        " ORDER BY seq DESC LIMIT 1",
        (subject, kind),
    )
    return _decision(row) if row else None


def about(catalogue: Catalogue, subject: str) -> list[tuple[Decision, bool]]:
    """All decisions about a subject, oldest first, each with whether it was taken back."""
    rows = catalogue.rows(
        f"SELECT {_COLUMNS}, undone FROM decision JOIN decision_subject USING (seq) WHERE subject = ? ORDER BY seq",
        (subject,),
    )
    return [(_decision(row[:7]), bool(row[7])) for row in rows]


def last_standing(catalogue: Catalogue, kinds: Sequence[str]) -> Decision | None:
    """The newest decision of some kinds that nobody took back."""
    marks = ",".join("?" * len(kinds))
    row = catalogue.row(
        f"SELECT {_COLUMNS} FROM decision WHERE kind IN ({marks}) AND undone = 0 ORDER BY seq DESC LIMIT 1", kinds
    )
    return _decision(row) if row else None


def uid_at(catalogue: Catalogue, seq: int) -> str:
    """The uid of the decision with that number; '' where there is none."""
    row = catalogue.row("SELECT uid FROM decision WHERE seq = ?", (seq,))
    return str(row[0]) if row else ""


def latest(catalogue: Catalogue, kinds: Sequence[str], limit: int) -> list[tuple[Decision, bool]]:
    """The newest decisions of some kinds, newest first, each with whether it was taken back."""
    marks = ",".join("?" * len(kinds))
    rows = catalogue.rows(
        f"SELECT {_COLUMNS}, undone FROM decision WHERE kind IN ({marks}) ORDER BY seq DESC LIMIT ?", (*kinds, limit)
    )
    return [(_decision(row[:7]), bool(row[7])) for row in rows]


def subjects_of(catalogue: Catalogue, seq: int) -> list[str]:
    return [
        str(row[0])
        for row in catalogue.rows("SELECT subject FROM decision_subject WHERE seq = ? ORDER BY subject", (seq,))
    ]


def every(catalogue: Catalogue, after: int = 0) -> Iterator[Decision]:
    """All decisions from `after` on, in order, read in slices so that a large archive does not fill memory."""
    while True:
        rows = catalogue.rows(f"SELECT {_COLUMNS} FROM decision WHERE seq > ? ORDER BY seq LIMIT 2000", (after,))
        if not rows:
            return
        for row in rows:
            yield _decision(row)
        after = int(rows[-1][0])


def last_seq(catalogue: Catalogue) -> int:
    row = catalogue.row("SELECT COALESCE(MAX(seq), 0) FROM decision")
    return int(row[0]) if row else 0


def check_can_undo(catalogue: Catalogue, uid: str) -> Decision:
    """The decision to take back. Raises UsageError where there is none, or it was taken back already."""
    decision = by_uid(catalogue, uid)
    if decision is None:
        raise UsageError(f"there is no decision {uid!r}", "List decisions with 'lastlook history'.")
    if is_undone(catalogue, uid):
        raise UsageError(
            "that decision was taken back already", "Take back the taking back instead, if you meant that."
        )
    if decision.kind in {"arrival", "sighting", "refused", "pair"}:
        raise UsageError(
            "taking a file in cannot be taken back", "Originals are never deleted; untag the picture instead."
        )
    return decision


_ABOUT = {
    "change": "item",
    "measure": "item",
    "test": "subject",
    "done": "step",
    "release": "target",
    "witness": "step",
    "bond": "target",
}
"""Kinds about one id of the plan, and the key that holds it."""


def _subjects(catalogue: Catalogue, kind: str, body: Mapping[str, Any], undoes: str) -> Iterable[str]:
    """What a decision is about: pictures by id, openings by id, cameras, clips and files with what they are."""
    if kind == "tag":
        return [*body["pictures"], *([f"clip:{body['stretch']['clip']}"] if "stretch" in body else [])]
    if kind in {"close", "reopen"}:
        return [str(body["opening"])]
    if kind == "view":
        return [*body["pictures"], *(f"item:{target}" for _, target in body["items"])]
    if kind in _ABOUT:
        return [f"item:{body[_ABOUT[kind]]}"]
    if kind == "waiver":
        return [f"item:{body['item']}", str(body["opening"])]
    if kind == "adhesive":
        return [f"adhesive:{str(body['id']).casefold()}"]
    if kind == "statement":
        return [*body["pictures"], f"topic:{body['topic']}", *([f"item:{body['about']}"] if body["about"] else [])]
    if kind == "private":
        return [*body["subjects"], *(one.removeprefix("picture:") for one in body["subjects"] if one[:8] == "picture:")]
    if kind == "approval-pack":
        return [*(one["picture"] for one in body["pictures"]), "approvals"]
    if kind == "approval":
        return [f"pack:{body['pack']}", "approvals"]
    if kind == "plan":
        return ["plan"]
    if kind == "clock":
        return [f"camera:{body['camera']}"]
    if kind == "camera":
        return [f"camera:{body[key]}" for key in ("camera", "into") if key in body]
    if kind == "reference":
        return [str(body["picture"]), f"camera:{body['camera']}"]
    if kind == "refused":
        return [f"file:{body['source']}"]
    if kind == "still":
        return [still_id(body["clip"], body["clip_ms"]), f"clip:{body['clip']}"]
    if kind == "heard":
        return [f"clip:{body['clip']}"]
    if kind == "session":
        return ["session"]
    if kind == "session-stop":
        return ["session", f"session:{body['session']}"]
    if kind == "mark":
        return [str(body["picture"]), *([str(body["of"])] if body["of"] else [])]
    if kind == "tie":
        return [str(body["a"]), str(body["b"])]
    if kind == "known":
        return _known_about(body)
    if kind == "undo":
        target = by_uid(catalogue, undoes)
        return subjects_of(catalogue, target.seq) if target is not None else []
    return []


def _known_about(body: Mapping[str, Any]) -> list[str]:
    if body["what"] == "lens":
        return [f"camera:{body['camera']}"]
    if body["what"] == "depth":
        return [str(body["of"])]
    return [str(body["picture"]) if body.get("picture") else "marker"]


def _flip(catalogue: Catalogue, uid: str, *, undone: bool) -> None:
    catalogue.execute("UPDATE decision SET undone = ? WHERE uid = ?", (int(undone), uid))
    target = by_uid(catalogue, uid)
    if target and target.undoes:
        # Taking back an undo puts the first decision in force again.
        _flip(catalogue, target.undoes, undone=not undone)


def _decision(row: Row) -> Decision:
    try:
        return Decision(
            int(row[0]),
            str(row[1]),
            datetime.fromisoformat(row[2]),
            str(row[3]),
            str(row[4]),
            shapes.checked(row[4], json.loads(row[5])),
            str(row[6]),
        )
    except (ValueError, TypeError) as error:
        raise damaged(f"decision {row[0]} cannot be read ({type(error).__name__})") from error


def instant_text(at: datetime) -> str:
    """An instant as decisions write it: UTC, milliseconds."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
