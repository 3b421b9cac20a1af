"""How two pictures of a model hang together, from all that is known of them.

Ties by hand, markers that stay on it, what matches by itself inside its outline, known lengths, and the lenses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lastlook import marking, picturing, scale_doubts
from lastlook.cards import layout
from lastlook.marking import Known
from lastlook.picturing import Loaded
from lastlook.registration import features, markers, measure, outlines, plane, pose, ties
from lastlook.registration.camera import Lens
from lastlook.registration.plane import PlaneMap, Refusal
from lastlook.registration.pose import Cameras, Length
from lastlook.registration.ties import Ties, TieSource
from lastlook.store import Store

Points = NDArray[np.float64]

HAND_PX = 1.3  # of 1600: how exactly a person points at a place in two pictures
SAME_PLACE_PX = 4.0  # of 1600: two ties so near in both pictures are of one place. Own judgement
OUTLINE_SLACK = 0.04  # of the model's size: how roughly its outline may be drawn. Own judgement


_NO_OUTLINE = (
    "No outline of the model is drawn on either picture, so nothing checks that the ties lie on it and not on the"
    " bench: draw one."
)


@dataclass(frozen=True, slots=True)
class Registration:
    """How two pictures hang together. `found` is the map or the refusal (working pixels, straightened as `lenses`
    allow); `cameras` None where none fit; `ties` all that were offered, straightened too; `scale_basis` '' where no
    length is known; `doubted` where lengths are known and contradict something, so that nothing is scaled by them;
    `said` says what."""

    inside: Loaded
    outside: Loaded
    ties: Ties
    found: PlaneMap | Refusal
    cameras: Cameras | None
    scale_basis: str
    lenses: tuple[Lens, Lens]
    outlined: bool
    said: tuple[str, ...] = ()
    doubted: bool = False

    @property
    def lens_basis(self) -> tuple[str, str]:
        return self.lenses[0].basis, self.lenses[1].basis

    def along_skin(self, pixels: Points) -> Points:
        """Working pixels (N, 2) of the inside picture as those of the outside one that show the same of the skin, both
        as their lenses bend them. Raises TypeError for a refusal."""
        if isinstance(self.found, Refusal):
            raise TypeError("a refusal carries nothing")
        lens_a, lens_b = self.lenses
        return lens_b.bend(plane.transfer(self.found.matrix, lens_a.straighten(pixels)))

    def pixel_map(self) -> tuple[Points, float]:
        """The map (3, 3) that comes nearest to `along_skin` over the outline, and by how many working pixels of the
        outside picture it is off there at most: no such map bends a line. Raises TypeError for a refusal."""
        if isinstance(self.found, Refusal):
            raise TypeError("a refusal has no map")
        lens_a, lens_b = self.lenses
        if not lens_a.calibrated and not lens_b.calibrated:
            return self.found.matrix, 0.0
        a = lens_a.bend(self.found.lattice)
        b = self.along_skin(a)
        matrix = plane.fit(ties.make(a, b, 1.0, TieSource.MARKER))
        if matrix is None:
            return self.found.matrix, float(np.linalg.norm(plane.transfer(self.found.matrix, a) - b, axis=1).max())
        return matrix, float(np.linalg.norm(plane.transfer(matrix, a) - b, axis=1).max())

    @property
    def scaled(self) -> bool:
        return self.cameras is not None and self.cameras.scaled


def register(
    store: Store,
    inside: Loaded,
    outside: Loaded,
    extra: tuple[Points, Points] | None = None,
    without: int | None = None,
) -> Registration:
    """How two pictures hang together, from all that is known. `extra`: ties (full pixels) that are tried, not kept, and
    `without` the kept one, counted from 0, that they would stand in place of."""
    a, b, _ = marking.ties(store, inside.picture.id, outside.picture.id)
    if without is not None:
        a, b = np.delete(a, without, axis=0), np.delete(b, without, axis=0)
    if extra is not None:
        a, b = np.vstack([a, extra[0]]), np.vstack([b, extra[1]])
    lens_a = picturing.lens(store, inside.picture, inside.size)
    lens_b = picturing.lens(store, outside.picture, outside.size)
    hand = ties.make(
        lens_a.straighten(inside.to_work(a)),
        lens_b.straighten(outside.to_work(b)),
        HAND_PX * max(outside.size) / 1600,
        TieSource.HAND,
    )
    twice = _again(hand, SAME_PLACE_PX * max(inside.size) / 1600)
    hand = hand.take(np.array([name not in twice for name in hand.name], dtype=bool))
    printed, lengths, typed, basis = _known(store, inside, outside, lens_a, lens_b)
    drawn_a, drawn_b = (_outline(store, each) for each in (inside, outside))
    outline = drawn_a if drawn_a is not None else _around(hand, printed, inside)
    grow: plane.Grow | None = None
    alike = ties.none()
    if drawn_a is not None or drawn_b is not None:
        fa, fb = inside.features(drawn_a), outside.features(drawn_b)
        alike = features.match(fa, fb)
        alike = _straight(alike, lens_a, lens_b)

        def gathered(matrix: Points) -> Ties:
            return _straight(features.guided(fa, fb, matrix, 6 * fb.pixel), lens_a, lens_b)

        grow = gathered

    every = ties.joined(hand, printed, alike)
    found: PlaneMap | Refusal
    if drawn_a is None and drawn_b is None and every.of(*plane.TRUSTED).sum() < 4:
        found = Refusal(
            plane.Reason.NO_OUTLINE,
            "nothing says which part of the pictures is the model, and the bench has more to match than it",
            "draw the model's outline on one of the two pictures, or mark four or more points that show in both",
        )
    else:
        stray = _stray(drawn_a, inside.to_work(a), inside) or _stray(drawn_b, outside.to_work(b), outside)
        found = stray or plane.register(every, outline, grow=grow)
    if (
        isinstance(found, PlaneMap)
        and grow is None
        and len(hand) >= 4
        and _elsewhere(found, hand, inside, outside, lens_a, lens_b)
    ):
        found = plane.elsewhere()
    cameras = None
    doubts = scale_doubts.contradiction(lengths) or _misplaced(store, (inside, lens_a), (outside, lens_b))
    if isinstance(found, PlaneMap):
        fit = (found.ties, found.matrix, lens_a, lens_b)
        cameras = pose.solve(*fit, lengths, allowed=found.allowed)
        if lengths and not doubts:
            bare = pose.solve(*fit, allowed=found.allowed) if len(lengths) > 1 and typed else None
            doubts = scale_doubts.disagreeing(bare, lengths) or scale_doubts.distance(cameras)
            doubts = doubts or _beside_cards(store, typed, inside, outside)
        if doubts:
            cameras = pose.solve(*fit, allowed=found.allowed)
    unchecked = () if doubts else scale_doubts.unchecked(lengths)
    return Registration(
        inside,
        outside,
        every,
        found,
        cameras,
        (f"{basis}; not believed" if doubts else basis) if lengths else "",
        (lens_a, lens_b),
        grow is not None,
        (
            *(f"T{n[1:]} is the same place as {m} and counts once." for n, m in twice.items()),
            *_cut((inside, lens_a), (outside, lens_b)),
            *((_NO_OUTLINE,) if drawn_a is None and drawn_b is None and len(hand) else ()),
            *doubts,
            *unchecked,
        ),
        bool(doubts),
    )


def _cut(*shown: tuple[Loaded, Lens]) -> tuple[str, ...]:
    return tuple(
        f"{loaded.picture.id} has another shape than its camera takes: something was cut off, so nothing says where it"
        " looked, and the band is wide. Take the whole picture in, and use that."
        for loaded, lens in shown
        if lens.off_centre
    )


def _elsewhere(found: PlaneMap, hand: Ties, inside: Loaded, outside: Loaded, lens_a: Lens, lens_b: Lens) -> bool:
    """Whether what matches by itself between the places that were tied puts them elsewhere: one end of the model taken
    for the other, where no outline is drawn that would have the pictures looked at. It sharpens nothing: between
    marked points may lie more than the model."""
    around_a, around_b = (outlines.hull(lens.bend(at)) for lens, at in ((lens_a, hand.a), (lens_b, hand.b)))
    if len(around_a) < 3 or len(around_b) < 3:
        return False
    fa, fb = inside.features(around_a), outside.features(around_b)

    def gathered(matrix: Points) -> Ties:
        return _straight(features.guided(fa, fb, matrix, 6 * fb.pixel), lens_a, lens_b)

    alike = _straight(features.match(fa, fb), lens_a, lens_b)
    return plane.contradicted(found.matrix, alike, outlines.hull(hand.a), grow=gathered)


def _misplaced(store: Store, *shown: tuple[Loaded, Lens]) -> tuple[str, ...]:
    """A line where places that are known in mm on one of the pictures cannot lie so."""
    for loaded, lens in shown:
        for each in marking.knowns(store, loaded.picture.id):
            if each.what == "plane" and each.points is not None and each.places is not None:
                try:
                    measure.check_places(loaded.to_work(each.points), each.places, loaded.size, lens)
                except measure.Misplaced as error:
                    return (f"On {loaded.picture.id} {error}: look at each. No band is drawn until then.",)
    return ()


def _beside_cards(store: Store, typed: list[Length], inside: Loaded, outside: Loaded) -> tuple[str, ...]:
    """What bench cards in the two pictures say against the lengths a person gave."""
    for side, loaded in (("a", inside), ("b", outside)):
        if not any(each.on == side for each in typed):
            continue
        known = [*marking.knowns(store, "marker"), *marking.knowns(store, loaded.picture.id)]
        cards = [each.mm for each in known if each.what == "marker" and each.name == "card"]
        seen = [each for each in markers.find(loaded.grey, (layout.MARKER_FAMILY,)) if each.id in layout.MARKER_AT]
        said = scale_doubts.beside_card(typed, side, seen, cards[-1] if cards else layout.MARKER)
        if said:
            return said
    return ()


# ------------------------------------------------------------------------------------------------ what is known


def _known(
    store: Store, inside: Loaded, outside: Loaded, lens_a: Lens, lens_b: Lens
) -> tuple[Ties, list[Length], list[Length], str]:
    """Ties from markers that stay, known lengths of both pictures, those a person gave, and what all rest on."""
    sides = {"a": (inside, lens_a), "b": (outside, lens_b)}
    staying = [each for each in marking.knowns(store, "marker") if each.what == "marker"]
    lengths: list[Length] = []
    typed: list[Length] = []
    basis: list[str] = []
    corners: dict[str, dict[str, Points]] = {"a": {}, "b": {}}
    for side, (loaded, lens) in sides.items():
        known = marking.knowns(store, loaded.picture.id)
        for each in known:
            if each.what == "length" and each.points is not None:
                p, q = lens.straighten(loaded.to_work(each.points))
                typed.append(_length(side, p, q, each.mm, each.within))
                lengths.append(typed[-1])
                basis.append(f"a length of {each.mm:.4g} mm")
            elif each.what == "plane" and each.points is not None and each.places is not None:
                at = lens.straighten(loaded.to_work(each.points))
                lengths += _between(side, at, each.places, 0.3)
                basis.append(f"{len(at)} places in mm")
        named = [each for each in [*staying, *known] if each.what == "marker"]
        if named:
            seen = markers.find(loaded.grey)
            for each in named:
                for marker, places in card_corners(seen, each):
                    at = lens.straighten(marker)
                    lengths += _between(side, at, places, max(0.1, 0.004 * each.mm))
                    basis.append(f"{each.name}, {each.mm:g} mm a side")
                    if each.stays:
                        corners[side][each.name] = at
    parts = []
    for name in corners["a"].keys() & corners["b"].keys():
        one, two = corners["a"][name], corners["b"][name]
        if len(one) == len(two):
            names = [f"{name} corner {n + 1}" for n in range(len(one))]
            parts.append(ties.make(one, two, 0.2 * max(outside.size) / 1600, TieSource.MARKER, names))
    return ties.joined(*parts) if parts else ties.none(), lengths, typed, ", ".join(dict.fromkeys(basis))


def card_corners(seen: Sequence[markers.Marker], known: Known) -> list[tuple[Points, Points]]:
    """Corners (N, 2) of a known marker, or of a bench card's four, with their places in mm."""
    if known.name == "card":
        on_card = {each.id: each for each in seen if each.family == layout.MARKER_FAMILY}
        ids = [id for id in layout.MARKER_AT if id in on_card]
        if not ids:
            return []
        factor = known.mm / layout.MARKER  # a card printed at another size
        places = np.vstack([np.array(layout.corners_of_marker(id)) for id in ids]) * factor
        return [(np.vstack([on_card[id].corners for id in ids]), places)]
    s = known.mm
    square = np.array([[0, 0], [s, 0], [s, s], [0, s]], dtype=np.float64)
    return [(each.corners, square) for each in seen if each.name == known.name]


def _between(side: str, at: Points, places: Points, within: float) -> list[Length]:
    """Lengths between places that are known in mm: all of a few, and of many those that reach farthest."""
    pairs = [(i, j) for i in range(len(at)) for j in range(i)]
    pairs.sort(key=lambda each: -float(np.linalg.norm(places[each[0]] - places[each[1]])))
    return [
        _length(side, at[i], at[j], float(np.linalg.norm(places[i] - places[j])), within)
        for i, j in pairs[:14]
        if np.linalg.norm(places[i] - places[j]) > 0
    ]


def _length(side: str, p: Points, q: Points, mm: float, within: float) -> Length:
    return Length("a" if side == "a" else "b", p, q, mm, max(within, 0.0015 * mm))


def _outline(store: Store, loaded: Loaded) -> Points | None:
    drawn = marking.outline(store, loaded.picture.id)
    return loaded.to_work(drawn) if drawn is not None else None


def _again(hand: Ties, near: float) -> dict[str, str]:
    """Ties whose place in the first picture was tied before, by name, each with that one: a place tied twice tells no
    more of the skin, and must not pass for a check of the others."""
    twice: dict[str, str] = {}
    for n, name in enumerate(hand.name):
        before = [m for m in range(n) if hand.name[m] not in twice]
        gaps = np.linalg.norm(hand.a[before] - hand.a[n], axis=1)
        if len(gaps) and gaps.min() < near and np.linalg.norm(hand.b[before[int(gaps.argmin())]] - hand.b[n]) < near:
            twice[name] = hand.name[before[int(gaps.argmin())]]
    return twice


def _stray(drawn: Points | None, hand: Points, loaded: Loaded) -> Refusal | None:
    """Why marked points cannot be of the skin: they lie beside the model as its outline was drawn, on the bench, whose
    plane is another one. All of them would fit each other, and the band would be wrong."""
    if drawn is None or not len(hand):
        return None
    slack = OUTLINE_SLACK * float(np.sqrt(outlines.area(drawn)))
    beside = np.flatnonzero(outlines.beyond(drawn, hand) > slack)
    if not len(beside):
        return None
    names = ", ".join(str(n + 1) for n in beside[:6])
    return Refusal(
        plane.Reason.OUTSIDE,
        f"tie {names} lies outside the model as it is outlined on {loaded.picture.id}"
        if len(beside) == 1
        else f"ties {names} lie outside the model as it is outlined on {loaded.picture.id}",
        "take ties on the bench back, or draw the outline anew around the whole model",
    )


def _around(hand: Ties, printed: Ties, inside: Loaded) -> Points:
    """Where no outline is drawn: the area the marked points span, since nothing is known beyond it."""
    points = np.vstack([hand.a, printed.a])
    if len(points) < 3:
        return outlines.whole(inside.size)
    return outlines.hull(points)


def _straight(found: Ties, lens_a: Lens, lens_b: Lens) -> Ties:
    if not lens_a.calibrated and not lens_b.calibrated:
        return found
    return Ties(lens_a.straighten(found.a), lens_b.straighten(found.b), found.sigma, found.source, found.name)
