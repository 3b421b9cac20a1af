"""Whether the map of a plane between two pictures may be believed, and how well it is known over the outline.

What is checked is written beside each check in `_faults`; a refusal says why and what would help. The limits are our
own, set on rendered truth so that no wrong map passes; they are no standard's.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from lastlook.registration import Floats, outlines
from lastlook.registration.fitting import (
    bootstrap,
    covariance_of,
    distances,
    few,
    fit,
    jacobians,
    leave_one_out,
    noise_scale,
    resample,
    transfer,
)
from lastlook.registration.ties import Ties, TieSource

_RESAMPLED = 16
"""From so many ties on, resampling them says more than their residuals do."""
_MOST_SWAY, _MOST_ALONE = 0.0025, 0.015
"""Of the outline's size: how far resampling, and leaving out one direction, may move a map from matches. Of 500
rendered pairs every map wrong by over 3 mm swayed by 0.36 % and more, right ones by about 0.1 %."""
_CHECK_AT = 60.0  # degrees: steeper views of one plane to another are not believed from matches
_LEAST_AROUND = 8  # ties that must be left where those of one direction are left out


class Reason(StrEnum):
    TOO_FEW = "too-few-ties"
    CROWDED = "ties-crowded"
    DISAGREE = "ties-disagree"
    MIRRORED = "mirrored"
    IMPLAUSIBLE = "implausible-view"
    UNCERTAIN = "too-uncertain"
    AMBIGUOUS = "two-answers"
    NO_OUTLINE = "no-outline"
    OUTSIDE = "ties-outside-outline"


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


def checked(
    used: Ties,
    matrix: Floats,
    outline: Floats,
    most: float | None,
    dropped: list[str],
    said: list[str],
    *,
    automatic: bool,
) -> PlaneMap | Refusal:
    """The map with its error over the outline, or why it is refused. `most`: pixels of b, as `plane.register` takes."""
    lattice = outlines.lattice(outline)
    if not np.isfinite(transfer(matrix, used.a)).all():
        return behind()
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
        without = fit(used.take(kept)) if kept.sum() >= _LEAST_AROUND else None
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
        return behind()
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


def behind() -> Refusal:
    return Refusal(
        Reason.IMPLAUSIBLE,
        "the points would put part of the model behind the camera",
        "check that each pair is the same place and no two are exchanged, and mark two more so that a wrong one can be"
        " told",
    )
