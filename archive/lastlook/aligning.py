"""Two pictures of one place, one over the other; what changed between them; other pictures of the place."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from lastlook import marking, picturing
from lastlook.catalogue import pictures
from lastlook.errors import ArchiveError, UsageError
from lastlook.picturing import Loaded
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Dimension, Picture
from lastlook.registering import card_corners, register
from lastlook.registration import change, markers, measure, plane, sameview
from lastlook.registration.change import Changes
from lastlook.registration.plane import PlaneMap, Refusal
from lastlook.registration.sameview import Looked, View
from lastlook.store import Store

Points = NDArray[np.float64]
_SEEN_EDGE = 1000
_MOST_ASKED = 80


@dataclass(frozen=True, slots=True)
class Aligned:
    """`second` as `first` would see it. `matrix` takes full pixels of the first to full pixels of the second, None with
    a `refusal`; `error_px` standard error in pixels of the first, its largest over the outline; `basis` in words."""

    first: Loaded
    second: Loaded
    matrix: Points | None
    error_px: float
    basis: str
    refusal: Refusal | None

    def working(self) -> Points:
        """The map between the two working pictures."""
        if self.matrix is None:
            raise TypeError("a refusal has no map")
        return np.asarray(_resize(self.second.scale) @ self.matrix @ np.linalg.inv(_resize(self.first.scale)))


def align(store: Store, first: str, second: str) -> Aligned:
    """Align two pictures: by ties, markers and outlines where people gave some, else by what both show, asked for as
    strictly as the same view is. Raises NoSuchId, UsageError, ArchiveError."""
    a, b = pictures.find(store.catalogue, first), pictures.find(store.catalogue, second)
    if a.id == b.id:
        raise UsageError("a picture is aligned with another one", "Name a second picture.")
    one, two = picturing.load(store, a), picturing.load(store, b)
    hung = register(store, one, two)
    if isinstance(hung.found, PlaneMap):
        basis = "marked points and outline" if hung.outlined else "marked points"
        return _aligned(one, two, hung.found.matrix, float(hung.found.error_px.max()), basis)
    if hung.found.reason is not plane.Reason.NO_OUTLINE:
        return Aligned(one, two, None, 0.0, "", hung.found)
    # Nobody said where the model is. The whole view may still be the same one, from the same station.
    view = sameview.compare(sameview.look(one.grey), sameview.look(two.grey))
    if view.same and view.matrix is not None and view.cover > 0.35 and view.agree > 2 * sameview.LEAST_AGREE:
        return _aligned(one, two, view.matrix, 2.0 * one.size[0] / sameview.EDGE, "what both whole pictures show")
    if view.mirrored:
        refusal = Refusal(
            plane.Reason.MIRRORED,
            "the two pictures show opposite sides, or one of them is mirrored",
            "choose a picture of the same side",
        )
    else:
        refusal = Refusal(
            plane.Reason.NO_OUTLINE,
            "the two pictures do not show enough of the same by themselves",
            "draw the model's outline on one of them, or mark four or more points that show in both",
        )
    return Aligned(one, two, None, 0.0, "", refusal)


def changes(found: Aligned, outline: Points | None = None) -> Changes:
    """Places that changed between two aligned pictures, inside `outline` (full pixels of the first) where given."""
    if found.matrix is None:
        raise UsageError("these two pictures cannot be aligned", found.refusal.help if found.refusal else "")
    return change.compare(
        found.first.grey,
        found.second.grey,
        found.working(),
        found.first.to_work(outline) if outline is not None else None,
        error_px=max(1.0, found.error_px * found.first.scale),
    )


def change_picture(found: Aligned, seen: Changes) -> bytes:
    """First, second as aligned, and the first with the changed places numbered; side by side, JPEG."""
    base = Image.fromarray(found.first.rgb)
    rgb, scale = change.align(found.second.rgb, found.working(), found.first.size)
    later = Image.fromarray(rgb)
    base = base.resize(later.size)
    marked = later.copy()
    pen = ImageDraw.Draw(marked)
    for n, place in enumerate(seen.places, start=1):
        ring = [(float(x), float(y)) for x, y in (place.outline + 0.5) * scale - 0.5]
        pen.line([*ring, ring[0]], fill=(16, 24, 28), width=6)
        pen.line([*ring, ring[0]], fill=(255, 255, 255), width=3)
        at = place.middle * scale
        pen.text((float(at[0]), float(at[1])), str(n), fill=(16, 24, 28), stroke_width=4, stroke_fill=(255, 255, 255))
    out = Image.new("RGB", (later.width * 3 + 20, later.height), (255, 255, 255))
    for n, image in enumerate((base, later, marked)):
        out.paste(image, (n * (later.width + 10), 0))
    buffer = io.BytesIO()
    out.save(buffer, "JPEG", quality=88)
    return buffer.getvalue()


def aligned_picture(found: Aligned, edge: int) -> bytes:
    """The second picture as the first sees it, JPEG with a long edge of at most `edge`."""
    rgb, _ = change.align(found.second.rgb, found.working(), found.first.size, edge)
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=86)
    return buffer.getvalue()


@dataclass(frozen=True, slots=True)
class Seen:
    """Another picture, and how it compares."""

    picture: Picture
    view: View


@dataclass(frozen=True, slots=True)
class SameView:
    """Pictures of the same place and side, oldest first; those that fit only in a mirror; how many were asked, of how
    many that might have been."""

    picture: Picture
    same: tuple[Seen, ...]
    mirrored: tuple[Seen, ...]
    asked: int
    candidates: int


def same_view(store: Store, picture: str, *, most: int = _MOST_ASKED, report: Report = silent) -> SameView:
    """Other pictures of the same place and side. `report` hears how many were compared."""
    here = pictures.find(store.catalogue, picture)
    candidates = _likely(store, here)
    look = _look(store, here)
    same: list[Seen] = []
    mirrored: list[Seen] = []
    asked = candidates[:most]
    for n, other in enumerate(asked, start=1):
        try:
            view = sameview.compare(look, _look(store, other))
        except ArchiveError:
            continue  # one picture that cannot be read does not end the search; 'verify' names it
        if view.same:
            same.append(Seen(other, view))
        elif view.mirrored:
            mirrored.append(Seen(other, view))
        report(Progress(Stage.CHECK, n, len(asked)))

    def when(each: Seen) -> float:
        return each.picture.time.instant.timestamp() if each.picture.time.instant else 0.0

    return SameView(here, tuple(sorted(same, key=when)), tuple(mirrored), len(asked), len(candidates))


def _likely(store: Store, here: Picture) -> list[Picture]:
    """Pictures to ask, the likeliest first: those tagged alike, the nearest look first; one of each group of
    near-duplicates, since the others show the same."""
    columns = store.columns
    every = pictures.by_rids(store.catalogue, [int(rid) for rid in columns.rid])
    subs = set(here.counted(Dimension.SUBASSEMBLY))
    groups: set[int] = {here.group} if here.group is not None else set()
    out: list[Picture] = []
    for each in sorted(every, key=lambda other: _distance(here, other, subs)):
        if each.id == here.id or not each.page or (each.group is not None and each.group in groups):
            continue
        if each.group is not None:
            groups.add(each.group)
        out.append(each)
    return out


def _distance(here: Picture, other: Picture, subs: set[str]) -> tuple[bool, int]:
    shared = bool(subs & set(other.counted(Dimension.SUBASSEMBLY))) or not subs
    if here.quality is None or other.quality is None:
        return not shared, 64
    return not shared, (here.quality.phash ^ other.quality.phash).bit_count()


def _look(store: Store, picture: Picture) -> Looked:
    loaded = picturing.load(store, picture, _SEEN_EDGE)
    drawn = marking.outline(store, picture.id)
    return sameview.look(loaded.grey, loaded.to_work(drawn) if drawn is not None else None)


def _aligned(one: Loaded, two: Loaded, matrix: Points, error_b: float, basis: str) -> Aligned:
    full = np.linalg.inv(_resize(two.scale)) @ matrix @ _resize(one.scale)
    middle = np.array([[one.size[0] / 2, one.size[1] / 2]])
    size = float(np.sqrt(abs(np.linalg.det(plane.jacobians(matrix, middle)[0]))))
    return Aligned(one, two, np.asarray(full / full[2, 2]), error_b / max(size, 1e-6) / one.scale, basis, None)


def _resize(scale: float) -> Points:
    """The map from full pixels to working pixels (pixel middles kept)."""
    return np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])


# ------------------------------------------------------------------------------------------------ measuring


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
