"""Two pictures of one place, one over the other; what changed between them."""

from __future__ import annotations

import hashlib
import io
import json
import os
import threading
from dataclasses import asdict, dataclass, fields

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from lastlook import marking, picturing
from lastlook.catalogue import pictures
from lastlook.errors import ArchiveError, UsageError
from lastlook.history import Timeline
from lastlook.picturing import Loaded
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Picture
from lastlook.registering import register
from lastlook.registration import change, outlines, plane, sameview
from lastlook.registration.change import Change, Changes
from lastlook.registration.plane import PlaneMap, Refusal
from lastlook.store import Store

Points = NDArray[np.float64]
_ALIGNED_EDGE = 1600
_LEAST_FLAT = 0.3  # share of the first picture that agreeing points must span where nobody drew an outline
_COMPARED = "before-after 2"  # raised whenever answers may come out differently: kept ones are then made again


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
    within: Points | None = None

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
    picturing.prepare(store, (a, b))
    one, two = picturing.load(store, a), picturing.load(store, b)
    hung = register(store, one, two)
    if isinstance(hung.found, PlaneMap):
        basis = "marked points and outline" if hung.outlined else "marked points"
        matrix, bent = hung.pixel_map()
        return _aligned(one, two, matrix, float(np.hypot(hung.found.error_px.max(), bent)), basis)
    if hung.found.reason is not plane.Reason.NO_OUTLINE:
        return Aligned(one, two, None, 0.0, "", hung.found)
    # Nobody said where the model is. The whole view may still be the same one, from the same station.
    view = sameview.compare(sameview.look(one.grey), sameview.look(two.grey))
    if view.same and view.matrix is not None and view.flat is not None and len(view.flat) > 2 * sameview.LEAST_AGREE:
        within = outlines.hull(view.flat)
        if outlines.area(within) > _LEAST_FLAT * one.size[0] * one.size[1]:
            error = max(2.0 * one.size[0] / sameview.EDGE, view.off_px)
            basis = "the plane that holds most of what both pictures show"
            return _aligned(one, two, view.matrix, error, basis, one.to_full(_grown(within, one.size)))
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
    """Places that changed between two aligned pictures, inside `outline` (full pixels of the first) where given, else
    where the alignment holds."""
    outline = outline if outline is not None else found.within
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
    return _jpeg(out)


def aligned_picture(found: Aligned, edge: int) -> bytes:
    """The second picture as the first sees it, JPEG with a long edge of at most `edge`."""
    rgb, _ = change.align(found.second.rgb, found.working(), found.first.size, edge)
    return _jpeg(Image.fromarray(rgb))


# ------------------------------------------------------------------------------------------------ before and after


@dataclass(frozen=True, slots=True)
class Place:
    """A changed place on the earlier picture, in shares of its width and height, 0..1 from its top left corner.

    `outline` ((x, y), …), `box` (left, top, width, height) around it, `share` of the picture, `strength` 0..1.
    """

    outline: tuple[tuple[float, float], ...]
    box: tuple[float, float, float, float]
    share: float
    strength: float


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """Two pictures of one place laid over each other, or the reason why they cannot be.

    `name`: the later picture as the earlier one sees it, a JPEG under `archive.derived` in the earlier one's shape, of
    `size` (width, height); black where it shows nothing. `matrix` (3 rows of 3) takes pixels of the earlier picture to
    pixels of the later one, both upright in full size. `error_px`: how far off the alignment may be, in such pixels of
    the earlier one, and `error_share` of its long edge. `basis` in words. `places`: what changed, the strongest first;
    `changed` their share of what both show.
    Where `aligned` is False, `reason` is a stable word, `why` says it and `help` what would help (both without a full
    stop and a capital); all the rest is empty.
    """

    before: Picture
    after: Picture
    name: str = ""
    size: tuple[int, int] = (0, 0)
    matrix: tuple[tuple[float, ...], ...] | None = None
    error_px: float = 0.0
    error_share: float = 0.0
    basis: str = ""
    places: tuple[Place, ...] = ()
    changed: float = 0.0
    reason: str = ""
    why: str = ""
    help: str = ""

    @property
    def aligned(self) -> bool:
        return self.matrix is not None


def before_after(store: Store, before: Picture | str, after: Picture | str) -> BeforeAfter:
    """The later of two pictures in the earlier one's frame, and what changed between them.

    Takes a second or two the first time; the answer then lies in the derived folder, under a name made from both
    pictures' contents and all that people said of how they hang together, and is read from there. Raises NoSuchId,
    UsageError (one picture twice). A picture that cannot be read is an answer: not aligned, "unreadable".
    """
    one, two = (each if isinstance(each, Picture) else pictures.find(store.catalogue, each) for each in (before, after))
    if one.id == two.id:
        raise UsageError("a picture is compared with another one", "Name a second picture.")
    said = "\n".join([_COMPARED, one.id, two.id, *marking.bearing_on(store, one, two)])
    key = hashlib.sha256(said.encode()).hexdigest()[:32]
    kept = _kept(store, one, two, key)
    if kept is not None:
        return kept
    try:
        found = align(store, one.id, two.id)
    except ArchiveError as error:
        return BeforeAfter(one, two, reason="unreadable", why=error.message, help=error.hint)
    if found.refusal is not None or found.matrix is None:
        refusal = found.refusal or Refusal(plane.Reason.NO_OUTLINE, "", "")
        made = BeforeAfter(one, two, reason=refusal.reason.value, why=refusal.why, help=refusal.help)
    else:
        seen = changes(found, marking.outline(store, one.id))
        width, height = found.first.size
        rgb, _ = change.align(found.second.rgb, found.working(), found.first.size, _ALIGNED_EDGE)
        name = _write(store, key, ".jpg", _jpeg(Image.fromarray(rgb)))
        made = BeforeAfter(
            one,
            two,
            name,
            (rgb.shape[1], rgb.shape[0]),
            tuple(tuple(float(value) for value in row) for row in found.matrix),
            found.error_px,
            found.error_px / max(one.width, one.height),
            found.basis,
            tuple(_place(each, width, height) for each in seen.places),
            seen.share,
        )
    _write(store, key, ".json", json.dumps(_plain(made)).encode())
    return made


def along(store: Store, line: Timeline, report: Report = silent) -> dict[str, BeforeAfter]:
    """The pictures before and after each step and opening of a time line, by its id, where there are two."""
    pairs = [
        (moment.item.id, moment.before, moment.after)
        for moment in line.moments
        if moment.before is not None and moment.after is not None and moment.before.id != moment.after.id
    ]
    found = {}
    for n, (id, before, after) in enumerate(pairs):
        report(Progress(Stage.COMPARE, n, len(pairs), note=id))
        found[id] = before_after(store, before, after)
    report(Progress(Stage.COMPARE, len(pairs), len(pairs)))
    return found


def _place(found: Change, width: int, height: int) -> Place:
    at = np.clip((found.outline + 0.5) / [width, height], 0, 1)
    low, high = at.min(axis=0), at.max(axis=0)
    return Place(
        tuple((round(float(x), 5), round(float(y), 5)) for x, y in at),
        (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])),
        found.area_px / (width * height),
        found.strength,
    )


def _plain(made: BeforeAfter) -> dict[str, object]:
    """What is kept of an answer: all but the pictures, whose times and tags may change."""
    plain = {each.name: getattr(made, each.name) for each in fields(made) if each.name not in ("before", "after")}
    return {**plain, "places": [asdict(each) for each in made.places]}


def _kept(store: Store, one: Picture, two: Picture, key: str) -> BeforeAfter | None:
    try:
        raw = json.loads((store.archive.derived / _name(key, ".json")).read_text(encoding="utf-8"))
        places = tuple(
            Place(tuple((x, y) for x, y in each["outline"]), tuple(each["box"]), each["share"], each["strength"])
            for each in raw.pop("places")
        )
        matrix = raw.pop("matrix")
        rows = tuple(tuple(row) for row in matrix) if matrix is not None else None
        made = BeforeAfter(one, two, matrix=rows, places=places, **{**raw, "size": tuple(raw["size"])})
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None  # never made, or damaged: made again
    return made if not made.name or (store.archive.derived / made.name).is_file() else None


def _name(key: str, ending: str) -> str:
    return f"aligned/{key[:2]}/{key}{ending}"


def _write(store: Store, key: str, ending: str, data: bytes) -> str:
    """Write whole or not at all: another process may be reading, or making the same."""
    name = _name(key, ending)
    path = store.archive.derived / name
    part = path.with_name(f".{key}-{os.getpid()}-{threading.get_ident()}{ending}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        raise ArchiveError(
            f"{path.parent} cannot be written: {error.strerror}", "Make room on the disk, or allow writing there."
        ) from error
    return name


def _jpeg(image: Image.Image) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=86)
    return buffer.getvalue()


def _grown(area: Points, size: tuple[int, int]) -> Points:
    """A little beyond the outermost points that agree, within the picture."""
    middle = area.mean(axis=0)
    return np.asarray(np.clip(middle + 1.15 * (area - middle), 0, np.array(size) - 1.0))


def _aligned(
    one: Loaded, two: Loaded, matrix: Points, error_b: float, basis: str, within: Points | None = None
) -> Aligned:
    full = np.linalg.inv(_resize(two.scale)) @ matrix @ _resize(one.scale)
    middle = np.array([[one.size[0] / 2, one.size[1] / 2]])
    size = float(np.sqrt(abs(np.linalg.det(plane.jacobians(matrix, middle)[0]))))
    error = error_b / max(size, 1e-6) / one.scale
    return Aligned(one, two, np.asarray(full / full[2, 2]), error, basis, None, within)


def _resize(scale: float) -> Points:
    """The map from full pixels to working pixels (pixel middles kept)."""
    return np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])
