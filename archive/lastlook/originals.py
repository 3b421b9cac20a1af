"""The original of a picture or clip, seen to be there before it is read: one left in place may be gone or another."""

from __future__ import annotations

from pathlib import Path

from lastlook.catalogue.media import Medium
from lastlook.errors import OriginalUnreadable
from lastlook.store import Store

ANOTHER = "is not the file that was taken in"


def where(store: Store, medium: Medium) -> Path:
    """Where a medium's original lies; it may be gone, where it was left in place."""
    return store.archive.original(medium.stored, medium.in_place)


def at_hand(store: Store, medium: Medium) -> Path:
    """Where a medium's original lies, after a look whether it does. Raises OriginalUnreadable as `look` does."""
    path = where(store, medium)
    look(path, medium.size_bytes, medium.file)
    return path


def look(path: Path, size_bytes: int, file: str) -> None:
    """Raises OriginalUnreadable where nothing lies at `path`, or something of another length than what was taken in.

    No more is looked at: a clip of gigabytes is not hashed for one frame of it. Whoever reads a photo hashes it.
    """
    try:
        found = path.stat().st_size if path.is_file() else None
    except OSError as error:
        raise OriginalUnreadable(file, f"cannot be read ({(error.strerror or 'error').lower()})") from error
    if found is None:
        raise OriginalUnreadable(file, "is not where it was")
    if found != size_bytes:
        raise OriginalUnreadable(file, ANOTHER)
