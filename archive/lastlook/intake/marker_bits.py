"""The bits of a marker, softly: what of a square's light is compared, and whether it is one marker bit for bit. Pure.

Likeness alone lets a stranger by: two squares that differ in one module of 49 are 0.9 alike, which a marker of 25
pixels in a shadow hardly is to itself. So a square that is like a marker is also compared with that marker's
neighbours, the 25 faces in which one bit is the other way, each as it would look under several amounts of blur; it is
the marker only where none of them is nearer. A square with a wrong bit is nearer to the face that has that bit.

This is the decision of the nearest word of a block code, taken over soft values and for the words that matter (S. Lin,
D. J. Costello, "Error Control Coding", 2nd ed. 2004, ch. 10; from memory). That blur is tried as several templates is
our own. Measured: of squares with one wrong bit none is read in focus, four in a hundred blurred by 0.4 of a module.
What is left to chance in focus is a square with the very bits: 4 numbers, 4 turns, 2 for the mirror, of 2²⁵ faces, one
in a million squares of this border.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.float32]
"""N×M×M: how light each module of a square and of the frame around it is."""
Face = tuple[tuple[bool, ...], ...]
"""M×M modules with their frame, as they are seen; True is light."""

_BLURS = (0.0, 0.35, 0.5, 0.65)
"""Sigma in modules: 0.65 is what a picture just in focus makes of a marker of some 15 pixels."""
_BORDER = 2
"""Modules of frame and black border before the bits begin."""


def flat(cells: Cells) -> NDArray[np.float32]:
    """N×K in unit length: each module against the mean of its neighbourhood, so that shadow and light cancel out."""
    count = len(cells)
    padded = np.pad(cells, ((0, 0), (2, 2), (2, 2)), mode="edge")
    total = padded.cumsum(axis=1).cumsum(axis=2)
    total = np.pad(total, ((0, 0), (1, 0), (1, 0)))
    box = total[:, 5:, 5:] - total[:, :-5, 5:] - total[:, 5:, :-5] + total[:, :-5, :-5]
    # Bits tell numbers apart; what all markers share, the ring, is asked for separately.
    inner = (cells - box / 25)[:, 2:-2, 2:-2].reshape(count, -1)
    inner = inner - inner.mean(axis=1, keepdims=True)
    length = np.linalg.norm(inner, axis=1, keepdims=True)
    return np.asarray(inner / np.maximum(length, 1e-6), dtype=np.float32)


def bit_for_bit(cells: NDArray[np.float32], face: Face) -> bool:
    """Whether no face that differs in one bit is nearer to `cells` (M×M) than `face` is."""
    likeness = _neighbourhood(face) @ flat(cells[None])[0]
    return bool(likeness[:, 0].max() >= likeness[:, 1:].max())


@lru_cache(maxsize=64)
def _neighbourhood(face: Face) -> NDArray[np.float32]:
    """Templates, blurs × (1 + bits) × K: the face first, then each one-bit neighbour."""
    own = np.array(face, np.float32)
    side = len(own)
    faces = [own]
    for row in range(_BORDER, side - _BORDER):
        for column in range(_BORDER, side - _BORDER):
            other = own.copy()
            other[row, column] = 1 - other[row, column]
            faces.append(other)
    return np.stack([flat(_blurred(np.stack(faces), sigma)) for sigma in _BLURS])


def _blurred(faces: Cells, sigma: float) -> Cells:
    """Under a Gaussian of `sigma` modules; beyond the frame it goes on as at its edge."""
    if not sigma:
        return faces
    reach = 3
    weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    weight /= weight.sum()
    side = faces.shape[1]
    spread = np.zeros((side, side))
    for at in range(side):
        for step, part in zip(range(-reach, reach + 1), weight, strict=True):
            spread[at, min(max(at + step, 0), side - 1)] += part
    return np.asarray(spread @ faces @ spread.T, dtype=np.float32)
