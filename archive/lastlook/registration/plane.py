"""The map of a plane between two pictures: estimated robustly, checked, with its error; or refused, with the reason.

The map is a homography (Hartley and Zisserman, Multiple View Geometry, ch. 4). Ties by hand and corners of markers are
believed over matches that came by themselves; matches are found by MAGSAC++ (Barath et al., CVPR 2020, in OpenCV).
What is checked, and when no map is given, stands in `checking`. The limits are our own, set on rendered truth so that
no wrong map passes; they are no standard's.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.stats import chi2

from lastlook.registration import Bools, Floats, outlines
from lastlook.registration.checking import PlaneMap, Reason, Refusal, behind, checked
from lastlook.registration.fitting import (
    bootstrap,
    distances,
    few,
    fit,
    jacobians,
    leave_one_out,
    magsac,
    spread_at,
    transfer,
)
from lastlook.registration.ties import Ties, TieSource, joined

TRUSTED = (TieSource.HAND, TieSource.MARKER)
LEAST_MATCHES = 14
LEAST_SEEDS = 8
"""Matches in agreement that are worth growing; what they grow into must still be LEAST_MATCHES."""
_TOLD = 6
"""From so many marked points on, one that is misplaced is told from the others: four always fit, five nearly."""

_ELSEWHERE = 0.03
"""Of the model's size: how far from the marked points matches must put it to contradict them. Own judgement."""

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
        got = _from_trusted(found, trusted, outline_a, most_error_px, grow)
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


def _from_trusted(
    found: Ties, trusted: Bools, outline: Floats, most: float | None, grow: Grow | None
) -> PlaneMap | Refusal:
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
        return behind()
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
            both = joined(base, matches.take(agree))
            sharper = fit(both)
            if sharper is not None and not _disagree(base, sharper):
                keep = distances(sharper, both) < 4 * both.sigma
                keep[: len(base)] = True
                used, matrix = both.take(keep), sharper
        elif contradicted(matrix, matches, outline, most, grow):
            return elsewhere()
    if len(base) < _TOLD and len(used) == len(base) and base.of(TieSource.HAND).any():
        said.append(
            f"{len(base)} marked points cannot show that one of them is wrong; mark {_TOLD - len(base)} more before"
            f" this is relied on. Until then the band allows for points off by {few(len(base)):.2g} times the usual"
        )
    return checked(used, matrix, outline, most, dropped, said, automatic=False)


def elsewhere() -> Refusal:
    return Refusal(
        Reason.DISAGREE,
        "what matches by itself on the model lies elsewhere than the marked points put it",
        "check that each pair is the same place on the skin, not one end of it for the other and not on the"
        " bench, and that the outline holds the model alone",
    )


def contradicted(
    matrix: Floats, matches: Ties, outline: Floats, most: float | None = None, grow: Grow | None = None
) -> bool:
    """Whether matches alone, which do not overrule a person, make a map of their own that passes every check and lies
    elsewhere: marks on the bench, or one end of the model taken for the other, fit each other perfectly."""
    if grow is None or len(matches) < LEAST_SEEDS:
        return False
    alone = _from_matches(matches, np.zeros(len(matches), dtype=bool), outline, most, grow)
    if isinstance(alone, Refusal):
        return False
    away = np.linalg.norm(transfer(matrix, alone.lattice) - transfer(alone.matrix, alone.lattice), axis=1)
    size = float(np.sqrt(outlines.hull_area(transfer(alone.matrix, alone.lattice))))
    return not float(np.median(away)) < _ELSEWHERE * size


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
        used = joined(hand, used)
    return checked(used, matrix, outline, most, [], said, automatic=True)


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
    "contradicted",
    "elsewhere",
    "fit",
    "jacobians",
    "leave_one_out",
    "magsac",
    "register",
    "transfer",
]
