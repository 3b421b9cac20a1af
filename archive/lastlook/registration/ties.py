"""Ties: pairs of points that are one and the same place of the model, in two pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from lastlook.registration import Bools, Floats


class TieSource(StrEnum):
    HAND = "hand"  # a person pointed at both
    MARKER = "marker"  # corners of a printed marker fixed to the model
    FEATURE = "feature"  # matched by itself


@dataclass(frozen=True, slots=True)
class Ties:
    """N pairs. `a`, `b`: (N, 2) pixels; `sigma`: (N,) standard error of each pair in pixels of `b`; `source` and
    `name` (N,) say where a pair comes from and how to call it ("tie 3", "marker 17 corner 2")."""

    a: Floats
    b: Floats
    sigma: Floats
    source: tuple[TieSource, ...]
    name: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.a)

    def of(self, *sources: TieSource) -> Bools:
        """Which pairs come from one of `sources`."""
        return np.array([each in sources for each in self.source], dtype=bool)

    def take(self, mask: Bools) -> Ties:
        kept = np.flatnonzero(mask)
        return Ties(
            self.a[kept],
            self.b[kept],
            self.sigma[kept],
            tuple(self.source[n] for n in kept),
            tuple(self.name[n] for n in kept),
        )


def make(a: Floats, b: Floats, sigma: float | Floats, source: TieSource, names: Sequence[str] | None = None) -> Ties:
    """Ties of one source. `a`, `b` anything that reshapes to (N, 2)."""
    a = np.asarray(a, dtype=np.float64).reshape(-1, 2)
    b = np.asarray(b, dtype=np.float64).reshape(-1, 2)
    if a.shape != b.shape or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise ValueError("ties need as many finite points in one picture as in the other")
    spread = np.broadcast_to(np.asarray(sigma, dtype=np.float64), (len(a),)).copy()
    word = {TieSource.HAND: "tie", TieSource.MARKER: "corner", TieSource.FEATURE: "match"}[source]
    called = tuple(names) if names is not None else tuple(f"{word} {n + 1}" for n in range(len(a)))
    return Ties(a, b, spread, (source,) * len(a), called)


def none() -> Ties:
    empty = np.zeros((0, 2))
    return Ties(empty, empty, np.zeros(0), (), ())


def joined(*parts: Ties) -> Ties:
    """All ties of several sets, in order."""
    return Ties(
        np.vstack([each.a for each in parts]) if parts else np.zeros((0, 2)),
        np.vstack([each.b for each in parts]) if parts else np.zeros((0, 2)),
        np.concatenate([each.sigma for each in parts]) if parts else np.zeros(0),
        tuple(source for each in parts for source in each.source),
        tuple(name for each in parts for name in each.name),
    )


def spread_out(points: Floats, count: int) -> NDArrayInt:
    """Indices of at most `count` points that lie far from each other (farthest-point choice), the first one first."""
    if len(points) <= count:
        return np.arange(len(points))
    chosen = [0]
    reach = np.linalg.norm(points - points[0], axis=1)
    while len(chosen) < count:
        chosen.append(int(np.argmax(reach)))
        reach = np.minimum(reach, np.linalg.norm(points - points[chosen[-1]], axis=1))
    return np.array(chosen)


NDArrayInt = np.typing.NDArray[np.int64]
