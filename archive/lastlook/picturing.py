"""Pictures as arrays for registration: upright, bounded in size, with the lens that took them as far as it is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lastlook import derived_again, marking, originals, viewing
from lastlook.catalogue import media
from lastlook.errors import ArchiveError
from lastlook.records import Picture, PictureKind
from lastlook.registration import camera, features
from lastlook.registration.camera import Lens
from lastlook.registration.features import Features
from lastlook.store import Store

EDGE = 2400
"""Long edge at which pictures are worked on. 12 MP are reduced to it: 0.17 mm a pixel at 400 mm of field."""
_SAME_FOCAL = 0.03  # of the focal length: what Exif's whole millimetres leave open at 17 mm and more
_ANOTHER_LENS = 0.15  # 2.5 times what a focal length by Exif may be off by
_EXIF_IFD, _FOCAL_35, _WIDTH, _HEIGHT = 0x8769, 0xA405, 0xA002, 0xA003


@dataclass(frozen=True)
class Loaded:
    """A picture's pixels. `rgb` (height, width, 3); `scale`: pixels of it for one of the upright picture in full."""

    picture: Picture
    rgb: NDArray[np.uint8]
    scale: float

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        return np.asarray(Image.fromarray(self.rgb).convert("L"), dtype=np.uint8)

    @cached_property
    def _features(self) -> dict[bytes, Features]:
        return {}

    def features(self, outline: NDArray[np.float64] | None) -> Features:
        """What there is to match inside `outline` (N, 2) pixels of `rgb`, or in all of it; found once, since several
        inside pictures are held against one outside picture."""
        key = outline.tobytes() if outline is not None else b""
        if key not in self._features:
            self._features[key] = features.find(self.grey, outline)
        return self._features[key]

    @property
    def size(self) -> tuple[int, int]:
        return self.rgb.shape[1], self.rgb.shape[0]

    def to_work(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pixels of the full picture as pixels of `rgb`."""
        return np.asarray((np.asarray(points, dtype=np.float64) + 0.5) * self.scale - 0.5)

    def to_full(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((np.asarray(points, dtype=np.float64) + 0.5) / self.scale - 0.5)


def load(store: Store, picture: Picture, edge: int = EDGE) -> Loaded:
    """A picture's pixels with a long edge of at most `edge`. Raises OriginalUnreadable, and ArchiveError
    where it cannot be shown."""
    path = page_path(store, picture, edge)
    try:
        rgb = _pixels(path, edge)
    except OSError:  # what is derived is disposable: made again from the original, once
        path.unlink(missing_ok=True)
        try:
            rgb = _pixels(page_path(store, picture, edge), edge)
        except OSError as error:
            raise ArchiveError(
                f"the smaller picture of {picture.file} cannot be read", "Check the archive's disk and its room."
            ) from error
    return Loaded(picture, rgb, max(rgb.shape[:2]) / max(picture.width, picture.height))


def _pixels(path: Path, edge: int) -> NDArray[np.uint8]:
    with Image.open(path) as image:
        if max(image.size) > edge:
            image.draft("RGB", (edge, edge))
        small = image.convert("RGB")
        small.thumbnail((edge, edge), Image.Resampling.BICUBIC, reducing_gap=2.0)
        return np.asarray(small, dtype=np.uint8)


def prepare(store: Store, shown: Sequence[Picture], edge: int = EDGE) -> None:
    """Decode the originals of several photos side by side, where that is still to be done, before each is loaded."""
    viewing.make_large(store, [each for each in shown if each.kind is PictureKind.PHOTO], edge)


def page_path(store: Store, picture: Picture, edge: int) -> Path:
    """The derived file to read: the page where it is large enough or all there is, else a larger view."""
    if picture.kind is PictureKind.PHOTO and edge > 1000:
        return viewing.large(store, picture, edge)
    return derived_again.ensure(store, picture, "page")


def lens(store: Store, picture: Picture, size: tuple[int, int]) -> Lens:
    """The lens that took a picture, for its pixels reduced to `size`: calibrated at that focal length, else by Exif,
    else a usual one."""
    focal, taken = _told(store, picture)
    by_exif = camera.from_exif(size, focal) if focal is not None else None
    if picture.kind is PictureKind.PHOTO and camera.looks_cut(size, taken):
        return camera.cut_out(by_exif or camera.guessed(size))
    for each in marking.lenses_of(store, picture.camera):
        try:
            fitting = camera.scaled(each.lens, size)
        except ValueError:
            continue  # calibrated in another shape of picture: Exif says more of this one
        if focal is None or by_exif is None:
            return fitting
        if each.focal_35 is not None:
            same = abs(np.log(focal / each.focal_35)) < _SAME_FOCAL
        else:  # its photos did not say: only another lens can be told, not a little zoom
            same = abs(np.log(fitting.focal / by_exif.focal)) < _ANOTHER_LENS
        if same:
            return fitting
    return by_exif if by_exif is not None else camera.guessed(size)


def focal_35(store: Store, picture: Picture) -> float | None:
    """The 35 mm equivalent focal length of a photo, from its original's Exif."""
    return _told(store, picture)[0]


def _told(store: Store, picture: Picture) -> tuple[float | None, tuple[int, int] | None]:
    """What a photo's Exif says of its lens: the 35 mm equivalent focal length, and (width, height) as it was taken."""
    if picture.kind is not PictureKind.PHOTO:
        return None, None
    medium = media.get(store.catalogue, picture.sha256)
    if medium is None:
        return None, None
    try:
        with Image.open(originals.where(store, medium)) as image:
            said = image.getexif().get_ifd(_EXIF_IFD)
            value, size = said.get(_FOCAL_35), (said.get(_WIDTH), said.get(_HEIGHT))
    except Exception:  # Pillow raises whatever its parsing trips over; the lens is then not known, that is all
        return None, None
    focal = float(value) if isinstance(value, int | float) and 4 <= value <= 1200 else None
    width, height = (each if isinstance(each, int) else 0 for each in size)
    return focal, (width, height) if width > 0 and height > 0 else None
