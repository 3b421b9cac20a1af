"""Lengths and angles in millimetres on a picture, from the best scale that is known of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lastlook import marking, picturing
from lastlook.errors import UsageError
from lastlook.records import Picture
from lastlook.registering import card_corners
from lastlook.registration import camera, markers, measure
from lastlook.store import Store

Sizes = tuple[measure.Measure, measure.Measure | None]

MOST_MISSED = 0.03
"""By what share a known length may lie off a plane that is known otherwise, beside three of their errors: it may lie a
little nearer than the plane. Own judgement, no source."""
_MOST_NAMED = 3  # known lengths that contradict each other


def scale_of(store: Store, picture: Picture) -> measure.Scale | None:
    """The plane in mm of a picture, in full pixels, from the best that is known: places, markers, then all lengths.

    Raises UsageError where what is known makes no plane, or contradicts itself.
    """
    size = (picture.width, picture.height)
    lens = picturing.lens(store, picture, size)
    known = marking.knowns(store, picture.id)
    spans = [
        measure.Span(each.points[0], each.points[1], each.mm, each.within)
        for each in known
        if each.what == "length" and each.points is not None
    ]
    plane = _plane(store, picture, known, lens)
    try:
        if plane is None:
            if not spans:
                return None
            basis = f"a length of {spans[0].mm:g} mm" if len(spans) == 1 else f"{len(spans)} known lengths"
            return measure.from_lengths(spans, size, basis, lens=lens)
    except measure.Contradiction as error:
        named = " and ".join(f"{each.mm:g} mm" for each in error.spans)
        what = f"lengths of {named}" if len(error.spans) > 1 else f"length of {named} and the others"
        what = what if len(error.spans) <= _MOST_NAMED else "lengths of this picture"
        raise _contradicted(f"the known {what}") from error
    for span in spans:
        if measure.missed_by(plane, span, MOST_MISSED) > 3:
            raise _contradicted(f"the known length of {span.mm:g} mm and {plane.basis}")
    return plane


def _contradicted(what: str) -> UsageError:
    return UsageError(
        f"{what} contradict each other",
        "See whether one is not in mm, ends elsewhere or lies on another plane, and take it back.",
    )


def _plane(
    store: Store, picture: Picture, known: Sequence[marking.Known], lens: camera.Lens | None
) -> measure.Scale | None:
    """From places in mm or a marker, whose tilt is known with them."""
    size = (picture.width, picture.height)
    planes = [each for each in known if each.what == "plane"]
    if planes and planes[-1].points is not None and planes[-1].places is not None:
        basis = f"{len(planes[-1].points)} places in mm"
        try:
            return measure.from_points(planes[-1].points, planes[-1].places, size, basis, lens=lens, checked=True)
        except measure.Misplaced as error:
            raise UsageError(
                str(error), "Look at each, and whether all are in mm; take them back and give them anew."
            ) from error
        except ValueError as error:
            raise UsageError("the known places lie on a line", "Give four that do not, or take them back.") from error
    named = [each for each in [*known, *marking.knowns(store, "marker")] if each.what == "marker"]
    if named:
        loaded = picturing.load(store, picture)
        seen = markers.find(loaded.grey)
        for each in named:
            for corners, places in card_corners(seen, each):
                basis = f"{each.name}, {each.mm:g} mm a side"
                sigma = 0.3 / loaded.scale
                return measure.from_points(loaded.to_full(corners), places, size, basis, sigma_px=sigma, lens=lens)
    return None


def size_of(
    scale: measure.Scale, points: Sequence[Sequence[float]]
) -> tuple[measure.Measure, measure.Measure | None] | None:
    """As `measured`; None where that plane says nothing of it."""
    try:
        return measured(scale, points)
    except UsageError:
        return None


def measured(scale: measure.Scale, points: Sequence[Sequence[float]]) -> Sizes:
    """The length of a line through points, and the angle at the middle one where there are three."""
    at = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if len(at) < 2:
        raise UsageError("a length needs two points", "Give two or more.")
    try:
        return measure.length(scale, at), measure.angle(scale, at[0], at[1], at[2]) if len(at) == 3 else None
    except ValueError as error:
        raise UsageError(
            "the line reaches beyond where that plane can be seen", "Choose places nearer to the known ones."
        ) from error
