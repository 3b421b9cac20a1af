"""A file that a phone sends: what is known of it, why it is not taken, and its name."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from lastlook.errors import LastlookError
from lastlook.intake.discover import CLIP_EXTENSIONS, PHOTO_EXTENSIONS, FoundKind, kind_of
from lastlook_web.words import size

_LONGEST_NAME = 120  # letters


class State(StrEnum):
    ARRIVING = "arriving"
    WAITING = "waiting"  # all of it is here, and is taken in soon
    TAKEN = "taken"
    KNOWN = "known"  # the same bytes were here before
    REFUSED = "refused"


class NoRoom(LastlookError):
    """The archive's disk is full."""


class TooLarge(LastlookError):
    """The file is larger than what is taken from a phone."""


class NoPicture(LastlookError):
    """The file is neither photo nor clip, whatever its name says."""


@dataclass(frozen=True, slots=True)
class Upload:
    """`name` as it is stored, `size_bytes` as the phone said it, `modified_ms` since the epoch (0: not said), `have`
    bytes that have come, `at` seconds since the epoch of its last change, `sha256` once it is whole."""

    id: str
    name: str
    size_bytes: int
    modified_ms: int
    by: str
    state: State
    have: int = 0
    at: float = 0.0
    sha256: str = ""
    reason: str = ""
    hint: str = ""

    @property
    def line(self) -> str:
        """Where it stands, in words."""
        if self.state is State.ARRIVING:
            return f"{size(self.have)} of {size(self.size_bytes)} have come"
        if self.state is State.WAITING:
            return "all of it is here and is taken in soon"
        if self.state is State.REFUSED:
            # A reader's reasons go on from a file's name ("is damaged"), or stand by themselves ("this is no clip").
            own = self.reason.startswith(("this ", "its ", "it "))
            return f"not taken in: {self.reason if own else f'it {self.reason}'}"
        return "was here already" if self.state is State.KNOWN else "taken in"


def safe_name(given: str) -> str:
    """A phone's name for a file as a name and nothing else: no folder, no letter that does something, not hidden."""
    name = unicodedata.normalize("NFC", given.encode("utf-8", "replace").decode("utf-8"))
    name = re.split(r"[/\\]", name)[-1]
    name = "".join("_" if each in '<>:"|?*' or not each.isprintable() else each for each in name)
    name = name.strip(" .") or "picture"
    stem, dot, extension = name.rpartition(".")
    if not dot:
        stem, extension = name, ""
    kept = stem[: _LONGEST_NAME - len(extension) - 1] if len(extension) < 10 else name[:_LONGEST_NAME]
    whole = f"{kept}.{extension}" if dot and len(extension) < 10 else kept
    # A file system counts bytes, and gives up at 255 of them.
    while len(whole.encode()) > 200:
        stem = stem[:-8]
        whole = f"{stem}.{extension}" if dot and len(extension) < 10 else stem
    return whole


def fitting_name(name: str, head: bytes) -> str:
    """The name with an extension that does not belie what the file is."""
    found = kind_of(head)
    suffix = Path(name).suffix.lower()
    fits = PHOTO_EXTENSIONS if found is FoundKind.PHOTO else CLIP_EXTENSIONS
    if suffix in fits:
        return name
    return name + (".jpg" if head[:2] == b"\xff\xd8" else ".png" if found is FoundKind.PHOTO else ".mp4")
