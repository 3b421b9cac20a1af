"""From linear pixels to a picture: exposure, white balance, tone curve, flaws, vignetting, grain."""

from typing import Any

import cameras
import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]


def tone(linear: Any) -> Any:
    """A filmic shoulder (fit after a published rational curve) and the sRGB transfer; 0..1."""
    x = np.clip(linear, 0, None) * 0.9
    curve = x * (2.51 * x + 0.03) / (x * (2.43 * x + 0.59) + 0.14)
    curve = np.clip(curve, 0, 1)
    return np.where(curve <= 0.0031308, curve * 12.92, 1.055 * np.power(curve, 1 / 2.4) - 0.055)


def meter(linear: Any, dark: bool) -> float:
    """Exposure factor as a centre-weighted camera would choose it."""
    if dark:
        return 4.0
    grey = linear[::8, ::8].mean(axis=2)
    h, w = grey.shape
    y, x = np.mgrid[0:h, 0:w]
    weight = np.exp(-(((x - w / 2) / (0.5 * w)) ** 2 + ((y - h / 2) / (0.5 * h)) ** 2))
    level = float(np.exp((np.log(grey + 1e-4) * weight).sum() / weight.sum()))
    bright = float(np.percentile(grey, 98))
    return min(0.17 / level, 0.98 / max(bright, 1e-3))


def shake_kernel(size: int, angle: float, bend: float) -> Any:
    """A curved stroke as point spread of a moved camera."""
    kernel = np.zeros((size, size), np.float32)
    t = np.linspace(-0.5, 0.5, 60)
    x = size / 2 + t * size * 0.85 * np.cos(angle) + bend * t**2 * size
    y = size / 2 + t * size * 0.85 * np.sin(angle) - bend * t**2 * size * 0.6
    for a, b in zip(x, y, strict=True):
        kernel[int(np.clip(b, 0, size - 1)), int(np.clip(a, 0, size - 1))] += 1
    return kernel / kernel.sum()


def defocus_kernel(radius: int) -> Any:
    """A round disc as point spread of a wrong focus."""
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    kernel = (x * x + y * y <= radius * radius).astype(np.float32)
    return kernel / kernel.sum()


def develop(
    linear: Any,
    camera: cameras.Camera,
    seed: int,
    *,
    flaw: str = "",
    ev: float = 0.0,
    dark: bool = False,
    grain: float = 1.0,
) -> Pixels:
    """Picture (h, w, 3) RGB, 8 bits. Exposure and white balance drift with the seed as they do between days."""
    rng = np.random.default_rng(seed)
    picture = np.asarray(linear, dtype=np.float32)
    picture = np.maximum(np.nan_to_num(picture, nan=0.0, posinf=60.0), 0)
    if flaw == "shake":
        picture = cv2.filter2D(np.minimum(picture, 20), -1, shake_kernel(33, rng.uniform(0.2, 0.9), 0.3))
    if flaw == "focus":
        picture = cv2.filter2D(np.minimum(picture, 20), -1, defocus_kernel(11))
    gain = meter(picture, dark) * 2 ** (ev + (0 if dark else rng.normal(0, 0.13)))
    grey = picture[::6, ::6].reshape(-1, 3).mean(axis=0)
    balance = (grey.mean() / np.maximum(grey, 1e-4)) ** (0.35 if dark else 0.62)
    balance = balance * np.array([1 + rng.normal(0.02, 0.03), 1.0, 1 + rng.normal(-0.02, 0.035)])
    picture = picture * (gain * balance).astype(np.float32)
    bright = cv2.resize(np.clip(picture - 1.2, 0, 8), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    bloom = cv2.GaussianBlur(bright, (0, 0), 3.5 if dark else 2.3)
    bloom = cv2.resize(bloom, (picture.shape[1], picture.shape[0]), interpolation=cv2.INTER_LINEAR)
    picture = picture + bloom * (0.25 if dark else 0.06)
    h, w = picture.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    picture = picture * (1 - camera.vignette * 1.8 * r2 * (1 - 0.3 * r2))[..., None]
    shown = tone(picture).astype(np.float32)
    luma = shown @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
    shown = luma[..., None] + (shown - luma[..., None]) * camera.saturation
    if not flaw:
        soft = cv2.GaussianBlur(shown, (0, 0), 1.1)
        shown = shown + (shown - soft) * (0.35 if camera.id != "phone" else 0.55)
    amount = camera.grain * grain * (2.2 if dark else 1.0)
    noise = rng.standard_normal((h, w, 1), np.float32) * 0.8 + rng.standard_normal((h, w, 3), np.float32) * 0.35
    noise = cv2.GaussianBlur(noise, (0, 0), 0.7) * 1.7
    shown = shown + noise * amount * (1.25 - 0.6 * np.clip(luma, 0, 1))[..., None]
    return np.clip(shown * 255 + 0.5, 0, 255).astype(np.uint8)
