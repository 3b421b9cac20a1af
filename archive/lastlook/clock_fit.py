"""From the clock cards in pictures to how each camera's clock stands, kept beside what people say of it.

A fit is folded from codes and decisions like everything else: the same pictures and the same words give the same
corrections. It reads no media.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from lastlook import retime
from lastlook.cameras import cameras
from lastlook.catalogue import Catalogue, codes, decisions, media
from lastlook.clocks import card
from lastlook.clocks.fit import ClockFit, fit
from lastlook.clocks.reference import reference
from lastlook.records import ClockReference


@dataclass(frozen=True, slots=True)
class CameraCards:
    """What a camera's pictures of the clock card say. `used` and `ignored` are references; `unread`: pictures of the
    card whose own file holds no time of the camera to the second, so that they say nothing of its clock."""

    camera: str
    used: tuple[ClockReference, ...] = ()
    ignored: tuple[ClockReference, ...] = ()
    unread: tuple[str, ...] = ()


def cards(catalogue: Catalogue, zone: str) -> dict[str, CameraCards]:
    """By camera (merged ones as one), all pictures of the clock card."""
    known = cameras(catalogue)
    left_out = ignored(catalogue)
    tz = ZoneInfo(zone)
    found: dict[str, tuple[list[ClockReference], list[ClockReference], list[str]]] = {}
    for seen in codes.beginning(catalogue, card.PREFIX):
        shown = card.read(seen.text)
        if shown is None:
            continue
        whole = known.whole(seen.camera)
        used, ignored_, unread = found.setdefault(whole, ([], [], []))
        one = reference(
            seen.picture,
            whole,
            media.claims_from_json(seen.claims),
            shown,
            tz,
            clip_ms=seen.clip_ms,
            duration_ms=seen.duration_ms,
        )
        if one is None or not whole:
            unread.append(seen.picture)
        else:
            (ignored_ if seen.picture in left_out else used).append(one)
    return {
        camera: CameraCards(camera, tuple(used), tuple(ignored_), tuple(unread))
        for camera, (used, ignored_, unread) in sorted(found.items())
    }


def ignored(catalogue: Catalogue) -> set[str]:
    """Pictures of the clock card that a person has said not to use."""
    state: dict[str, bool] = {}
    for decision in decisions.live(catalogue, "reference"):
        state[str(decision.body["picture"])] = bool(decision.body["used"])
    return {picture for picture, used in state.items() if not used}


def fits(catalogue: Catalogue, zone: str) -> dict[str, ClockFit]:
    """How each camera's clock stands by its pictures of the card."""
    tz = ZoneInfo(zone)
    return {camera: fit(camera, found.used, tz) for camera, found in cards(catalogue, zone).items()}


def refit(catalogue: Catalogue, zone: str, also: Iterable[str] = ()) -> int:
    """Fit all clocks again and resolve the times of those cameras whose fit is another now, and of the cameras `also`.
    Returns how many pictures' times changed. Inside a transaction."""
    known = cameras(catalogue)
    found = fits(catalogue, zone)
    changed = {known.whole(camera) for camera in also}
    for camera in sorted({*found, *codes.fitted_cameras(catalogue)}):
        corrections = found[camera].corrections if camera in found else ()
        if codes.set_fitted(catalogue, camera, [retime.body_of(one) for one in corrections]):
            changed.add(known.whole(camera))
            changed.add(camera)
    return sum(retime.retime(catalogue, zone, camera) for camera in sorted(changed))
