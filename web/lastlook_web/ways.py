"""What to do, on a page: where the archive names a command of the terminal, the page's own way stands instead."""

from __future__ import annotations

import re
from typing import Final

_WAYS: Final = tuple(
    (re.compile(command), way)
    for command, way in (
        (
            r"Trace it on one: 'lastlook mark [^']+', or draw it in the viewer\.",
            "Open an inside picture, choose “trace of a run” under it, and trace it there.",
        ),
        (r" \('lastlook known length [^']+'\)", " (“Give a length”, below)"),
        (r"Give one with 'lastlook known length [^']+'", "Give one with “Give a length”"),
        (r"Give it with 'lastlook known depth [^']+'", "Give it under “How deep it lies”"),
        (r"make the template with --mirror", "take the mirrored template"),
        (r"Name one with --inside\.", "Name one as the inside picture."),
        (r"Run 'lastlook verify' to see", "Check the archive on the page “Work” to see"),
        (r"[Rr]un 'lastlook verify'", "Check the archive on the page “Work”"),
    )
)


def on_page(text: str) -> str:
    """The same advice without a command of the terminal."""
    for command, way in _WAYS:
        text = command.sub(way, text)
    return text
