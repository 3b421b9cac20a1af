"""What a person decides about pictures, openings and clocks; and taking it back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from lastlook import clock_fit, times
from lastlook.cameras import cameras
from lastlook.catalogue import closings, decisions, media, pictures
from lastlook.errors import UsageError
from lastlook.plan.ids import nearest
from lastlook.plan.vocabulary import lookup_id
from lastlook.projecting import project
from lastlook.records import ClockCorrection, Decision, Dimension, Picture, still_id
from lastlook.retime import body_of
from lastlook.store import Store

CAPTION_LIMIT = 2000
CAMERA_NAME_LIMIT = 80
METHOD_LIMIT = 500
MOST_ERROR_S = 100 * 366 * 86_400.0
MOST_DRIFT_S = 3600.0
UNDOABLE = (
    *("session", "session-stop"),
    *("tag", "plan", "close", "reopen", "clock", "still"),
    *("camera", "reference", "heard"),
    *("mark", "tie", "known"),
    *("view", "change", "measure", "test", "done", "release", "witness", "waiver", "adhesive", "bond"),
    *("statement", "private", "approval-pack", "approval"),
)


@dataclass(frozen=True, slots=True)
class Target:
    """Something a tag points at, as a person typed it."""

    dimension: Dimension
    typed: str


def tag(
    store: Store, picture_ids: Sequence[str], targets: Sequence[Target], caption: str | None = None
) -> tuple[Decision, list[Picture]]:
    """Say what pictures show. Raises NoSuchId, AmbiguousId, UsageError; nothing is recorded then."""
    if not targets and caption is None:
        raise UsageError("nothing to tag with", "Give --in, --step, --run, --part or --caption.")
    return _say(store, picture_ids, targets, (), caption)


def untag(store: Store, picture_ids: Sequence[str], targets: Sequence[Target]) -> tuple[Decision, list[Picture]]:
    """Say what pictures do not show: takes a tag off, and keeps a proposal from coming back."""
    if not targets:
        raise UsageError("nothing to take off", "Give --in, --step, --run or --part; --caption '' empties a caption.")
    return _say(store, picture_ids, (), targets, None)


def _say(
    store: Store,
    picture_ids: Sequence[str],
    yes: Sequence[Target],
    no: Sequence[Target],
    caption: str | None,
) -> tuple[Decision, list[Picture]]:
    found = [pictures.find(store.catalogue, typed) for typed in picture_ids]
    if not found:
        raise UsageError("no picture named", "Give one or more picture ids, as 'lastlook find' prints them.")
    if caption is not None:
        caption = " ".join(caption.split())
        if len(caption) > CAPTION_LIMIT:
            raise UsageError(f"the caption has {len(caption)} letters; {CAPTION_LIMIT} is the most", "Shorten it.")
    ids = list(dict.fromkeys(picture.id for picture in found))
    body: dict[str, object] = {
        "pictures": ids,
        "set": [[target.dimension.value, _canonical(store, target)] for target in yes],
        "reject": [[target.dimension.value, _untag_id(store, target, found)] for target in no],
    }
    if caption is not None:
        body["caption"] = caption
    with store.deciding():
        decision = decisions.append(store.catalogue, "tag", body, by=store.by)
        project(store, decision)
    return decision, pictures.by_rids(store.catalogue, [picture.rid for picture in found])


def _canonical(store: Store, target: Target) -> str:
    return lookup_id(store.plan, target.dimension, target.typed)


def _untag_id(store: Store, target: Target, found: Sequence[Picture]) -> str:
    """A tag may be taken off although the plan has dropped its id."""
    worn = {tag.target for picture in found for tag in picture.tags if tag.dimension is target.dimension}
    for id in worn:
        if id.casefold() == target.typed.strip().casefold():
            return id
    return _canonical(store, target)


def undo(store: Store, uid: str = "") -> tuple[Decision, Decision]:
    """Take back a decision, the last one that still stands if none is named. Returns (what was undone, the undo)."""
    # All inside one transaction: two people who take the same thing back at once must not both succeed.
    with store.deciding():
        if not uid:
            last = decisions.last_standing(store.catalogue, UNDOABLE)
            if last is None:
                raise UsageError("there is nothing to take back", "No decision stands.")
            uid = last.uid
        target = decisions.check_can_undo(store.catalogue, decisions.complete_uid(store.catalogue, uid))
        _check_still(store, target)
        undone = decisions.append(store.catalogue, "undo", {}, by=store.by, undoes=target.uid)
        project(store, undone)
    return target, undone


def _check_still(store: Store, target: Decision) -> None:
    """A still kept by hand goes only where nothing else was said of it; it comes back by keeping it again."""
    if target.kind == "still":
        id = still_id(str(target.body["clip"]), int(str(target.body["clip_ms"])))
        others = [one for one, undone in decisions.about(store.catalogue, id) if not undone and one.uid != target.uid]
        if any(one.kind != "undo" for one in others):
            raise UsageError(f"{id} has been tagged since", "Take those tags back first; see 'lastlook history'.")
    if target.undoes:
        first = decisions.by_uid(store.catalogue, target.undoes)
        if first is not None and first.kind == "still":
            raise UsageError(
                "a still that was taken back is kept again by keeping it again", "Use 'lastlook still CLIP --at TIME'."
            )


def close(
    store: Store,
    opening: str,
    at: str,
    method: str = "",
    now: datetime | None = None,
    record: Mapping[str, object] | None = None,
) -> Decision:
    """Record that an opening was closed. `at` as a person says it ("2026-03-27 16:10", "27 March"). `record`: what the
    closing check found and the last look it froze (see `lastlook.closing_check.close`)."""
    id = lookup_id(store.plan, "opening", opening)
    when = times.parse_when(at, store.zone, now or datetime.now(UTC))
    method = " ".join(method.split())
    if len(method) > METHOD_LIMIT:
        raise UsageError(f"the method has {len(method)} letters; {METHOD_LIMIT} is the most", "Shorten it.")
    with store.deciding():
        check_can_close(store, id, at, now)
        return _act(store, "close", id, when, {"method": method, **(record or {})})


def when_done(store: Store, said: str, now: datetime | None = None) -> times.When:
    """The time at which something was done, as a person says it. Raises UsageError for one that is still to come: a
    joint said to be bonded next year would have no hold this year."""
    now = now or datetime.now(UTC)
    when = times.parse_when(said, store.zone, now)
    if when.earliest > now:
        clock = times.format_rfc3339(now.replace(microsecond=0), store.zone)
        raise UsageError(f"{when.text} is still to come", f"Say when it was; the clock of this computer says {clock}.")
    return when


def check_can_close(store: Store, opening: str, at: str, now: datetime | None = None) -> None:
    """Raises UsageError where the opening is shut already, or was opened again only later than `at`, or where that time
    is still to come."""
    id = lookup_id(store.plan, "opening", opening)
    when = when_done(store, at, now)
    shut = closings.of_opening(store.catalogue, id)
    if shut and shut[-1].reopened is None:
        raise UsageError(
            f"{id} is closed already, since {times.describe(shut[-1].time, store.zone)}",
            f"Take that back with 'lastlook undo {shut[-1].decision[:8]}', or record 'lastlook reopen {id} --at TIME'.",
        )
    if shut and shut[-1].reopened is not None and shut[-1].reopened.earliest is not None:
        _not_before(when.latest, shut[-1].reopened.earliest, f"{id} was reopened only", store.zone)


def reopen(store: Store, opening: str, at: str, now: datetime | None = None) -> Decision:
    """Record that an opening was opened again."""
    id = lookup_id(store.plan, "opening", opening)
    when = when_done(store, at, now)
    with store.deciding():
        shut = closings.of_opening(store.catalogue, id)
        if not shut or shut[-1].reopened is not None:
            raise UsageError(f"{id} is not closed", f"Record its closing first: 'lastlook close {id} --at TIME'.")
        if shut[-1].time.earliest is not None:
            _not_before(when.latest, shut[-1].time.earliest, f"{id} was closed only", store.zone)
        return _act(store, "reopen", id, when, {})


def _not_before(said: datetime, limit: datetime, words: str, zone: str) -> None:
    if said < limit:
        raise UsageError(f"{words} at {times.format_rfc3339(limit, zone)}, after the time given", "Check the time.")


def _act(store: Store, kind: str, opening: str, when: times.When, more: dict[str, object]) -> Decision:
    """Inside a transaction."""
    body: dict[str, object] = {
        "opening": opening,
        # A day or a minute is an interval: the act lies somewhere inside it, and questions of order say so.
        "at": times.format_rfc3339(when.capture_time().instant or when.earliest, "UTC"),
        "earliest": times.format_rfc3339(when.earliest, "UTC"),
        "latest": times.format_rfc3339(when.latest, "UTC"),
        "said": when.text,
        **more,
    }
    decision = decisions.append(store.catalogue, kind, body, by=store.by)
    project(store, decision)
    return decision


def correct_clock(store: Store, correction: ClockCorrection) -> tuple[Decision, int]:
    """Record how a camera's clock stands. Returns the decision and how many pictures moved.

    `correction.camera` as a person types it: a camera's key, or the name it was given. Raises UsageError.
    """
    _check_numbers(correction)
    camera = find_camera(store, correction.camera)
    if not camera:
        raise UsageError(
            "files that name no camera may be of several", "Correct a named camera; see 'lastlook clock list'."
        )
    body = body_of(replace(correction, camera=camera))
    return _decide_of_cameras(store, "clock", body, (camera,))


def find_camera(store: Store, typed: str) -> str:
    """The key of the camera that a person means by its key or its name. Raises UsageError naming near ones."""
    known = cameras(store.catalogue)
    keys = [key for key, _ in media.cameras(store.catalogue)]
    wanted = typed.strip().casefold()
    for key in keys:
        if key.casefold() == wanted:
            return known.whole(key)
    # A name may come to be two cameras': given to another one, then set again by taking back that it was taken back.
    called = sorted({known.whole(key) for key in keys if key and known.shown(key).casefold() == wanted})
    if len(called) > 1:
        raise UsageError(
            f"{len(called)} cameras are called {typed.strip()!r}", f"Say which: {' or '.join(map(repr, called))}."
        )
    if called:
        return called[0]
    words = [word for key in keys if key for word in dict.fromkeys((key, known.shown(key)))]
    like = nearest(typed, words)
    near = f" Nearest known: {', '.join(repr(word) for word in like)}." if like else ""
    raise UsageError(f"no picture was taken by a camera {typed!r}", f"List cameras with 'lastlook clock list'.{near}")


def _fit_for_a_name(name: str) -> bool:
    return 0 < len(name) <= CAMERA_NAME_LIMIT and name.isprintable()


def name_camera(store: Store, typed: str, name: str) -> Decision:
    """Say what to call a camera. Raises UsageError."""
    name = " ".join(name.split())
    if not _fit_for_a_name(name):
        raise UsageError("a camera's name has one to eighty printable letters", "Give one such as 'bench phone'.")
    camera = find_camera(store, typed)
    if not camera:
        raise UsageError("files that name no camera may be of several", "They cannot be given a name together.")
    known = cameras(store.catalogue)
    for key, _ in media.cameras(store.catalogue):
        if known.whole(key) != camera and name.casefold() in {key.casefold(), known.shown(key).casefold()}:
            raise UsageError(
                f"another camera is called {name!r}", "Choose another name, or merge the two: 'lastlook clock merge'."
            )
    decision, _ = _decide_of_cameras(store, "camera", {"camera": camera, "name": name}, (camera,))
    return decision


def merge_cameras(store: Store, typed: str, into: str) -> tuple[Decision, int]:
    """Say that two cameras are one, which goes by the second's name. Returns how many pictures moved, too."""
    first, second = find_camera(store, typed), find_camera(store, into)
    if first == second:
        raise UsageError(f"{typed!r} and {into!r} are one camera already", "See 'lastlook clock list'.")
    if not first or not second:
        raise UsageError("files that name no camera may be of several", "Merge cameras that are named.")
    return _decide_of_cameras(store, "camera", {"camera": first, "into": second}, (first, second))


def use_reference(store: Store, typed: str, *, used: bool) -> tuple[Decision, int]:
    """Say whether a picture of the clock card counts. Returns how many pictures moved, too. Raises UsageError."""
    picture = pictures.find(store.catalogue, typed)
    found = clock_fit.cards(store.catalogue, store.zone)
    for camera, shown in found.items():
        of_camera = {one.picture for one in (*shown.used, *shown.ignored)}
        if picture.id in of_camera:
            if (picture.id in {one.picture for one in shown.used}) == used:
                word = "is used already" if used else "is left out already"
                raise UsageError(f"{picture.id} {word}", "See 'lastlook clock show'.")
            body = {"picture": picture.id, "camera": camera, "used": used}
            return _decide_of_cameras(store, "reference", body, (camera,))
        if picture.id in shown.unread:
            raise UsageError(
                f"{picture.id} shows the clock card, but its file holds no time of its camera to the second",
                "Take the file as the camera wrote it, not a copy that was sent on.",
            )
    raise UsageError(f"no clock card was read in {picture.id}", "See 'lastlook clock show' for those that were.")


def _check_numbers(correction: ClockCorrection) -> None:
    numbers = (correction.error_s, correction.drift_s_per_day, correction.uncertainty_s)
    if not all(math.isfinite(number) for number in numbers):
        raise UsageError("a clock cannot be wrong by what is no number", "Give seconds, such as --error -12.5.")
    if abs(correction.error_s) > MOST_ERROR_S or correction.uncertainty_s > MOST_ERROR_S:
        raise UsageError("no clock is wrong by more than a hundred years", "Give seconds: a day has 86400.")
    if abs(correction.drift_s_per_day) > MOST_DRIFT_S:
        raise UsageError(
            f"no clock drifts by {correction.drift_s_per_day:g} s a day", "Give seconds a day; most drift by under ten."
        )
    if correction.uncertainty_s < 0:
        raise UsageError("the uncertainty is below nothing", "Give --uncertainty 0 or more.")
    walls = (correction.reference, correction.since, correction.until)
    if any(wall is not None and wall.tzinfo is not None for wall in walls):
        raise UsageError("times of a camera's own clock have no zone", "Leave the offset away.")
    if correction.since is not None and correction.until is not None and correction.until <= correction.since:
        raise UsageError("the correction ends before it begins", "Check --since and --until.")


def _decide_of_cameras(store: Store, kind: str, body: dict[str, object], keys: Sequence[str]) -> tuple[Decision, int]:
    with store.deciding():
        members = sorted({one for key in keys for one in cameras(store.catalogue).members(key)})
        before = dict(pictures.instants(store.catalogue, members))
        decision = decisions.append(store.catalogue, kind, body, by=store.by)
        project(store, decision)
        after = dict(pictures.instants(store.catalogue, members))
    return decision, sum(before[rid] != instant for rid, instant in after.items())
