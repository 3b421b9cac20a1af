"""Where styles, scripts and signs of the pages are asked for: under an address of what they hold all together.

A browser may keep them for good then, and after an upgrade never lays an old script over a new page: the modules of
script name each other by relative addresses, so all of a page are of one state.
"""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from pathlib import Path

FOREVER = 365 * 24 * 3600
"""How long, in seconds, a browser may keep what an address of its content names."""
FOLDER = Path(__file__).parent / "static"


@cache
def address(folder: Path = FOLDER) -> str:
    """The address below which the files of `folder` lie; another one once any of them is another."""
    digest = sha256()
    for path in sorted(folder.iterdir()):
        data = path.read_bytes()
        digest.update(f"{path.name} {len(data)}\n".encode())
        digest.update(data)
    return f"/static/{digest.hexdigest()[:16]}"
