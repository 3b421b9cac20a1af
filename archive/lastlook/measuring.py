"""Lengths and angles in millimetres on a picture, from the best scale that is known of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lastlook import marking, picturing
from lastlook.errors import UsageError
from lastlook.records import Picture
from lastlook.registering import card_corners
from lastlook.registration import markers, measure
from lastlook.store import Store


def scale_of(store: Store, picture: Picture) -> measure.Scale | None:
    """The plane in mm of a picture, in full pixels, from the best that is known: places, markers, then lengths."""
    size = (picture.width, picture.height)
    lens = picturing.lens(store, picture, size)
    known = marking.knowns(store, picture.id)
    planes = [each for each in known if each.what == "plane"]
    if planes and planes[-1].points is not None and planes[-1].places is not None:
        basis = f"{len(planes[-1].points)} places in mm"
        return measure.from_points(planes[-1].points, planes[-1].places, size, basis, lens=lens)
    named = [each for each in [*known, *marking.knowns(store, "marker")] if each.what == "marker"]
    if named:
        loaded = picturing.load(store, picture)
        seen = markers.find(loaded.grey)
        for each in named:
            for corners, places in card_corners(seen, each):
                basis = f"{each.name}, {each.mm:g} mm a side"
                sigma = 0.3 / loaded.scale
                return measure.from_points(loaded.to_full(corners), places, size, basis, sigma_px=sigma, lens=lens)
    lengths = [each for each in known if each.what == "length"]
    if lengths and lengths[-1].points is not None:
        p, q = lengths[-1].points
        return measure.from_length(
            p, q, lengths[-1].mm, size, f"a length of {lengths[-1].mm:g} mm", within=lengths[-1].within, lens=lens
        )
    return None


def measured(scale: measure.Scale, points: Sequence[Sequence[float]]) -> tuple[measure.Measure, measure.Measure | None]:
    """The length of a line through points, and the angle at the middle one where there are three."""
    at = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if len(at) < 2:
        raise UsageError("a length needs two points", "Give two or more.")
    return measure.length(scale, at), measure.angle(scale, at[0], at[1], at[2]) if len(at) == 3 else None
