"""When the archive was last backed up and checked: `care.jsonl` beside the catalogue, one JSON object a line.

It says nothing of the build and is no decision: a backup of it is not needed, and a lost one only means that everything
counts as never checked.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from lastlook.archive import Archive

NAME = "care.jsonl"
DUE_DAYS = 7
"""After so many days without a good backup or a check the viewer says so: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Ages:
    """Days since the last good backup, the last check and since every original had been read whole; None: never.

    `where` the last good backup lies; `unread` how many originals were never read whole, of `originals`.
    """

    backup_days: float | None
    check_days: float | None
    where: str
    unread: int
    originals: int
    findings: int

    @property
    def due(self) -> tuple[str, ...]:
        """What should be done now: "backup", "check"."""
        late = (("backup", self.backup_days), ("check", self.check_days))
        return tuple(name for name, days in late if days is None or days > DUE_DAYS)


def add(archive: Archive, what: str, body: Mapping[str, object], now: datetime | None = None) -> None:
    """Append one line. An archive on a medium that cannot be written to stays without."""
    line = {"what": what, "at": (now or datetime.now(UTC)).isoformat(timespec="seconds"), **body}
    try:
        with (archive.root / NAME).open("a", encoding="utf-8") as file:
            file.write(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n")
    except OSError:
        return


def read(archive: Archive) -> list[dict[str, Any]]:
    """All lines that can be read, oldest first; a torn one is passed over."""
    found: list[dict[str, Any]] = []
    try:
        text = (archive.root / NAME).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return found
    for line in text.splitlines():
        try:
            entry = json.loads(line)
            datetime.fromisoformat(entry["at"])
            if isinstance(entry["what"], str):
                found.append(entry)
        except (ValueError, KeyError, TypeError):
            continue
    return found


def state(archive: Archive) -> tuple[int, int]:
    """Changes when something is added to the log."""
    try:
        found = (archive.root / NAME).stat()
    except OSError:
        return 0, 0
    return found.st_mtime_ns, found.st_size


def last_read(archive: Archive) -> dict[str, str]:
    """When each original was last read whole and found well: the beginning of its checksum → RFC 3339."""
    found: dict[str, str] = {}
    for entry in read(archive):
        for digest in entry.get("read", ()):
            found[str(digest)] = str(entry["at"])
    return found


def backups(archive: Archive) -> list[Path]:
    """Folders that hold backups of this archive, the newest first."""
    folders = [Path(str(entry["where"])) for entry in reversed(read(archive)) if entry["what"] == "backup"]
    return list(dict.fromkeys(folders))


@dataclass(frozen=True, slots=True)
class Log:
    """The log as it is told of: its entries without what was read, and the beginnings of all checksums that were."""

    entries: tuple[Mapping[str, Any], ...]
    seen: frozenset[str]

    def unread(self, sums: Iterable[str]) -> int:
        """How many of these originals, by their checksums, were never read whole."""
        return sum(short(each) not in self.seen for each in sums)


def log_of(archive: Archive) -> Log:
    found = read(archive)
    seen = frozenset(str(digest) for entry in found for digest in entry.pop("read", ()))
    return Log(tuple(found), seen)


def ages(log: Log, originals: int, unread: int, now: datetime | None = None) -> Ages:
    """How old the last good backup and check are. `unread` of that many originals were never read whole."""
    now = now or datetime.now(UTC)
    backup = check = None
    where, findings = "", 0
    for entry in log.entries:
        days = (now - datetime.fromisoformat(entry["at"]).astimezone(UTC)).total_seconds() / 86400
        if days < -1:  # written by a clock that was ahead: how long ago it was cannot be told
            continue
        if entry["what"] == "backup" and entry.get("good"):
            backup, where = days, str(entry["where"])
        elif entry["what"] == "check":
            check, findings = days, int(entry.get("findings", 0))
    return Ages(backup, check, where, unread, originals, findings)


def short(sha256: str) -> str:
    """As much of a checksum as the log holds."""
    return sha256[:16]


def object_path(backup: Path, sha256: str) -> Path:
    """Where a backup holds an original, by its content."""
    return backup / "originals" / sha256[:2] / sha256
