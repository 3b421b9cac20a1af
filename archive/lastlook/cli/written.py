"""Files that a command writes where the builder says: never among the originals, never over one by mistake."""

from __future__ import annotations

from pathlib import Path

from lastlook.catalogue import media
from lastlook.errors import UsageError
from lastlook.store import Store


def check_target(path: Path, *, force: bool, store: Store | None = None) -> None:
    """Raises UsageError where `path` lies among an archive's originals or is another part of one (links followed), or
    is there already and may not be written over. `force` lets a file be written over, but with `store` never a picture
    or clip of the archive that is kept in its own place, under whatever name it is given."""
    real = path.resolve()
    for folder in real.parents:
        if folder.name == "originals" and (folder.parent / "decisions.jsonl").is_file():
            raise UsageError(f"{path} would lie among the archive's originals", "Choose a place outside of it.")
        if (folder / "decisions.jsonl").is_file() and _is_part(real.relative_to(folder)):
            raise UsageError(f"{path} is kept by the archive itself", "Give another name, or a place outside of it.")
    if not (path.exists() or path.is_symlink()):
        return
    if store is not None and path.is_file() and _is_original(store, path):
        raise UsageError(f"{path} is an original of the archive, which is never written over", "Give another name.")
    if not force:
        raise UsageError(f"{path} is there already", "Give another name, or --force to write over it.")


_FOLDERS = frozenset({"originals", "derived", "index", "incoming", "work"})
_FILES = ("decisions.", "catalogue.", "care.", "lastlook.toml")


def _is_part(inside: Path) -> bool:
    """Whether a path inside an archive's folder is one of its own parts: what is beside them is the builder's."""
    first = inside.parts[0].casefold()  # some disks know no case
    return first in _FOLDERS or (len(inside.parts) == 1 and first.lstrip(".").startswith(_FILES))


def write(path: Path, data: bytes, *, force: bool, store: Store | None = None) -> None:
    """Write a file whole, or leave what was there. Raises UsageError as `check_target` does, and where it cannot be
    written."""
    check_target(path, force=force, store=store)
    temporary = path.with_name(f".{path.name}.new")
    try:
        temporary.write_bytes(data)
        temporary.replace(path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise UsageError(
            f"{path} cannot be written: {(error.strerror or 'failed').lower()}", "Choose another place."
        ) from error


def _is_original(store: Store, path: Path) -> bool:
    """Whether it is the same file (device and inode) as an original, so that a hard link does not hide it."""
    status = path.stat()
    for place in media.places(store.catalogue).values():
        if place.size_bytes != status.st_size:
            continue
        original = store.archive.original(place.stored, place.in_place)
        if original.exists() and original.samefile(path):
            return True
    return False
