"""One process at a time where two would get in each other's way. The lock is gone when its process is."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lastlook.errors import ArchiveBusy


@contextmanager
def held(path: Path, taken: str) -> Iterator[None]:
    """Hold the lock file at `path` (made with its folder). Raises ArchiveBusy with the words `taken`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise ArchiveBusy(taken, "Wait until it has finished, then try again.") from None
        yield
