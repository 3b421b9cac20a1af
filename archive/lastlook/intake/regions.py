"""How sharp one region of a picture is: the same measure as for whole pictures, on a part of the derived page view."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, UnidentifiedImageError

from lastlook.intake import quality

LEAST = 12
"""Pixels of the page view that a region must have on each side to be measured."""


def sharpness(page: Path, region: tuple[float, float, float, float]) -> float | None:
    """Variance of the Laplacian in `region` (x, y, width, height as shares of the upright picture). None where the page
    view cannot be read or the region is too small to measure."""
    try:
        with Image.open(page) as image:
            width, height = image.size
            x, y, w, h = region
            box = (round(x * width), round(y * height), round((x + w) * width), round((y + h) * height))
            if box[2] - box[0] < LEAST or box[3] - box[1] < LEAST:
                return None
            grey = np.asarray(image.convert("L").crop(box))
    except (OSError, UnidentifiedImageError):
        return None
    return quality.measure(grey).sharpness
