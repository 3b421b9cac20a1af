"""The original's pixels of a picture as tiles: which there are, where one lies, and cutting those that are missing."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from lastlook import originals
from lastlook.catalogue import media
from lastlook.errors import ArchiveError, OriginalUnreadable
from lastlook.ingest import intake_settings
from lastlook.intake import tiles
from lastlook.intake.photo import NotShowable
from lastlook.intake.settings import IntakeSettings
from lastlook.records import Picture, PictureKind
from lastlook.store import Store

MOST_BYTES = 2 << 30
"""How much room tiles may take in the derived folder: those of some 150 photos of 48 megapixels."""


@dataclass(frozen=True, slots=True)
class Tiling:
    """The tiles of one picture. `levels` 0: the preview shows all there is. Plain values: any thread may cut."""

    path: str
    sha256: str
    clip_ms: int | None
    size: tuple[int, int]
    levels: int
    settings: IntakeSettings
    file: str
    size_bytes: int

    def has(self, level: int, x: int, y: int) -> bool:
        if not 0 <= level < self.levels:
            return False
        across, down = tiles.counts(*self.size, level)
        return 0 <= x < across and 0 <= y < down

    def at(self, level: int, x: int, y: int) -> Path:
        """Where a tile that the picture has lies once it is cut."""
        return self.settings.derived / tiles.name(self.sha256, self.clip_ms, level, x, y)

    def cut(self, level: int, x: int, y: int) -> None:
        """Cut the block of tiles around this one. Raises OriginalUnreadable, and ArchiveError where the archive's disk
        does not take them."""
        if not self.has(level, x, y):
            raise ValueError((level, x, y))
        originals.look(Path(self.path), self.size_bytes, self.file)
        try:
            tiles.cut(self.path, self.sha256, self.clip_ms, self.size, self.settings, level, x, y)
        except NotShowable as error:
            raise OriginalUnreadable(self.file, error.reason) from error
        except OSError as error:
            raise ArchiveError(
                f"the close look at {self.file} cannot be kept: {(error.strerror or 'error').lower()}",
                "Check the archive's disk and its room.",
            ) from error


def of(store: Store, picture: Picture) -> Tiling:
    """The tiles of a picture. One that cannot be shown has none."""
    medium = media.get(store.catalogue, picture.sha256)
    settings = intake_settings(store, in_place=True)
    shown = medium is not None and picture.page and picture.width > 0 and picture.height > 0
    return Tiling(
        str(originals.where(store, medium)) if medium is not None else "",
        picture.sha256,
        picture.clip_ms if picture.kind is PictureKind.STILL else None,
        (picture.width, picture.height),
        tiles.levels(picture.width, picture.height, _shown_edge(picture, settings)) if shown else 0,
        settings,
        picture.file,
        medium.size_bytes if medium is not None else 0,
    )


def _shown_edge(picture: Picture, settings: IntakeSettings) -> int:
    """How long the preview's long edge is at least."""
    return min(settings.page_edge, max(picture.width, picture.height))


def make_room(derived: Path, most_bytes: int = MOST_BYTES) -> int:
    """Take tiles away, picture by picture, those looked at longest ago first, until they take less room than
    `most_bytes`. Returns how many bytes went. They come back when they are asked for."""
    kept = []
    for folder in (derived / "tile").glob("??/*/"):
        size, touched = 0, 0.0
        for entry in folder.iterdir():
            try:
                status = entry.stat()
            except FileNotFoundError:
                continue
            size += status.st_size
            touched = max(touched, status.st_mtime)
        kept.append((touched, size, folder))
    over = sum(size for _, size, _ in kept) - most_bytes
    gone = 0
    for _, size, folder in sorted(kept, key=lambda each: each[0]):
        if gone >= over:
            break
        shutil.rmtree(folder, ignore_errors=True)
        gone += size
    return gone
