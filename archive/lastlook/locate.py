"""Where a run passes on a picture of the finished skin: marks of an inside picture carried to an outside one.

What is known of the two pictures is gathered (ties, markers, what matches by itself inside the outline, lengths,
depths, lenses), registered, and each mark goes straight up to the skin with its keep-out band. Where the support is not
there, the answer is a refusal with its reason and what would help.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lastlook import marking, picturing, scale_doubts
from lastlook.catalogue import pictures
from lastlook.errors import NoSuchId, UsageError
from lastlook.marking import Known, Mark
from lastlook.picturing import Loaded
from lastlook.plan import gauges, structure
from lastlook.plan.vocabulary import lookup_id
from lastlook.records import Dimension, Opening, Picture, Run, Subassembly
from lastlook.registering import Registration, register
from lastlook.registration import band, depth
from lastlook.registration.band import Band
from lastlook.registration.depth import Depth
from lastlook.registration.plane import Refusal
from lastlook.store import Store

Points = NDArray[np.float64]

INSULATION = 2.2
"""Outer over bare diameter of thin insulated wire, where the plan gives the gauge only. Common practice, no source."""
HALF_BUNDLE_MM = 0.8  # where nothing is known of a run's thickness
DEEPEST_MM = 25.0
"""A run of which no depth is known is taken to lie anywhere from the skin to this. Common practice, no source."""
PLANNED_WITHIN_MM = 1.0
"""Standard error of a depth that stands in the plan as one number. Common practice, no source."""
MOST_MARGIN_MM = 50
_NOT_KNOWN = "not known"
_MOST_INSIDE = 4
_MOST_ELSEWHERE = 3
"""On so many other inside pictures a run's depth is looked for, and so many more are registered for it in all: each
takes about as long as the answer itself."""


@dataclass(frozen=True, slots=True)
class Carried:
    """One mark on the outside picture. `band` None where no scale is known; `line` (N, 2) pixels of the full outside
    picture in any case, and `edge` (M, 2) the band's; `depth` what was taken; `length_mm` of the run's line on the
    skin, None without scale."""

    mark: Mark
    title: str
    colour: str
    line: Points
    band: Band | None
    depth: Depth
    length_mm: float | None
    edge: Points | None = None


@dataclass(frozen=True, slots=True)
class Located:
    """The answer. `carried` is empty where `registration.found` is a refusal. `said` are plain lines worth telling."""

    inside: Picture
    outside: Picture
    registration: Registration
    carried: tuple[Carried, ...]
    said: tuple[str, ...]
    others: tuple[str, ...] = ()  # other inside pictures that could have been taken

    @property
    def refusal(self) -> Refusal | None:
        found = self.registration.found
        return found if isinstance(found, Refusal) else None


@dataclass(frozen=True, slots=True)
class Under:
    """A mark near a place on the skin: mm to its line, and mm to the edge of its band (negative: inside the band)."""

    carried: Carried
    to_line_mm: float
    to_band_mm: float


class _Registered:
    """Inside pictures registered with the outside one, each once: one that is carried from also tells depths."""

    def __init__(self, store: Store, outside: Loaded) -> None:
        self._store = store
        self._outside = outside
        self._made: dict[str, Registration] = {}

    def of(self, picture: Picture) -> Registration:
        if picture.id not in self._made:
            self._made[picture.id] = register(self._store, picturing.load(self._store, picture), self._outside)
        return self._made[picture.id]

    def affords(self, picture: Picture) -> bool:
        return picture.id in self._made or len(self._made) < _MOST_INSIDE + _MOST_ELSEWHERE


def locate(store: Store, what: str, on: str, *, inside: str = "", margin: float = band.MARGIN_MM) -> Located:
    """Carry a run's marks, or all marks of a picture, to the picture `on`.

    `what`: a run's or part's id, or a picture's; `inside`: the picture to carry from, else the best one is chosen.
    Raises NoSuchId, UsageError where nothing is marked.
    """
    if not 0 <= margin <= MOST_MARGIN_MM:
        raise UsageError(f"a margin of {margin:g} mm cannot be", f"Give 0 to {MOST_MARGIN_MM} mm.")
    outside = pictures.find(store.catalogue, on)
    target, chosen = _what(store, what)
    if chosen is not None:
        if inside and pictures.find(store.catalogue, inside).id != chosen.id:
            raise UsageError(
                f"all marks of {chosen.id} are asked for, and another inside picture", "Name one of the two."
            )
        candidates = [chosen]
    elif inside:
        candidates = [pictures.find(store.catalogue, inside)]
    else:
        candidates = _marked(store, target, outside)
    if any(each.id == outside.id for each in candidates):
        raise UsageError("a picture is not found on itself", "Name a picture of the finished skin, or another inside.")
    if not candidates:
        only = any(each.picture == outside.id for each in marking.marks(store, target))
        raise UsageError(
            f"{target or what} is marked on no {f'other picture than {outside.id}' if only else 'inside picture'}",
            "Trace it on one: 'lastlook mark PICTURE trace X,Y X,Y … --of RUN', or draw it in the viewer.",
        )
    picturing.prepare(store, [outside, *candidates[:_MOST_INSIDE]])
    registered = _Registered(store, picturing.load(store, outside))
    best: Located | None = None
    for candidate in candidates[:_MOST_INSIDE]:
        found = _carry_all(store, registered, candidate, target, margin)
        if best is None or _better(found, best):
            best = found
    if best is None:
        raise UsageError("no inside picture could be tried", "Name one with --inside.")
    others = tuple(each.id for each in candidates if each.id != best.inside.id)
    return Located(best.inside, best.outside, best.registration, best.carried, best.said, others)


def under(found: Located, point: Sequence[float]) -> list[Under]:
    """The marks near a place (x, y), pixels of the full outside picture; nearest first. Empty without scale. Raises
    UsageError where the place is none of the picture."""
    places = marking.places_on(found.outside, [point])
    registration = found.registration
    if not registration.scaled or registration.cameras is None:
        return []
    at = registration.lenses[1].straighten(registration.outside.to_work(places))
    on_skin = band.pixels_on_skin(registration.cameras.best, at)[0]
    near = [Under(each, *each.band.distance(on_skin)) for each in found.carried if each.band is not None]
    return sorted(near, key=lambda each: each.to_band_mm)


# ------------------------------------------------------------------------------------------------ what and from where


def _what(store: Store, what: str) -> tuple[str, Picture | None]:
    """The id whose marks are wanted, or '' and the picture whose marks are all wanted."""
    try:
        return lookup_id(store.plan, None, what), None
    except NoSuchId as error:
        if any(each.of == what for each in marking.marks(store, what)):
            return what, None  # gone from the plan, but it is drawn, and may lie in the model still
        try:
            return "", pictures.find(store.catalogue, what)
        except NoSuchId:
            raise error from None


def _marked(store: Store, target: str, outside: Picture) -> list[Picture]:
    """Inside pictures on which `target` is marked: those tied to the outside one first, then the newest."""
    ids = list(dict.fromkeys(each.picture for each in marking.marks(store, target) if each.shape != "outline"))
    found = [pictures.find(store.catalogue, id) for id in ids if id != outside.id]
    tied = {each.id: len(marking.ties(store, each.id, outside.id)[0]) for each in found}
    found.sort(key=lambda each: each.time.instant.timestamp() if each.time.instant else 0.0, reverse=True)
    found.sort(key=lambda each: -min(tied[each.id], 6))
    return found


def _better(one: Located, other: Located) -> bool:
    def rank(each: Located) -> tuple[bool, bool, float]:
        halves = [float(np.median(part.band.half)) for part in each.carried if part.band is not None]
        return each.refusal is not None, not halves, min(halves, default=0.0)

    return rank(one) < rank(other)


# ------------------------------------------------------------------------------------------------ carrying


def _carry_all(store: Store, registered: _Registered, candidate: Picture, target: str, margin: float) -> Located:
    registration = registered.of(candidate)
    inside, outside = registration.inside.picture, registration.outside.picture
    wanted = [
        each
        for each in marking.marks(store, inside.id)
        if each.shape in ("trace", "point") and (not target or each.of == target)
    ]
    found = registration.found
    said: list[str] = []
    if isinstance(found, Refusal):
        return Located(inside, outside, registration, (), ())
    said += [*found.said, *registration.said]
    cameras = registration.cameras
    if cameras is None:
        said.append("No pair of cameras fits these points: the line is carried along the skin, without a band.")
    elif registration.doubted:
        said.append(
            "Until the length is put right the line is carried along the skin: the run does not lie just there."
        )
    elif not cameras.scaled:
        said.append(
            "No length is known on the skin: the line is carried along the skin, without a band. Give one known length"
            " ('lastlook known length PICTURE X,Y X,Y MM'), or lay a card on the model."
        )
    elif cameras.two_answers or cameras.tilt_error > 6:
        said.append(
            "The tilt of the inside picture is not well known, so the band is wide. Known lengths across each other,"
            " and more ties, narrow it."
        )
    if not wanted:
        said.append(f"Nothing is marked on {inside.id}." if not target else f"{target} is not marked on {inside.id}.")
    carried = []
    for each in wanted:
        part, words = _carry(store, registered, registration, each, margin)
        carried.append(part)
        said += [line for line in words if line not in said]
    return Located(inside, outside, registration, tuple(carried), tuple(said))


def _carry(
    store: Store, registered: _Registered, registration: Registration, mark: Mark, margin: float
) -> tuple[Carried, list[str]]:
    inside, outside = registration.inside, registration.outside
    run = next((each for each in store.plan.runs if each.id == mark.of), None)
    item = structure.items(store.plan).get(mark.of)
    title = item.title if item is not None else mark.label
    colour = run.colour if run is not None else ""
    deep, words = depth_of(store, mark.of, inside.picture.counted(Dimension.SUBASSEMBLY))
    line = inside.to_work(mark.points)
    cameras = registration.cameras
    found = registration.found
    if isinstance(found, Refusal):
        raise TypeError("a refusal carries nothing")
    if cameras is None or not cameras.scaled:
        dense = band.densify(line, max(inside.size) / 100) if len(line) > 1 else line
        at = registration.along_skin(dense)
        return Carried(mark, title, colour, outside.to_full(at), None, deep, None), words
    lens_a, lens_b = cameras.best.lens_a, cameras.best.lens_b
    dense = lens_a.straighten(band.densify(line, max(inside.size) / 100) if len(line) > 1 else line)
    unknown = deep.basis.startswith(_NOT_KNOWN)
    seen, untried = _seen_from_elsewhere(store, registered, registration, mark)
    if seen is None:
        words = [*words, *untried] if deep.least is not None else words
    elif unknown and seen.mm > DEEPEST_MM:
        words = [
            *words,
            f"{mark.of}: seen from two sides it would lie {seen.mm:.0f} mm deep, which is not believed: look whether"
            " both traces follow the same wire.",
        ]
    elif not unknown and (wide := depth.both(deep, seen)) is not None:
        words = [
            f"{mark.of}: the depth that is given ({deep.basis}) and that seen from two sides ({seen.mm:.0f} mm)"
            " contradict each other, so the band covers both. Measure it again, and look whether both traces follow"
            " the same wire."
        ]
        deep = wide
    elif deep.least is not None:
        deep, words = seen, []
    drawn = band.of_line(
        cameras,
        dense,
        deep,
        half_bundle=half_bundle(run),
        margin=margin,
    )
    length = float(np.linalg.norm(np.diff(drawn.skin, axis=0), axis=1).sum()) if len(dense) > 1 else None
    at = lens_b.bend(drawn.line)
    if run is not None and length is not None:
        doubts = scale_doubts.over_cut(run.id, length, 2 * float(np.median(drawn.half)), run.cut_length_mm)
        if doubts:
            return Carried(mark, title, colour, outside.to_full(at), None, deep, None), [*doubts, *words]
    # As its lens bends what it sees: straight sides of the band too, so with places along them.
    rim = band.densify(np.vstack([drawn.edge_px, drawn.edge_px[:1]]), max(outside.size) / 100)[:-1]
    edge = outside.to_full(lens_b.bend(rim) if lens_b.calibrated else drawn.edge_px)
    return Carried(mark, title, colour, outside.to_full(at), drawn, deep, length, edge), words


def depth_of(store: Store, of: str, shown: Collection[str] = ()) -> tuple[Depth, list[str]]:
    """How deep a run lies: said of itself, else of its subassemblies, else of the openings it shows through, else of
    what these lie in; of each, what a person said, else what the plan has; else anything from the skin to DEEPEST_MM.

    A run of several subassemblies lies in each at another depth: those of them that the inside picture shows (`shown`)
    are asked, and where they differ, all that they say is covered.
    """
    for level in _levels(store, of, shown):
        known = {target: found for target in level if (found := _said_of(store, target)) is not None}
        if known:
            others = [target for target in level if target not in known]
            return _all_of(list(known.values())), [
                f"{of}: how deep it lies is known of {', '.join(known)}, not of {', '.join(others)}, where it may lie"
                " otherwise. Give that too, or say what the inside picture shows."
            ] * bool(others)
    where = f"{of}: no depth" if of else "No depth"
    return (
        depth.between(0.0, DEEPEST_MM, f"{_NOT_KNOWN}: 0 to {DEEPEST_MM:g} mm"),
        [
            f"{where} is known, so the band covers 0 to {DEEPEST_MM:g} mm under the skin. Give it with"
            f" 'lastlook known depth {of or 'RUN'} MM', or trace the run on a second inside picture."
        ],
    )


def depth_places(store: Store, of: str) -> list[str]:
    """Where a run's depth is looked for: itself, its subassemblies, openings it shows through, what these lie in."""
    return list(dict.fromkeys(target for level in _levels(store, of, ()) for target in level))


def _levels(store: Store, of: str, shown: Collection[str]) -> list[list[str]]:
    if not of:
        return []
    subs = list(structure.subassemblies_of(store.plan, of))
    subs = [sub for sub in subs if sub in shown] or subs
    up = [parent for sub in subs for parent in structure.ancestors(store.plan, sub)]
    return [[of], subs, list(structure.openings_showing(store.plan, of)), up]


def _said_of(store: Store, target: str) -> Depth | None:
    found = [each for each in marking.knowns(store, target) if each.what == "depth"]
    return _depth(found[-1], target) if found else planned_depth(store, target)


def _all_of(known: list[Depth]) -> Depth:
    """One depth as it is; of several, all from the least to the most that any of them says."""
    if len(known) == 1:
        return known[0]
    limits = [(each.mm - 2 * each.within, each.mm + 2 * each.within) for each in known if each.least is None]
    limits += [(each.least, each.most) for each in known if each.least is not None and each.most is not None]
    low, high = max(min(each[0] for each in limits), 0.0), max(each[1] for each in limits)
    return depth.between(low, high, "; ".join(each.basis for each in known))


def planned_depth(store: Store, target: str) -> Depth | None:
    """What the plan says of a subassembly or an opening."""
    item = structure.items(store.plan).get(target)
    if not isinstance(item, Subassembly | Opening) or item.depth_mm is None:
        return None
    if item.depth_to_mm is not None:
        words = f"{target}: {item.depth_mm:.3g} to {item.depth_to_mm:.3g} mm by the plan"
        return depth.between(item.depth_mm, item.depth_to_mm, words)
    return depth.known(item.depth_mm, PLANNED_WITHIN_MM, f"{target}: {item.depth_mm:.3g} mm by the plan")


def _depth(known: Known, target: str) -> Depth:
    if known.least is not None and known.most is not None:
        return depth.between(known.least, known.most, f"{target}: {known.least:.3g} to {known.most:.3g} mm")
    return depth.known(known.mm, known.within, f"{target}: {known.mm:.3g} ± {known.within:.2g} mm")


def _seen_from_elsewhere(
    store: Store, registered: _Registered, registration: Registration, mark: Mark
) -> tuple[Depth | None, list[str]]:
    """A run's depth from its trace on another inside picture that hangs together with the same outside picture: the
    tied ones first, then the nearest in time, as the run was moved least between. None with a line where not all such
    pictures were tried."""
    cameras, inside = registration.cameras, registration.inside
    if mark.shape != "trace" or not mark.of or cameras is None:
        return None, []
    here = (mark.picture, registration.outside.picture.id)
    traces = [each for each in marking.marks(store, mark.of) if each.shape == "trace" and each.picture not in here]
    others = _nearest(store, {each.picture for each in traces}, inside.picture, registration.outside.picture)
    line = cameras.best.lens_a.straighten(band.densify(inside.to_work(mark.points), max(inside.size) / 100))
    tried = [each for each in others[:_MOST_ELSEWHERE] if registered.affords(each)]
    for other in tried:
        second = registered.of(other)
        if second.cameras is None or not second.cameras.scaled:
            continue
        for trace in (each for each in traces if each.picture == other.id):
            seen = second.cameras.best.lens_a.straighten(second.inside.to_work(trace.points))
            found = depth.of_run(depth.triangulate(cameras, line, second.cameras, seen, most=2 * DEEPEST_MM))
            if found is not None:
                return found, []
    if len(tried) == len(others):
        return None, []
    return None, [
        f"{mark.of}: its depth was looked for on {len(tried)} of the {len(others)} other inside pictures that it is"
        " traced on: those tied to the picture of the skin, then the nearest in time. Tie a better one, or give the"
        " depth."
    ]


def _nearest(store: Store, ids: Iterable[str], inside: Picture, outside: Picture) -> list[Picture]:
    """Pictures by how likely they tell a depth: tied to the outside one, then near the inside one in time."""

    def rank(each: Picture) -> tuple[int, float]:
        at, then = each.time.instant, inside.time.instant
        apart = abs((at - then).total_seconds()) if at is not None and then is not None else float("inf")
        return -min(len(marking.ties(store, each.id, outside.id)[0]), 6), apart

    return sorted((pictures.find(store.catalogue, id) for id in sorted(ids)), key=rank)


def half_bundle(run: Run | None) -> float:
    """Half of a run's outer diameter, mm: as the plan says, else from its gauge, else a usual loom."""
    if run is not None and run.outer_mm:
        return run.outer_mm / 2
    if run is None or run.gauge_awg is None:
        return HALF_BUNDLE_MM
    return float(gauges.diameter_mm(run.gauge_awg)) * INSULATION / 2
