"""Whether known lengths can be believed: what they make of each other, of a card, of the camera and of the plan.

A length typed in centimetres, or read off the wrong edge, makes a band that is wrong by as much and looks as sure. So
each is asked against all else that has a size; where they disagree by more than they may be off, there is no band until
it is put right. The limits are our own judgement, no source: wide enough for tilted views, narrow enough for a wrong
unit.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lastlook.registration import markers, pose
from lastlook.registration.pose import Cameras, Length

MOST_APART = 4.0  # how many times the mm per pixel of one known length may be another's in one picture
MOST_BESIDE_CARD = 2.0  # the same for a length and a card, which lies near the model and about as squarely
MOST_MISSED = 0.05  # by what share a length may lie off the scale of the others, beside its own error
NEAREST_MM, FARTHEST_MM = 80.0, 5000.0  # from where cameras are held over a bench and still see it sharp
MOST_OVER_CUT = 1.15  # how many times its cut length a run may seem to be long

_CLICK_PX = 2.0  # how exactly both ends of a length are pointed at
_UNTIL = "No band is drawn until then."


def contradiction(lengths: Sequence[Length]) -> tuple[str, ...]:
    """A line where millimetres per pixel of one picture's known lengths lie too far apart for one plane: a tilt that no
    one photographs at would still fit them, and its band be wrong."""
    for side in ("a", "b"):
        scales = [(_per_pixel(each), each.mm) for each in lengths if each.on == side and _apart(each) >= 1]
        if scales and max(scales)[0] > MOST_APART * min(scales)[0]:
            one, other = min(scales)[1], max(scales)[1]
            return (
                f"Known lengths contradict each other ({one:.4g} mm and {other:.4g} mm): look whether one is not in mm."
                f" {_UNTIL}",
            )
    return ()


def disagreeing(unscaled: Cameras | None, lengths: Sequence[Length]) -> tuple[str, ...]:
    """A line where no cameras that the ties allow see all lengths at one scale. `unscaled`: worked out without any
    length: worked out with them, a steep view that is none would make them fit."""
    if unscaled is None or len(lengths) < 2:
        return ()
    mm = np.array([each.mm for each in lengths])
    click = np.array([_CLICK_PX / max(_apart(each), 1.0) for each in lengths]) * mm
    slack = MOST_MISSED * mm + 3 * np.hypot([each.within for each in lengths], click)
    seen = np.stack([pose.lengths_seen(each, lengths) for each in (unscaled.best, *unscaled.draws)])
    seen = np.where(np.isfinite(seen) & (seen > 0), seen, np.nan)
    # Of each camera: the least scale that the largest length asks for, over the most that the smallest allows.
    apart = np.max(np.maximum(mm - slack, 0) / seen, axis=1) / np.min((mm + slack) / seen, axis=1)
    if not np.isfinite(apart).any() or np.nanmin(apart) <= 1:
        return ()
    scales = mm / seen[int(np.nanargmin(apart))]
    one, other = mm[int(np.argmin(scales))], mm[int(np.argmax(scales))]
    return (
        f"The known lengths do not agree ({one:.4g} mm and {other:.4g} mm): look whether each is in mm and ends where"
        f" it should. {_UNTIL}",
    )


def beside_card(typed: Sequence[Length], side: str, seen: Sequence[markers.Marker], mm: float) -> tuple[str, ...]:
    """A line where a bench card seen in that picture says another scale than a length given by hand. `seen`: its
    markers, `mm` a side as they are printed."""
    sides = [each.side_px for each in seen if each.side_px > 0]
    if not sides:
        return ()
    card = mm / float(np.median(sides))
    for each in typed:
        if each.on != side or _apart(each) < 1:
            continue
        ratio = _per_pixel(each) / card
        if not 1 / MOST_BESIDE_CARD <= ratio <= MOST_BESIDE_CARD:
            return (
                f"By the bench card in the picture, the length of {each.mm:.4g} mm would be about"
                f" {each.mm / ratio:.0f} mm: look whether it is in mm. {_UNTIL}",
            )
    return ()


def distance(cameras: Cameras | None) -> tuple[str, ...]:
    """A line where the scale puts a camera where nobody holds one; by the lens, which Exif gives or a usual one is
    taken for."""
    if cameras is None or not cameras.scaled:
        return ()
    setup = cameras.best
    away = (setup.distance, setup.distance - float(setup.eye_b @ setup.normal))
    for name, lens, mm in zip(("inside", "outside"), (setup.lens_a, setup.lens_b), map(abs, away), strict=True):
        # A lens of which nothing is known may be off by half: that much more is allowed.
        slack = 1 + 2 * lens.spread
        if not NEAREST_MM / slack <= mm <= FARTHEST_MM * slack:
            far = f"{mm:.2g} mm" if mm < 1000 else f"{mm / 1000:.2g} m"
            return (
                f"By the known length the {name} camera would have been {far} from the skin: look whether the length is"
                f" in mm. {_UNTIL}",
            )
    return ()


def over_cut(id: str, length_mm: float, within_mm: float, cut_mm: float | None) -> tuple[str, ...]:
    """A line where a run seems longer on the skin than the wire that was cut for it: no wire is. `within_mm`: what the
    length seen may be off by, both ends together."""
    if not cut_mm or length_mm <= MOST_OVER_CUT * cut_mm + within_mm:
        return ()
    return (
        f"{id} would be {length_mm:.0f} mm long on the skin, and its wire is cut to {cut_mm:g} mm: look whether the"
        f" known length is in mm, the trace is right, and the cut length in the plan. {_UNTIL}",
    )


def unchecked(lengths: Sequence[Length]) -> tuple[str, ...]:
    """A line where all that gives the scale is one length. What else is asked tells a wrong unit, not a wrong edge."""
    if len(lengths) != 1:
        return ()
    return (
        f"The scale rests on one length alone ({lengths[0].mm:.4g} mm): if it is wrong, line and band are wrong by as"
        " much. Give a second one, across the first.",
    )


def _apart(each: Length) -> float:
    return float(np.linalg.norm(np.subtract(each.p, each.q)))


def _per_pixel(each: Length) -> float:
    return each.mm / _apart(each)
