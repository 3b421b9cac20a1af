"""Whoosh's files: opened so that none stays open, written so that a failure leaves no trace, forced to disk.

Importing this module imports Whoosh, guarded (`lastlook.textindex.pickles`).
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lastlook.textindex import schema  # first: it sets the guard before any of Whoosh reads a file

from whoosh.filedb.filestore import FileStorage  # isort: skip
from whoosh.index import FileIndex  # isort: skip
from whoosh.writing import SegmentWriter  # isort: skip

NAME = "MAIN"
WRITER_WAIT_S = 30.0
MEMORY_MB = 128  # of postings before a writer goes to temporary files; 512 is no quicker and takes three times as much
_COMMIT = re.compile(rf"_{NAME}_(\d+)\.toc\Z")


class Files(FileStorage):  # type: ignore[misc] # Whoosh has no types
    """Whoosh's folder, which remembers what it opened: Whoosh leaves files open when reading one fails."""

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self._opened: list[Any] = []

    def open_file(self, name: str, **options: Any) -> Any:
        file = super().open_file(name, **options)
        self._opened = [opened for opened in self._opened if not opened.is_closed]
        self._opened.append(file)
        return file

    def close_files(self) -> None:
        """Close every file that is still open."""
        for file in self._opened:
            if not file.is_closed:
                file.close()
        self._opened.clear()


def open_index(place: Path) -> Any:
    """The Whoosh index (`whoosh.index.FileIndex`) in a generation's folder. Its storage is a `Files`."""
    storage = Files(str(place))
    try:
        return FileIndex(storage, schema=schema.schema(), indexname=NAME)
    except BaseException:
        storage.close_files()
        raise


def latest_commit(place: Path) -> int:
    """The number of the newest commit in a generation's folder, -1 without any."""
    return max((int(found[1]) for name in os.listdir(place) if (found := _COMMIT.match(name))), default=-1)  # noqa: PTH208 - asked before every answer


def build(place: Path, documents: Iterable[dict[str, object]]) -> None:
    """Write a new index into an empty folder."""
    index = FileIndex.create(Files(str(place)), schema.schema(), NAME)
    with writer(index) as pen:
        for document in documents:
            pen.add_document(**document)


@contextmanager
def writer(index: Any) -> Iterator[Any]:
    """A Whoosh writer that commits at the end, or leaves no trace: no ghost documents, no lock kept, no open files."""
    pen = SegmentWriter(index, timeout=WRITER_WAIT_S, codec=schema.codec(), compound=False, limitmb=MEMORY_MB)
    try:
        yield pen
        pen.commit()
    except BaseException:
        _abandon(pen)
        raise
    finally:
        index.storage.close_files()


def force_to_disk(place: Path) -> None:
    """Have the system write a folder and its files to the disk; Whoosh never asks for it."""
    for path in [*place.iterdir(), place]:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def replace_text(path: Path, text: str) -> None:
    """Replace a small file so that a reader, or a kill, meets the old text or the new one."""
    draft = path.with_name(f"{path.name}.new")
    with draft.open("w", encoding="ascii") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)
    handle = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _abandon(pen: Any) -> None:
    try:
        if not pen.is_closed:
            pen.cancel()
    except Exception:  # a writer that failed half-way may fail again here; what counts is the lock
        if pen.writelock is not None and pen.writelock.fd is not None:
            pen.writelock.release()
