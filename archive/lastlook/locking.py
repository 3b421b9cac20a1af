"""One process at a time where two would get in each other's way. The lock is gone when its process is."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lastlook.errors import ArchiveBusy, ArchiveError

_open: set[int] = set()


@contextmanager
def held(path: Path, taken: str) -> Iterator[None]:
    """Hold the lock file at `path` (made with its folder). Raises ArchiveBusy with the words `taken`, ArchiveError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = path.open("a")
    except OSError as error:
        raise ArchiveError(
            f"{path.parent} cannot be written to: {error.strerror}", "Check the folder's permissions."
        ) from error
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise ArchiveBusy(taken, "Wait until it has finished, then try again.") from None
        _open.add(file.fileno())
        try:
            yield
        finally:
            _open.discard(file.fileno())


def _let_go() -> None:
    """Workers forked while the lock is held must not keep it when we are gone. Their copy's end frees nothing here."""
    for descriptor in _open:
        with contextlib.suppress(OSError):
            os.close(descriptor)
    _open.clear()


os.register_at_fork(after_in_child=_let_go)
