"""What people draw on pictures and say of them in millimetres: marks, ties, known sizes. All of it decisions.

A mark is something drawn on one picture: a run's trace, a point, a region, the model's outline, a dimension. Ties are
places that show in two pictures. A known says a length, places on a plane, a marker's side, a depth, or a lens.
Coordinates are pixels of the upright picture in full size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, cast, get_args

import numpy as np
from numpy.typing import NDArray

from lastlook.catalogue import decisions, pictures
from lastlook.errors import UsageError
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Decision, Picture
from lastlook.registration import markers
from lastlook.registration.camera import Calibration, Lens
from lastlook.store import Store

Shape = Literal["trace", "point", "region", "outline", "dimension"]
SHAPES: tuple[Shape, ...] = get_args(Shape)
LEAST = {"trace": 2, "point": 1, "region": 3, "outline": 3, "dimension": 2}
MOST_POINTS = 2000
DEEPEST = 1000.0  # mm: no model is thicker than this below its skin. Common practice, no source
Points = NDArray[np.float64]
Given = Sequence[Sequence[float]] | NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mark:
    """`of`: the run, part or subassembly it shows, '' for none; `points` (N, 2); `decision` its uid."""

    picture: str
    shape: Shape
    of: str
    label: str
    points: Points
    by: str
    decision: str


@dataclass(frozen=True, slots=True)
class Known:
    """`what`: "length" (two `points`, `mm`), "plane" (`points` and their `places` in mm), "marker" (`name`, side `mm`,
    `stays` where it is on the model), "depth" (`of`, `mm` below the skin). `within`: standard error in mm; a depth of
    which only limits are known has `least` and `most` instead. `picture` '' for all pictures."""

    what: Literal["length", "plane", "marker", "depth"]
    picture: str = ""
    of: str = ""
    name: str = ""
    points: Points | None = None
    places: Points | None = None
    mm: float = 0.0
    within: float = 0.5
    least: float | None = None
    most: float | None = None
    stays: bool = False
    decision: str = ""


# ------------------------------------------------------------------------------------------------ saying


def mark(store: Store, picture: str, shape: str, points: Given, of: str = "", label: str = "") -> Mark:
    """Draw something on a picture. Raises NoSuchId, UsageError; nothing is recorded then."""
    found = pictures.find(store.catalogue, picture)
    if shape not in SHAPES:
        raise UsageError(f"there is no mark {shape!r}", f"Marks are: {', '.join(SHAPES)}.")
    at = places_on(found, points, LEAST[shape])
    if shape == "point" and len(at) != 1:
        raise UsageError("a point is one place", "Give one x,y.")
    if shape in ("trace", "dimension") and np.ptp(at, axis=0).max() < 1:
        raise UsageError("all its points are the same place", "Give places apart from each other, or draw a point.")
    if shape in ("outline", "region") and _area(at) < 1:
        raise UsageError("its points lie on one line", "Give three or more places around it.")
    target = lookup_id(store.plan, None, of) if of else ""
    body: dict[str, object] = {
        "picture": found.id,
        "shape": shape,
        "of": target,
        "label": " ".join(label.split())[:200],
        "points": at.tolist(),
    }
    return _mark(_append(store, "mark", body))


def tie(store: Store, first: str, second: str, pairs: Sequence[Given] | NDArray[np.float64]) -> Decision:
    """Say that places of two pictures are the same place of the model: pairs of [[x, y], [x, y]]."""
    a, b = pictures.find(store.catalogue, first), pictures.find(store.catalogue, second)
    if a.id == b.id:
        raise UsageError("a tie joins two pictures", "Name another picture.")
    if not len(pairs) or any(len(pair) != 2 for pair in pairs):
        raise UsageError("a tie is a place in each of the two pictures", "Give both, as X,Y=X,Y.")
    one, two = places_on(a, [pair[0] for pair in pairs], 1), places_on(b, [pair[1] for pair in pairs], 1)
    body: dict[str, object] = {
        "a": a.id,
        "b": b.id,
        "points": [[p, q] for p, q in zip(one.tolist(), two.tolist(), strict=True)],
    }
    return _append(store, "tie", body)


def know_length(store: Store, picture: str, ends: Given, mm: float, within: float = 0.5) -> Decision:
    """Say how long something on the skin is: between two points of a rule, a card's edge, a measured distance."""
    found = pictures.find(store.catalogue, picture)
    at = places_on(found, ends, 2)
    if len(at) != 2:
        raise UsageError("a length has two ends", "Give two points.")
    if np.linalg.norm(at[0] - at[1]) < 4:
        raise UsageError("the two ends are the same place", "Choose two places far apart.")
    _mm(mm, "a length", above=0)
    _mm(within, "its error", above=0)
    return _append(
        store,
        "known",
        {"what": "length", "picture": found.id, "points": at.tolist(), "mm": float(mm), "within": float(within)},
    )


def know_plane(store: Store, picture: str, points: Given, places: Given) -> Decision:
    """Say where four or more points of the skin lie, in mm from any origin on it."""
    found = pictures.find(store.catalogue, picture)
    at = places_on(found, points, 4)
    on = np.asarray(places, dtype=np.float64).reshape(-1, 2)
    if len(on) != len(at) or not np.isfinite(on).all():
        raise UsageError("each point needs its place in mm", "Give X,Y=MM,MM for each.")
    return _append(store, "known", {"what": "plane", "picture": found.id, "points": at.tolist(), "places": on.tolist()})


def know_marker(store: Store, name: str, mm: float, *, picture: str = "", stays: bool = False) -> Decision:
    """Say that a printed marker ("36h11-7", or "card" for a bench card) lies on the skin: in one picture, or in all of
    them where it `stays` in one place of the model. `mm` is the side of its black border."""
    name = name.strip().lower()
    if name != "card":
        family, _, number = name.partition("-")
        if family not in markers.FAMILIES or not (number.isascii() and number.isdigit()):
            raise UsageError(f"{name!r} names no marker", "Give family and number, like 36h11-7, or card.")
        if int(number[:9]) >= markers.count(family):
            raise UsageError(
                f"there is no marker {name}", f"Those of {family} go from 0 to {markers.count(family) - 1}."
            )
    _mm(mm, "a marker's side", above=0)
    id = pictures.find(store.catalogue, picture).id if picture else ""
    if not id and not stays:
        raise UsageError("say in which picture the marker lies on the model", "Name the picture, or say that it stays.")
    return _append(
        store, "known", {"what": "marker", "name": name, "mm": float(mm), "picture": id, "stays": bool(stays)}
    )


def know_depth(
    store: Store, of: str, mm: float, within: float = 1.0, *, least: float | None = None, most: float | None = None
) -> Decision:
    """Say how far a run, or what lies in a subassembly or behind an opening, is below the skin's outer face."""
    target = lookup_id(store.plan, None, of)
    body: dict[str, object] = {"what": "depth", "of": target}
    if least is not None or most is not None:
        low, high = least or 0.0, most
        if high is None or not 0 <= low <= high:
            raise UsageError("limits of a depth are 0 or more, the smaller one first", "Give --least MM --most MM.")
        body |= {"mm": (low + high) / 2, "within": 0.0, "least": float(low), "most": _mm(high, "a depth", most=DEEPEST)}
    else:
        body |= {"mm": _mm(mm, "a depth", most=DEEPEST), "within": _mm(within, "its error")}
    return _append(store, "known", body)


def know_lens(store: Store, camera: str, found: Calibration, focal_35: float | None = None) -> Decision:
    """Keep what photos of a printed board say of a camera's lens. `focal_35`: its 35 mm equivalent focal length as
    those photos say it, since phones have several lenses and others zoom."""
    lens = found.lens
    body = {
        "what": "lens",
        "camera": camera,
        "size": list(lens.size),
        "focal": round(lens.focal, 3),
        "centre": [round(float(v), 3) for v in lens.centre],
        "distortion": [float(f"{v:.6g}") for v in lens.distortion],
        "rms_px": round(found.rms_px, 4),
        "photos": found.used,
    }
    if focal_35 is not None:
        body["focal_35"] = float(focal_35)
    return _append(store, "known", body)


# ------------------------------------------------------------------------------------------------ reading


def marks(store: Store, about: str) -> list[Mark]:
    """The marks that stand, on a picture or of a run, part or subassembly, oldest first."""
    return [_mark(each) for each in decisions.live(store.catalogue, "mark", about)]


def outline(store: Store, picture: str) -> Points | None:
    """The newest outline of the model on a picture, (N, 2)."""
    found = [each for each in marks(store, picture) if each.shape == "outline"]
    return found[-1].points if found else None


def ties(store: Store, a: str, b: str) -> tuple[Points, Points, list[str]]:
    """Tied places of two pictures, (N, 2) in each, in the order they were said, with the decisions' uids."""
    one: list[Any] = []
    two: list[Any] = []
    uids: list[str] = []
    for each in decisions.live(store.catalogue, "tie", a):
        body: dict[str, Any] = dict(each.body)
        if {body["a"], body["b"]} != {a, b}:
            continue
        for p, q in body["points"]:
            one.append(p if body["a"] == a else q)
            two.append(q if body["a"] == a else p)
            uids.append(each.uid)
    return np.array(one, dtype=np.float64).reshape(-1, 2), np.array(two, dtype=np.float64).reshape(-1, 2), uids


def knowns(store: Store, about: str) -> list[Known]:
    """What is known of a picture, of "marker" (those that stay), or of a run, subassembly or opening; oldest first."""
    return [_known(each) for each in decisions.live(store.catalogue, "known", about)]


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A lens of a camera, and the 35 mm equivalent focal length at which it was calibrated, where the photos said."""

    lens: Lens
    focal_35: float | None


def lenses_of(store: Store, camera: str) -> list[Calibrated]:
    """The calibrations of a camera, the newest first."""
    if not camera:
        return []
    found = []
    for each in reversed(decisions.live(store.catalogue, "known", f"camera:{camera}")):
        body = cast("dict[str, Any]", each.body)
        lens = Lens(
            float(body["focal"]),
            0.006,
            np.array(body["centre"], dtype=np.float64),
            (int(body["size"][0]), int(body["size"][1])),
            f"calibrated from {body['photos']} photos of a board",
            np.array(body["distortion"], dtype=np.float64),
        )
        found.append(Calibrated(lens, float(body["focal_35"]) if body.get("focal_35") else None))
    return found


def bearing_on(store: Store, a: Picture, b: Picture) -> list[str]:
    """The decisions, by uid, that bear on how two pictures hang together: ties, outlines, what is known, lenses."""
    outlines = [each.decision for picture in (a, b) for each in marks(store, picture.id) if each.shape == "outline"]
    known = [each.decision for about in (a.id, b.id, "marker") for each in knowns(store, about)]
    lenses = [
        each.uid
        for camera in (a.camera, b.camera)
        if camera
        for each in decisions.live(store.catalogue, "known", f"camera:{camera}")
    ]
    return [*dict.fromkeys(ties(store, a.id, b.id)[2]), *outlines, *known, *lenses]


# ------------------------------------------------------------------------------------------------ helpers


def _append(store: Store, kind: str, body: dict[str, object]) -> Decision:
    with store.deciding():
        return decisions.append(store.catalogue, kind, body, by=store.by)


def _mark(decision: Decision) -> Mark:
    body = cast("dict[str, Any]", decision.body)
    points = np.array(body["points"], dtype=np.float64).reshape(-1, 2)
    return Mark(body["picture"], body["shape"], body["of"], body["label"], points, decision.by, decision.uid)


def _known(decision: Decision) -> Known:
    body = cast("dict[str, Any]", decision.body)

    def points(key: str) -> Points | None:
        return np.array(body[key], dtype=np.float64).reshape(-1, 2) if key in body else None

    return Known(
        body["what"],
        body.get("picture", ""),
        body.get("of", ""),
        body.get("name", ""),
        points("points"),
        points("places"),
        float(body.get("mm", 0.0)),
        float(body.get("within", 0.5)),
        body.get("least"),
        body.get("most"),
        bool(body.get("stays", False)),
        decision.uid,
    )


def places_on(picture: Picture, points: Given, least: int = 1) -> Points:
    """`points` as pixels of that upright picture, (N, 2). Raises UsageError where they are none of it."""
    try:
        at = np.asarray(points, dtype=np.float64)
    except (ValueError, TypeError):
        raise UsageError("a point is two numbers", "Give points as X,Y in pixels of the upright picture.") from None
    if at.ndim != 2 or at.shape[1] != 2 or not np.isfinite(at).all():
        raise UsageError("a point is two numbers", "Give points as X,Y in pixels of the upright picture.")
    if not least <= len(at) <= MOST_POINTS:
        given = "1 point was given" if len(at) == 1 else f"{len(at)} points were given"
        raise UsageError(f"{given}; {least} to {MOST_POINTS} are needed", "Add points, or leave some out.")
    if (at < -0.5).any() or (at > [picture.width - 0.5, picture.height - 0.5]).any():
        raise UsageError(
            f"a point lies outside {picture.id}, which is {picture.width} × {picture.height}",
            "Give pixels of the upright picture in full size, from its top left corner.",
        )
    return np.round(at, 2)


def _area(corners: Points) -> float:
    x, y = (corners - corners[0]).T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


LEAST_MM = 1e-3  # nothing at a bench is said finer, and far less overflows what is worked out with it


def _mm(value: float, what: str, above: float | None = None, most: float = 1e5) -> float:
    least = 0.0 if above is None else max(above, LEAST_MM)
    if not least <= value <= most or (above is not None and value <= above):
        raise UsageError(f"{what} of {value:g} mm cannot be", "Give millimetres.")
    return float(value)
