"""Lengths and angles on a plane, each with what it may be wrong by.

The plane's map to millimetres comes from a marker of known side, from four or more points of known place, or from known
lengths. With one length alone the plane's tilt is not known, and a length in another direction may be wrong by what a
tilt makes of it: that is in the error, not left out of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from lastlook.registration import Floats, plane
from lastlook.registration.camera import Lens
from lastlook.registration.plane import transfer
from lastlook.registration.ties import Ties, TieSource, make

CLICK_PX = 1.0  # of 1600: how exactly a person points
TILT_UNKNOWN = 15.0
"""Degrees, standard error, of a plane's tilt that nothing tells: whoever lays a rule in the frame looks at it about
squarely. Common practice, no source."""
DISTORTION_SHARE = 0.004
"""Of a length, standard error, for a lens that was not calibrated: usual lenses bend by 1 % at the corner (ISO 17850
measures it; the figure is our own judgement, no source)."""
_DRAWS = 200
_TRIES = 20_000  # tilts that are tried against several lengths: two that cross leave a few hundred of them
_BELIEVED = 0.9973  # three standard errors of a normal
_STEEPEST = 3.0  # times TILT_UNKNOWN: steeper, and how far a place is from the camera says nearly anything
_MOST_ASKED = 6  # known lengths that are asked which of them is wrong
_TWO_SIDED = 1.96  # standard errors that hold 95 of 100


@dataclass(frozen=True, slots=True)
class Scale:
    """A plane in mm: `maps` (D, 3, 3), the best one first, take pixels to mm; the others are drawn from what else fits.
    `share`: standard error of a length, as a share of it, that the maps do not hold (lens, known length). `lens` is
    straightened by where it is calibrated. `basis` in words."""

    maps: Floats
    share: float
    basis: str
    size: tuple[int, int]
    lens: Lens | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """A value with the half-width that holds it 95 times of 100; `unit` "mm" or "°"."""

    value: float
    within: float
    unit: str


def from_points(
    pixels: Floats,
    mm: Floats,
    size: tuple[int, int],
    basis: str,
    *,
    sigma_px: float | None = None,
    lens: Lens | None = None,
    checked: bool = False,
) -> Scale:
    """From four or more points (N, 2) whose places (N, 2) mm on the plane are known. Raises ValueError where they lie
    on a line; where they are `checked`, as those that a person types are, Misplaced where no view has them so."""
    sigma = sigma_px if sigma_px is not None else CLICK_PX * max(size) / 1600
    flat = lens.straighten(pixels) if lens else np.asarray(pixels, dtype=np.float64)
    spread = float(np.linalg.norm(np.ptp(mm, axis=0))) / max(float(np.linalg.norm(np.ptp(flat, axis=0))), 1e-9)
    known = make(flat, mm, sigma * spread, TieSource.HAND)
    matrix = plane.fit(known)
    if matrix is None:
        raise ValueError("four points that do not lie on a line are needed")
    if checked:
        _check(known, matrix, size, lens)
    rng = np.random.default_rng(3)
    maps = [matrix]
    for _ in range(_DRAWS):
        moved = plane.fit(make(flat + rng.normal(scale=sigma, size=flat.shape), mm, sigma * spread, TieSource.HAND))
        if moved is not None:
            maps.append(moved)
    return Scale(np.stack(maps), _lens_share(lens), basis, size, lens)


def check_places(pixels: Floats, mm: Floats, size: tuple[int, int], lens: Lens | None = None) -> None:
    """Raises Misplaced where no view of a plane has places (N, 2) mm at those pixels (N, 2), as `from_points` does."""
    flat = lens.straighten(pixels) if lens else np.asarray(pixels, dtype=np.float64)
    spread = float(np.linalg.norm(np.ptp(mm, axis=0))) / max(float(np.linalg.norm(np.ptp(flat, axis=0))), 1e-9)
    known = make(flat, mm, CLICK_PX * max(size) / 1600 * spread, TieSource.HAND)
    matrix = plane.fit(known)
    if matrix is not None:
        _check(known, matrix, size, lens)


def _check(known: Ties, matrix: Floats, size: tuple[int, int], lens: Lens | None) -> None:
    """Exchanged places fit only with the plane's horizon between them; of five and more, a wrong one lies elsewhere
    than the others put it, by more than clicks and an unknown lens do."""
    on = transfer(matrix, known.a)
    if not np.isfinite(on).all():
        few = "two of the known places are exchanged, or one is wrong"
        raise Misplaced(few if len(known) == 4 else "the known places contradict each other")
    freedom = 2 * len(known) - 8
    bent = _lens_share(lens) * max(size) * known.sigma / max(CLICK_PX * max(size) / 1600, 1e-9)
    cost = float(np.sum((np.linalg.norm(on - known.b, axis=1) / np.hypot(known.sigma, bent)) ** 2))
    if freedom > 0 and cost > 9 * float(chi2.ppf(0.999, freedom)):  # three times what is expected is still believed
        raise Misplaced("the known places contradict each other")


def from_marker(corners: Floats, side_mm: float, size: tuple[int, int], basis: str, lens: Lens | None = None) -> Scale:
    """From the corners (4, 2) of a square marker, clockwise from its top left, `side_mm` along its black border."""
    if not side_mm > 0:
        raise ValueError("a marker's side is more than 0 mm")
    square = np.array([[0, 0], [side_mm, 0], [side_mm, side_mm], [0, side_mm]], dtype=np.float64)
    return from_points(corners, square, size, basis, sigma_px=0.25 * max(1.0, max(size) / 2400), lens=lens)


@dataclass(frozen=True, slots=True)
class Span:
    """A known length: its ends `p` and `q` (2,) pixels, `mm` with standard error `within`."""

    p: Floats
    q: Floats
    mm: float
    within: float = 0.5


class Misplaced(ValueError):
    """Known places that no view of a plane has: one is typed wrongly, or two are exchanged."""


class Contradiction(ValueError):
    """Known lengths that no plane in front of a camera has all at once; `spans`: those without any one of which the
    others agree, or all where none is that one."""

    def __init__(self, spans: Sequence[Span]) -> None:
        super().__init__(f"lengths of {' and '.join(f'{each.mm:g} mm' for each in spans)} contradict the others")
        self.spans = tuple(spans)


def from_lengths(spans: Sequence[Span], size: tuple[int, int], basis: str, *, lens: Lens | None = None) -> Scale:
    """From one or more known lengths on one plane.

    Tilts are drawn as they are usual (TILT_UNKNOWN); each is believed by how well all lengths have one scale under it
    (importance resampling: Gelman et al., Bayesian Data Analysis, 3rd ed., 10.4). One length alone says nothing of the
    tilt, two that cross say much, so that the error of what is measured follows. Raises Contradiction where lengths are
    off by more than three standard errors under any tilt up to three times the usual, and ValueError for a length that
    is none.
    """
    if not spans:
        raise ValueError("at least one known length is needed")
    found = _tilts(spans, size, lens)
    if not found.believed:
        raise Contradiction(_odd(spans, size, lens))
    rng = np.random.default_rng(4)
    belief = np.exp(-(found.missed - found.missed.min()) / 2)[1:]
    chosen = np.arange(1, _DRAWS + 1)
    if len(spans) > 1:
        chosen = 1 + rng.choice(len(belief), size=_DRAWS, p=belief / belief.sum())
    scale = np.append(found.scale[found.best], found.scale[chosen] * np.exp(rng.normal(size=_DRAWS) * found.within))
    sized = np.zeros((len(scale), 3, 3))
    sized[:, [0, 1], [0, 1]] = scale[:, None]
    sized[:, 2, 2] = 1.0
    return Scale(sized @ found.maps[np.append(found.best, chosen)], _lens_share(lens), basis, size, lens)


@dataclass(frozen=True, slots=True)
class _Tilts:
    """Tilts that were tried: `maps` (D, 3, 3) from pixels to each plane at distance 1, `scale` (D,) mm for a unit of
    it, with standard error `within` as a share; `missed` (D,) the sum of squares of what lengths are off; `best` one,
    and whether it is `believed`."""

    maps: Floats
    scale: Floats
    within: float
    missed: Floats
    best: int
    believed: bool


def _tilts(spans: Sequence[Span], size: tuple[int, int], lens: Lens | None) -> _Tilts:
    flat = np.stack([[each.p, each.q] for each in spans]).astype(np.float64)
    flat = (lens.straighten(flat.reshape(-1, 2)) if lens else flat).reshape(-1, 2, 2)
    pixels = np.linalg.norm(flat[:, 1] - flat[:, 0], axis=1)
    mm = np.array([each.mm for each in spans])
    if not (mm > 0).all() or (pixels < 4).any():
        raise ValueError("a known length needs two points well apart and a value above 0 mm")
    rng = np.random.default_rng(3)
    tries = _DRAWS if len(spans) == 1 else _TRIES
    usual = np.deg2rad(TILT_UNKNOWN)
    # The plane that is looked at squarely comes first: it is the best one where nothing tells of a tilt.
    steep = np.append(0.0, np.abs(rng.normal(scale=usual, size=tries)).clip(max=_STEEPEST * usual))
    turn = rng.uniform(0, 2 * np.pi, size=tries + 1)
    focal = lens.focal if lens else 0.85 * max(size)
    centre = lens.centre if lens else np.array([size[0] / 2 - 0.5, size[1] / 2 - 0.5])
    maps = _tilted(centre, focal, steep, turn)
    scales = np.log(mm / np.maximum(_spans_on(maps, flat), 1e-12))  # (D, n)
    click = np.sqrt(2) * CLICK_PX * max(size) / 1600 / pixels
    # A lens bends each length otherwise; one alone is compared with none.
    bent = _lens_share(lens) if len(spans) > 1 else 0.0
    share = np.sqrt((np.array([each.within for each in spans]) / mm) ** 2 + click**2 + bent**2)
    weight = 1 / share**2
    scale = scales @ weight / weight.sum()
    missed = (((scales - scale[:, None]) / share) ** 2).sum(axis=1)
    best = int(np.argmin(missed + (steep / usual) ** 2))
    believed = len(spans) == 1 or bool(missed.min() <= chi2.ppf(_BELIEVED, len(spans) - 1))
    return _Tilts(maps, np.exp(scale), float(1 / np.sqrt(weight.sum())), missed, best, believed)


def _odd(spans: Sequence[Span], size: tuple[int, int], lens: Lens | None) -> Sequence[Span]:
    """The known lengths without any one of which the others agree; all where there is none."""
    if not 2 < len(spans) <= _MOST_ASKED:  # every one that is left out costs a trial of all tilts
        return spans
    odd = [each for each in spans if _tilts([one for one in spans if one is not each], size, lens).believed]
    return odd or spans


def missed_by(scale: Scale, span: Span, share: float) -> float:
    """By how many standard errors a known length is not what a scale makes of it, beyond a `share` of it."""
    got = length(scale, np.stack([span.p, span.q]))
    beyond = max(abs(got.value - span.mm) - share * span.mm, 0.0)
    return beyond / max(float(np.hypot(got.within / _TWO_SIDED, span.within)), 1e-9)


def length(scale: Scale, line: Floats) -> Measure:
    """The length of a polyline (N, 2) pixels, in mm. Raises ValueError for what lies beyond the plane's horizon."""
    return _measured(scale, line, lambda on: float(np.linalg.norm(np.diff(on, axis=0), axis=1).sum()), "mm")


def angle(scale: Scale, first: Floats, corner: Floats, second: Floats) -> Measure:
    """The angle at `corner`, degrees, 0 to 180."""
    return _measured(scale, np.stack([first, corner, second]), _angle, "°")


def _measured(scale: Scale, line: Floats, of: Callable[[Floats], float], unit: str) -> Measure:
    flat = _flat(scale, line)
    best = of(transfer(scale.maps[0], flat))
    if not np.isfinite(best):
        raise ValueError("beyond the plane's horizon")
    rng = np.random.default_rng(4)
    click = CLICK_PX * float(max(scale.size)) / 1600
    values = [of(transfer(each, flat + _clicks(rng, flat, click))) for each in scale.maps[1:]]
    off = np.array([value for value in values if np.isfinite(value)]) - best
    # A share of a length; for an angle, of its two legs against each other.
    share = scale.share * best if unit == "mm" else np.sqrt(2) * np.degrees(scale.share)
    off = off + rng.normal(size=len(off)) * share
    within = float(np.quantile(np.abs(off), 0.95)) if len(off) else float("nan")
    return Measure(best, within, unit)


def _clicks(rng: np.random.Generator, line: Floats, sigma: float) -> Floats:
    """Error of pointing: each point of a short line by itself; a long trace is off as a whole at its ends only, since
    the error of its many points does not make it longer."""
    if len(line) <= 4:
        return rng.normal(scale=sigma, size=line.shape)
    out = np.zeros_like(line)
    out[[0, -1]] = rng.normal(scale=sigma, size=(2, 2))
    return out


def _flat(scale: Scale, line: Floats) -> Floats:
    line = np.asarray(line, dtype=np.float64)
    return scale.lens.straighten(line) if scale.lens else line


def _angle(on: Floats) -> float:
    a, b = on[0] - on[1], on[2] - on[1]
    turn = np.arctan2(abs(a[0] * b[1] - a[1] * b[0]), float(a @ b))
    return float(np.degrees(turn))


def _lens_share(lens: Lens | None) -> float:
    return 0.001 if lens is not None and lens.calibrated else DISTORTION_SHARE


def _spans_on(maps: Floats, ends: Floats) -> Floats:
    """How long (n, 2, 2) pairs of pixels are on each of (D, 3, 3) planes: (D, n), in the planes' units."""
    full = np.einsum("dij,nej->dnei", maps, np.concatenate([ends, np.ones((*ends.shape[:2], 1))], axis=2))
    on = full[..., :2] / full[..., 2:]
    return np.asarray(np.linalg.norm(on[:, :, 1] - on[:, :, 0], axis=2))


def _tilted(centre: Floats, focal: float, steep: Floats, turn: Floats) -> Floats:
    """Maps (D, 3, 3) from pixels to planes at distance 1, tilted by `steep` (D,) radians towards `turn` (D,)."""
    normal = np.column_stack([np.sin(steep) * np.cos(turn), np.sin(steep) * np.sin(turn), np.cos(steep)])
    first = np.cross(normal, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    ahead = np.broadcast_to([0.0, 0.0, 1.0], normal.shape)
    axes = np.stack([first, np.cross(normal, first), ahead], axis=2)
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    return np.asarray(np.linalg.inv(camera @ axes))
