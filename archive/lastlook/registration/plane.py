"""The map of a plane between two pictures: estimated robustly, checked, with its error; or refused, with the reason.

The map is a homography (Hartley and Zisserman, Multiple View Geometry, ch. 4). Ties by hand and corners of markers are
believed over matches that came by themselves; matches are found by MAGSAC++ (Barath et al., CVPR 2020, in OpenCV).
What is checked is written beside each check in `_faults`. The limits are our own, set on rendered truth so that no
wrong map passes; they are no standard's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.stats import chi2

from lastlook.registration import Bools, Floats, outlines
from lastlook.registration.fitting import (
    bootstrap,
    covariance_of,
    distances,
    few,
    fit,
    jacobians,
    leave_one_out,
    magsac,
    noise_scale,
    resample,
    spread_at,
    transfer,
)
from lastlook.registration.ties import Ties, TieSource

TRUSTED = (TieSource.HAND, TieSource.MARKER)
LEAST_MATCHES = 14
LEAST_SEEDS = 8
"""Matches in agreement that are worth growing; what they grow into must still be LEAST_MATCHES."""
_TOLD = 6
"""From so many marked points on, one that is misplaced is told from the others: four always fit, five nearly."""
_RESAMPLED = 16
"""From so many ties on, resampling them says more than their residuals do."""
_MOST_SWAY, _MOST_ALONE = 0.0025, 0.015
"""Of the outline's size: how far resampling, and leaving out one direction, may move a map from matches. Of 500
rendered pairs every map wrong by over 3 mm swayed by 0.36 % and more, right ones by about 0.1 %."""
_CHECK_AT = 60.0  # degrees: steeper views of one plane to another are not believed from matches


class Reason(StrEnum):
    TOO_FEW = "too-few-ties"
    CROWDED = "ties-crowded"
    DISAGREE = "ties-disagree"
    MIRRORED = "mirrored"
    IMPLAUSIBLE = "implausible-view"
    UNCERTAIN = "too-uncertain"
    AMBIGUOUS = "two-answers"
    NO_OUTLINE = "no-outline"


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why no map is given, in a plain line, and what would help, in another."""

    reason: Reason
    why: str
    help: str


@dataclass(frozen=True, slots=True)
class PlaneMap:
    """A map that passed the checks.

    `matrix` (3, 3) takes pixels of a to pixels of b. `ties` are those it rests on; `residuals` (N,) their distance in
    pixels of b after the fit, `left_out` (N,) with each one left out of the fit in turn (NaN where not worked out);
    `covariance` (8, 8) of the map's eight free numbers as `resample` draws them; `error_px` (M,) the standard error at
    `lattice` (M, 2), pixels of b and of a. `dropped` names ties that were not used, `said` what a person should know.
    `allowed`: how many times worse than usual the ties are taken to be, in the covariance and the error, and by whoever
    works out cameras from them, because they are too few to show how good they are.
    """

    matrix: Floats
    ties: Ties
    residuals: Floats
    left_out: Floats
    covariance: Floats
    lattice: Floats
    error_px: Floats
    dropped: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    allowed: float = 1.0

    @property
    def rms_px(self) -> float:
        return float(np.sqrt(np.mean(self.residuals**2)))


Grow = Callable[[Floats], Ties]


def register(
    found: Ties, outline_a: Floats, *, most_error_px: float | None = None, grow: Grow | None = None
) -> PlaneMap | Refusal:
    """The map that the ties support over `outline_a` (N, 2).

    `grow` gives the pairs that look alike where a map brings them together (`features.guided`): a right map gathers
    many more than the same map shifted aside does, and that is asked of every map found from matches alone.
    `most_error_px`: the largest standard error, in pixels of b, that is still an answer anywhere on the outline;
    without it 1 % of the outline's size in b.
    """
    trusted = found.of(*TRUSTED)
    if trusted.sum() >= 4:
        got = _from_trusted(found, trusted, outline_a, most_error_px)
        if isinstance(got, Refusal) and got.reason is Reason.UNCERTAIN and len(found) - trusted.sum() >= LEAST_SEEDS:
            # Few marked points reach not far enough; what matches by itself may, if it agrees with all of them.
            other = _from_matches(found, trusted, outline_a, most_error_px, grow)
            return other if isinstance(other, PlaneMap) else got
        return got
    if found.of(TieSource.FEATURE).sum() >= (LEAST_SEEDS if grow else LEAST_MATCHES):
        return _from_matches(found, trusted, outline_a, most_error_px, grow)
    have = f"{int(trusted.sum())} by hand or markers, {int((~trusted).sum())} found alike"
    return Refusal(
        Reason.TOO_FEW,
        f"too few places are known in both pictures: {have}; 4 marked ones are the least",
        f"mark {max(1, 6 - int(trusted.sum()))} more points that show in both, spread along the flange",
    )


def _from_trusted(found: Ties, trusted: Bools, outline: Floats, most: float | None) -> PlaneMap | Refusal:
    base = found.take(trusted)
    dropped: list[str] = []
    said: list[str] = []
    matrix = fit(base)
    if matrix is None:
        return _collinear()
    if len(base) >= _TOLD:
        # One misplaced point: leaving it out makes the rest agree. Named, and not used.
        while len(base) >= _TOLD and (worst := _misfit(base)) is not None:
            dropped.append(base.name[worst])
            said.append(f"{base.name[worst]} does not fit the others and was left out")
            base = base.take(np.arange(len(base)) != worst)
            refit = fit(base)
            if refit is None:
                return _collinear()
            matrix = refit
            if len(dropped) > len(found) // 3:
                break
    if len(base) == 4 and not np.isfinite(transfer(matrix, base.a)).all():
        # Four always fit; two of them exchanged fit only with the horizon between them.
        return _behind()
    if _disagree(base, matrix):
        worst_name = base.name[int(np.argmax(distances(matrix, base) / base.sigma))]
        return Refusal(
            Reason.DISAGREE,
            f"the marked points contradict each other (farthest off: {worst_name})",
            "check that each pair is the same place on the skin, and mark two more so that a wrong one can be told",
        )
    used = base
    matches = found.take(found.of(TieSource.FEATURE))
    if len(matches):
        # Matches may sharpen what was marked, never overrule it.
        reach = 3 * np.sqrt(matches.sigma**2 + spread_at(matrix, base, matches.a) ** 2)
        agree = distances(matrix, matches) < np.minimum(reach, 40)
        if agree.sum() >= LEAST_MATCHES:
            from lastlook.registration.ties import joined

            both = joined(base, matches.take(agree))
            sharper = fit(both)
            if sharper is not None and not _disagree(base, sharper):
                keep = distances(sharper, both) < 4 * both.sigma
                keep[: len(base)] = True
                used, matrix = both.take(keep), sharper
    if len(base) < _TOLD and len(used) == len(base) and base.of(TieSource.HAND).any():
        said.append(
            f"{len(base)} marked points cannot show that one of them is wrong; mark {_TOLD - len(base)} more before"
            f" this is relied on. Until then the band allows for points off by {few(len(base)):.2g} times the usual"
        )
    return _checked(used, matrix, outline, most, dropped, said, automatic=False)


def _from_matches(
    found: Ties, trusted: Bools, outline: Floats, most: float | None, grow: Grow | None
) -> PlaneMap | Refusal:
    few = Refusal(
        Reason.TOO_FEW,
        "the skin that shows in both pictures has too little in common to match by itself",
        "mark six points that show in both, spread along the flange, or lay a card on the model for the next pictures",
    )
    matches = found.take(found.of(TieSource.FEATURE))
    limit = float(2.5 * np.median(matches.sigma))
    matrix, kept = magsac(matches, limit)
    if matrix is None or kept.sum() < (LEAST_SEEDS if grow else LEAST_MATCHES):
        return few
    used = matches.take(kept)
    if grow is not None:
        grown = _grown(matrix, used, limit, grow)
        if grown is None:
            return few
        used = grown
    # A second answer with much of the support of the first: a frame that repeats itself, or a second plane.
    rest = matches.take(~kept)
    if len(rest) >= 8:
        other, also = magsac(rest, limit)
        if other is not None and also.sum() >= max(10, 0.4 * kept.sum()):
            return Refusal(
                Reason.AMBIGUOUS,
                f"two different answers fit ({int(kept.sum())} and {int(also.sum())} points alike)",
                "draw the outline closer to the skin, or mark four points that show in both",
            )
    refined = fit(used)
    matrix = refined if refined is not None else matrix
    said: list[str] = []
    if trusted.any():
        hand = found.take(trusted)
        away = distances(matrix, hand)
        wrong = away > np.maximum(5 * hand.sigma, 4 * limit)
        if wrong.any():
            return Refusal(
                Reason.DISAGREE,
                f"what was found alike contradicts {hand.name[int(np.argmax(away))]}",
                "mark four or more points that show in both, then matching cannot overrule you",
            )
        from lastlook.registration.ties import joined

        used = joined(hand, used)
    return _checked(used, matrix, outline, most, [], said, automatic=True)


def _grown(matrix: Floats, seeds: Ties, limit: float, grow: Grow) -> Ties | None:
    """What the map of a few seeds gathers, if that is clearly more than the map shifted aside gathers by chance."""
    used = seeds
    for _ in range(2):
        better = fit(used)
        matrix = better if better is not None else matrix
        gathered = grow(matrix)
        if len(gathered) < LEAST_MATCHES:
            return None
        used = gathered.take(distances(matrix, gathered) < 1.3 * limit)
        if len(used) < LEAST_MATCHES:
            return None
    chance = []
    for dx, dy in ((9, 0), (-9, 0), (0, 9), (0, -9)):
        aside = np.array([[1.0, 0, dx * limit], [0, 1.0, dy * limit], [0, 0, 1]]) @ matrix
        gathered = grow(aside)
        chance.append(int((distances(aside, gathered) < 1.3 * limit).sum()) if len(gathered) else 0)
    return used if len(used) >= LEAST_MATCHES + 2.5 * max(chance) else None


def _checked(
    used: Ties,
    matrix: Floats,
    outline: Floats,
    most: float | None,
    dropped: list[str],
    said: list[str],
    *,
    automatic: bool,
) -> PlaneMap | Refusal:
    lattice = outlines.lattice(outline)
    if not np.isfinite(transfer(matrix, used.a)).all():
        return _behind()
    away = distances(matrix, used)
    scale = noise_scale(away / used.sigma)
    covariance = covariance_of(matrix, used) * scale**2
    draws = resample(matrix, covariance, 60)
    at = transfer(matrix, lattice)
    moved = np.stack([transfer(each, lattice) for each in draws])
    error = np.sqrt(np.nanmean(np.sum((moved - at) ** 2, axis=2), axis=0))
    if len(used) >= _RESAMPLED:
        # Resampled ties tell what residuals do not: a handful of wrong ones that pull the map their way.
        shaken = bootstrap(used, lattice, np.random.default_rng(5), 30)
        sway = np.sqrt(np.nanmean(np.sum((shaken - at) ** 2, axis=2), axis=0))
        if automatic and np.isfinite(at).all() and not _steady(used, at, sway, lattice, outline):
            return _unsteady()
        more = float(np.nanmax(sway / np.maximum(error, 1e-9)))
        if np.isfinite(more) and more > 1:
            covariance, error = covariance * more**2, error * more
    fault = _faults(used, matrix, outline, lattice, at, error, automatic, most)
    if fault is not None:
        return fault
    left_out = leave_one_out(used) if len(used) <= 40 else np.full(len(used), np.nan)
    allowed = few(len(used)) if used.of(TieSource.HAND).any() else 1.0
    return PlaneMap(
        matrix,
        used,
        away,
        left_out,
        covariance * allowed**2,
        lattice,
        error * allowed,
        tuple(dropped),
        tuple(said),
        allowed,
    )


def _steady(used: Ties, at: Floats, sway: Floats, lattice: Floats, outline: Floats) -> bool:
    """Whether a map from matches stays where it is when matches are resampled, and when those of any one direction
    from the outline's middle are left out: no small group may decide alone."""
    size = float(np.sqrt(outlines.hull_area(at)))
    if not np.isfinite(sway).all() or sway.max() > _MOST_SWAY * size:
        return False
    away = used.a - outline.mean(axis=0)
    angles = np.arctan2(away[:, 1], away[:, 0])
    for direction in np.arange(8) * np.pi / 4 - np.pi:
        kept = np.abs((angles - direction + np.pi) % (2 * np.pi) - np.pi) > 1.5 * np.pi / 8
        without = fit(used.take(kept)) if kept.sum() >= LEAST_SEEDS else None
        if without is None:
            return False
        moved = np.linalg.norm(transfer(without, lattice) - at, axis=1)
        if not np.isfinite(moved).all() or moved.max() > _MOST_ALONE * size:
            return False
    return True


def _unsteady() -> Refusal:
    return Refusal(
        Reason.UNCERTAIN,
        "what matches by itself hangs on a few points that may be wrong",
        "mark four or more points that show in both, spread along the flange; then matching only sharpens them",
    )


def _faults(
    used: Ties,
    matrix: Floats,
    outline: Floats,
    lattice: Floats,
    at: Floats,
    error: Floats,
    automatic: bool,
    most: float | None,
) -> Refusal | None:
    """The geometric checks, each with what it guards against."""
    spread = "mark three more points on the part of the flange that has none"
    # The horizon of one view crosses the model: no camera sees that.
    if not np.isfinite(at).all() or not np.isfinite(error).all():
        return _behind()
    turns = np.linalg.det(jacobians(matrix, lattice))
    # The orientation of a plane seen from the same side never flips: port is not starboard.
    if (turns <= 0).any():
        return Refusal(
            Reason.MIRRORED,
            "one picture shows it mirrored against the other: a flipped picture, or the opposite side",
            "choose a picture of the same side; for the opposite half make the template with --mirror",
        )
    # Sizes: one picture a tenth of the other is no look at the same skin; stretched views are beyond 60 degrees.
    stretch = np.linalg.svd(jacobians(matrix, lattice), compute_uv=False)
    if (
        stretch.max() > 10
        or stretch.min() < 0.1
        or (stretch[:, 0] / stretch[:, 1]).max() > 1 / np.cos(np.deg2rad(_CHECK_AT + (0 if automatic else 15)))
    ):
        return Refusal(
            Reason.IMPLAUSIBLE,
            "the view would have to be far too steep or too near",
            "choose a picture that looks at the skin more squarely, or mark the points again",
        )
    size = float(np.sqrt(outlines.hull_area(at)))
    if automatic:
        # Support on one corner of the model says little of the other end.
        share = outlines.hull_area(used.a) / max(outlines.hull_area(outline), 1.0)
        if share < 0.3 or outlines.cover(outline, used.a) < 0.25:
            return Refusal(Reason.CROWDED, f"what is alike covers only {share:.0%} of the outline", spread)
    limit = most if most is not None else 0.01 * size
    if error.max() > limit:
        return Refusal(
            Reason.UNCERTAIN,
            f"the place is known to {error.max():.0f} pixels only at the far end of the outline",
            spread,
        )
    return None


def _disagree(used: Ties, matrix: Floats) -> bool:
    freedom = 2 * len(used) - 8
    if freedom <= 0:
        return False
    cost = float(np.sum((distances(matrix, used) / used.sigma) ** 2))
    return cost / 9 > float(chi2.ppf(0.999, freedom))  # three times the expected error is still believed


def _misfit(used: Ties) -> int | None:
    """The tie without which the others agree far better, if there is one."""
    freedom = 2 * len(used) - 8
    matrix = fit(used)
    if matrix is None or freedom < 4:
        return None
    cost = float(np.sum((distances(matrix, used) / used.sigma) ** 2))
    if cost < float(chi2.ppf(0.99, freedom)):
        return None
    costs = []
    for n in range(len(used)):
        rest = used.take(np.arange(len(used)) != n)
        without = fit(rest)
        costs.append(np.inf if without is None else float(np.sum((distances(without, rest) / rest.sigma) ** 2)))
    best = int(np.argmin(costs))
    drop = (cost - costs[best]) / 2
    return best if drop > 3 * (costs[best] + 2) / max(freedom - 2, 1) and cost - costs[best] > 16 else None


def _behind() -> Refusal:
    return Refusal(
        Reason.IMPLAUSIBLE,
        "the points would put part of the model behind the camera",
        "check that each pair is the same place and no two are exchanged, and mark two more so that a wrong one can be"
        " told",
    )


def _collinear() -> Refusal:
    return Refusal(
        Reason.CROWDED,
        "the marked points lie on a line, or on one another",
        "mark points on the opposite side of the flange as well",
    )


__all__ = [
    "Grow",
    "PlaneMap",
    "Reason",
    "Refusal",
    "bootstrap",
    "fit",
    "jacobians",
    "leave_one_out",
    "magsac",
    "register",
    "transfer",
]
