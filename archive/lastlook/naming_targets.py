"""Names of what is written outside of the archive: whether a disk can hold them is said before anything is begun."""

from __future__ import annotations

import os
from pathlib import Path

from lastlook.errors import UsageError

MOST_BYTES = 240  # systems hold 255; while it is written, a file bears its name with a few letters more


def check_name(path: Path) -> None:
    """Raises UsageError for a name that is too long for a disk."""
    size = len(os.fsencode(path.name))
    if size > MOST_BYTES:
        raise UsageError(
            f"the name {path.name[:24]}… has {size} bytes; {MOST_BYTES} is the most", "Give a shorter name."
        )
