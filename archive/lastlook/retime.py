"""Resolve times again from the claims kept in the catalogue and the clock corrections in force. No media is read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from lastlook import times
from lastlook.cameras import cameras
from lastlook.catalogue import Catalogue, codes, decisions, media, pending, pictures
from lastlook.neighbouring import Neighbourhood
from lastlook.records import CaptureTime, Claim, ClockCorrection, Decision

_FIRST_VERSION = datetime(2026, 1, 1, tzinfo=UTC)  # nothing came in before this program was written


def corrections(catalogue: Catalogue, camera: str) -> tuple[ClockCorrection, ...]:
    """The clock corrections of a camera that are in force: those found from pictures of the clock card, then those
    that people gave, in the order in which they were given. One that was given to a merged camera holds for all of it.
    """
    known = cameras(catalogue)
    given: list[Decision] = []
    for member in known.members(camera):
        given += decisions.live(catalogue, "clock", f"camera:{member}")
    given.sort(key=lambda decision: decision.seq)
    found = [from_body(body, fitted=True) for body in codes.fitted(catalogue, known.whole(camera))]
    every = [*found, *(from_body(decision.body) for decision in given)]
    return tuple(replace(one, camera=camera) for one in every)


def all_corrections(catalogue: Catalogue) -> list[tuple[Decision, ClockCorrection]]:
    """Every clock correction in force, with the decision that made it."""
    return [(decision, from_body(decision.body)) for decision in decisions.live(catalogue, "clock")]


def body_of(correction: ClockCorrection) -> dict[str, object]:
    """A correction as the body of a decision."""
    return {
        "camera": correction.camera,
        "error_s": correction.error_s,
        "reference": _text(correction.reference),
        "drift_s_per_day": correction.drift_s_per_day,
        "uncertainty_s": correction.uncertainty_s,
        "fixed_offset_min": correction.fixed_offset_min,
        "since": _text(correction.since),
        "until": _text(correction.until),
        "note": correction.note,
    }


def resolve_medium(catalogue: Catalogue, zone: str, medium: media.Medium, clip_ms: int = 0) -> CaptureTime:
    """The time of a photo, or of the frame at `clip_ms` of a clip, by the corrections in force."""
    return resolve_moments(catalogue, zone, medium, (clip_ms,))[0]


def resolve_moments(catalogue: Catalogue, zone: str, medium: media.Medium, moments: Sequence[int]) -> list[CaptureTime]:
    """The times of the frames at some `moments` (ms) of one clip."""
    resolver = Resolver(catalogue, zone)
    return [
        resolver.time(
            medium.claims, medium.camera.key, medium.sha256, moment, medium.duration_ms, came_in(medium.arrived)
        )
        for moment in moments
    ]


class Resolver:
    """Resolves many pictures in one pass, with the clock corrections in force, or with none (`corrected`)."""

    def __init__(self, catalogue: Catalogue, zone: str, *, corrected: bool = True) -> None:
        self._catalogue = catalogue
        self._zone = zone
        self._corrected = corrected
        self._corrections: dict[str, tuple[ClockCorrection, ...]] = {}
        self._neighbourhood: Neighbourhood | None = None
        self._beside: dict[str, times.Beside | None] = {}

    def time(
        self,
        claims: Sequence[Claim],
        camera: str,
        sha256: str,
        clip_ms: int | None,
        duration_ms: int | None,
        not_after: datetime | None,
    ) -> CaptureTime:
        """The time of a photo, or of a still of the clip `sha256`: where that holds nothing but its container's time,
        held against the files beside it."""
        if camera not in self._corrections:
            self._corrections[camera] = corrections(self._catalogue, camera) if self._corrected else ()
        used = self._corrections[camera]

        def resolved(beside: times.Beside | None) -> CaptureTime:
            return times.resolve(
                claims,
                used,
                self._zone,
                camera=camera,
                clip_ms=clip_ms or 0,
                duration_ms=duration_ms,
                not_after=not_after,
                beside=beside,
            )

        time = resolved(None)
        if clip_ms is None or not times.is_alone(time):
            return time
        if sha256 not in self._beside:
            if self._neighbourhood is None:
                self._neighbourhood = Neighbourhood(self._catalogue, self._by_itself)
            self._beside[sha256] = self._neighbourhood.of(sha256, camera)
        beside = self._beside[sha256]
        return time if beside is None else resolved(beside)

    def _by_itself(self, medium: media.Medium) -> CaptureTime:
        return self.time(
            medium.claims, medium.camera.key, medium.sha256, None, medium.duration_ms, came_in(medium.arrived)
        )


def retime(catalogue: Catalogue, zone: str, camera: str | None = None) -> int:
    """Resolve all pictures again, or one camera's and all that was merged with it; returns how many times changed.
    Inside a transaction."""
    keys = None if camera is None else cameras(catalogue).members(camera)
    changed = _again(catalogue, zone, pictures.times_to_resolve(catalogue, keys))
    if camera is None:
        pending.done(catalogue, pending.NEIGHBOURS)
    return changed


def beside(catalogue: Catalogue, zone: str) -> list[tuple[int, CaptureTime]]:
    """Resolve those stills again of whose clip nothing but the container's time is known: files that have come in since
    may lie beside it. (row, time) of those that are to have another one now."""
    return pictures.other_times(catalogue, _resolved(catalogue, zone, pictures.times_to_resolve(catalogue, alone=True)))


def _again(catalogue: Catalogue, zone: str, rows: Iterable[pictures.ToResolve]) -> int:
    return pictures.set_times(catalogue, _resolved(catalogue, zone, rows))


def _resolved(catalogue: Catalogue, zone: str, rows: Iterable[pictures.ToResolve]) -> Iterator[tuple[int, CaptureTime]]:
    resolver = Resolver(catalogue, zone)
    claims_of = lru_cache(maxsize=64)(_claims)  # the stills of a clip share their clip's claims
    for one in rows:
        claims = claims_of(one.claims)
        arrived = came_in(one.arrived)
        yield one.rid, resolver.time(claims, one.camera, one.sha256, one.clip_ms, one.duration_ms, arrived)


def came_in(arrived: datetime | None) -> datetime | None:
    """When a file came in, unless this computer's own clock was plainly wrong then."""
    return arrived if arrived is not None and arrived >= _FIRST_VERSION else None


def _claims(text: str) -> tuple[Claim, ...]:
    return media.claims_from_json(text)


def from_body(body: Mapping[str, Any], *, fitted: bool = False) -> ClockCorrection:
    """The correction that a decision's body holds, or that was fitted and kept."""
    return ClockCorrection(
        camera=str(body["camera"]),
        error_s=float(body["error_s"]),
        reference=_instant(body.get("reference")),
        drift_s_per_day=float(body.get("drift_s_per_day") or 0.0),
        uncertainty_s=float(body.get("uncertainty_s", 2.0)),
        fixed_offset_min=body.get("fixed_offset_min"),
        since=_instant(body.get("since")),
        until=_instant(body.get("until")),
        note=str(body.get("note", "")),
        fitted=fitted,
    )


def _instant(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def _text(wall: datetime | None) -> str | None:
    return wall.isoformat() if wall else None
