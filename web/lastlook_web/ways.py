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
        # Of a closing. The forms in quotes are those of "Record tests, releases, …", which stands on its check.
        (r": 'lastlook view [^']+' or '--not-sharp'", ", with “Say how pictures show it”"),
        (r", then 'lastlook change [^']+'", ", then record “a change”"),
        (r", then 'lastlook done [^']+'", ", then record “a step finished”"),
        (r", then 'lastlook witness [^']+'", ", then record “a witness”"),
        (r", then 'lastlook measure [^']+'", ", then record “a length”"),
        (
            r"send pictures with 'lastlook approval ask [^']+' and record the answer with 'lastlook approval answer',"
            r" or record the client's word: 'lastlook release [^']+'",
            "ask the client, and record the client's word as “a release”",
        ),
        (r", 'lastlook release [^']+'", ": record “a release”"),
        (r": 'lastlook waive'", ": “a waiver”"),
        (r": 'lastlook test [^']+'", ": record “a test”"),
        (r"(list|sheet): 'lastlook adhesive add'", r"\1: “an adhesive's data sheet”"),
        (r"Say why with --reason, as", "Say why, as"),
        (r"with its own time, --at\.", "with its own time."),
        (r"See 'lastlook check [^']+'\.", "See its closing check."),
        (r"with 'lastlook undo [^']+'", "in the list of what was recorded"),
        (r", or record 'lastlook reopen [^']+'", ", or record that it was opened again"),
        (r": 'lastlook close [^']+'", ""),
        (r"take some in with 'lastlook ingest PATH'", "take some in on the page “Work”"),
        (r"Run 'lastlook verify' to see", "Check the archive on the page “Work” to see"),
        (r"Run 'lastlook verify'", "Check the archive on the page “Work”"),
        (r"run 'lastlook verify'", "check the archive on the page “Work”"),
        (r"Check it with 'lastlook verify'", "Check the archive on the page “Work”"),
    )
)


def on_page(text: str) -> str:
    """The same advice without a command of the terminal."""
    for command, way in _WAYS:
        text = command.sub(way, text)
    return text
