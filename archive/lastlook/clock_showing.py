"""What is known of each camera's clock, to be shown: references, fit, what it changed, what was noticed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from lastlook import clock_fit, retime
from lastlook.cameras import cameras
from lastlook.catalogue import media, pictures
from lastlook.clock_fit import CameraCards
from lastlook.clocks.fit import ClockFit, fit
from lastlook.records import CaptureTime, ClockCorrection, Decision
from lastlook.store import Store
from lastlook.times.neighbours import OUTSIDE, TAKEN_AS_LOCAL

EXAMPLES = 3
_NOTICES = (
    "is the end of the recording in local time",
    "is the end of the recording",
    "is the same in local time",
    "is the start of the recording in local time",
    "is local time",
    TAKEN_AS_LOCAL,
    OUTSIDE,
)


@dataclass(frozen=True, slots=True)
class Moved:
    """A picture that the clock's correction moved, from what it would be without to what it is."""

    picture: str
    file: str
    without: CaptureTime
    now: CaptureTime


@dataclass(frozen=True, slots=True)
class Noticed:
    """What a container's time turned out to be, in how many clips, and one of their files."""

    words: str
    clips: int
    file: str


@dataclass(frozen=True, slots=True)
class CameraClock:
    """`keys`: every name the files themselves give (merged ones). `given`: corrections by people, which win.
    `moved`: how many pictures stand at another time than they would without any correction; `examples` of them."""

    camera: str
    shown: str
    keys: tuple[str, ...]
    files: int
    cards: CameraCards
    fit: ClockFit
    given: tuple[tuple[Decision, ClockCorrection], ...]
    moved: int
    examples: tuple[Moved, ...]
    noticed: tuple[Noticed, ...]


def every(store: Store) -> list[CameraClock]:
    """All cameras, merged ones as one, those with most files first; files that name none come last."""
    catalogue = store.catalogue
    known = cameras(catalogue)
    files: dict[str, int] = {}
    for key, count in media.cameras(catalogue):
        files[known.whole(key)] = files.get(known.whole(key), 0) + count
    found = clock_fit.cards(catalogue, store.zone)
    tz = ZoneInfo(store.zone)
    given = retime.all_corrections(catalogue)
    shown = []
    for camera, count in sorted(files.items(), key=lambda item: (not item[0], -item[1], item[0])):
        keys = known.members(camera)
        cards = found.get(camera, CameraCards(camera))
        own = tuple((decision, one) for decision, one in given if known.whole(one.camera) == camera)
        fitted = fit(camera, cards.used, tz)
        moved, noticed = _moved(store, keys, bool(own or fitted.corrections))
        shown.append(
            CameraClock(
                camera,
                known.shown(camera),
                keys,
                count,
                cards,
                fitted,
                own,
                len(moved),
                tuple(moved[:: max(1, len(moved) // EXAMPLES)][:EXAMPLES]),
                noticed,
            )
        )
    return shown


def _moved(store: Store, keys: Sequence[str], corrected: bool) -> tuple[list[Moved], tuple[Noticed, ...]]:
    """Pictures that a correction moved, and what was noticed of containers' times."""
    catalogue = store.catalogue
    claims_of = lru_cache(maxsize=64)(media.claims_from_json)
    ways = [retime.Resolver(catalogue, store.zone, corrected=way) for way in ((True, False) if corrected else (False,))]
    rids: list[tuple[int, CaptureTime]] = []
    noticed: dict[str, dict[str, int]] = {}
    for one in pictures.times_to_resolve(catalogue, keys):
        claims, arrived = claims_of(one.claims), retime.came_in(one.arrived)
        both = [way.time(claims, one.camera, one.sha256, one.clip_ms, one.duration_ms, arrived) for way in ways]
        if corrected and _apart(both[0], both[1]):
            rids.append((one.rid, both[1]))
        if one.clip_ms is not None:
            words = next((words for words in _NOTICES if words in both[0].why), "")
            if words:
                noticed.setdefault(words, {}).setdefault(one.sha256, one.rid)
    wanted = [rid for rid, _ in rids] + [rid for each in noticed.values() for rid in each.values()]
    found = {picture.rid: picture for picture in pictures.by_rids(catalogue, wanted)} if wanted else {}
    moved = [Moved(found[rid].id, found[rid].file, without, found[rid].time) for rid, without in rids if rid in found]
    return moved, _noticed(noticed, {rid: picture.file for rid, picture in found.items()})


def _noticed(found: Mapping[str, Mapping[str, int]], files: Mapping[int, str]) -> tuple[Noticed, ...]:
    out = []
    for words in _NOTICES:
        clips = sorted({files[rid] for rid in found.get(words, {}).values() if rid in files})
        if clips:
            said = words.replace("is the same in local time", "is local time")
            out.append(Noticed(f"the container's time {said}", len(clips), clips[0]))
    return tuple(out)


def _apart(first: CaptureTime, second: CaptureTime) -> bool:
    if first.instant is None or second.instant is None:
        return first.instant is not second.instant
    return abs(first.instant - second.instant) >= timedelta(milliseconds=1)
