"""Make derived pictures again where they are missing: they are disposable and come back by themselves."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from lastlook import originals
from lastlook.catalogue import media
from lastlook.errors import ArchiveError, OriginalUnreadable
from lastlook.ingest import intake_settings
from lastlook.intake import guard
from lastlook.intake.clips import take_still
from lastlook.intake.reader import read_one
from lastlook.records import Picture, PictureKind, Problem
from lastlook.store import Store

Size = Literal["thumb", "page"]


def ensure(store: Store, picture: Picture, size: Size) -> Path:
    """The derived picture's path; made again from the original if it is gone. Raises OriginalUnreadable, and
    ArchiveError for a picture that never was to be seen."""
    name = picture.thumb if size == "thumb" else picture.page
    if not name:
        raise ArchiveError(f"{picture.file} cannot be shown", "Open the original with the program of its camera.")
    path = store.archive.derived / name
    if path.is_file():
        return path
    medium = media.get(store.catalogue, picture.sha256)
    if medium is None:
        raise ArchiveError(f"{picture.file} is not in the catalogue", "Run 'lastlook verify'.")
    original = originals.at_hand(store, medium)
    settings = intake_settings(store, in_place=True)
    if picture.kind is PictureKind.STILL and picture.clip_ms is not None:
        try:
            made: object = guard.run(
                take_still,
                str(original),
                picture.sha256,
                picture.clip_ms,
                settings,
                seconds=settings.seconds_per_file * 4,
            )
        except (guard.TimeUp, guard.Crashed):
            made = Problem(str(original), "cannot be decoded")
    else:
        made = read_one(str(original), settings)
    if isinstance(made, Problem) or not path.is_file():
        reason = made.reason if isinstance(made, Problem) else originals.ANOTHER
        raise OriginalUnreadable(picture.file, reason)
    return path
