"""Where an archive keeps its parts: make one, find one, read its settings.

my-build/
  lastlook.toml     name, scale, time zone, settings
  catalogue.db      SQLite: the system of record
  decisions.jsonl   the same decisions as plain text
  originals/2027/2027-03-14/IMG_0412.JPG
  incoming/         copies under way; empty between runs
  work/             what the viewer is at: jobs, and uploads until they are taken in
  derived/  index/  disposable
"""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote_from_bytes, unquote_to_bytes
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import tomlkit

from lastlook.errors import ArchiveDamaged, ArchiveError, ArchiveExists, NoArchive, UsageError

SETTINGS_FILE = "lastlook.toml"
_RAW_BYTES = "bytes:"


@dataclass(frozen=True, slots=True)
class Settings:
    """What lastlook.toml says. `threshold`: proposals at or above this confidence count until a person says no."""

    name: str
    zone: str
    scale: str = ""
    threshold: float = 0.5
    still_interval_s: float = 20.0
    hold_s: float = 3.0
    max_megapixels: float = 250.0


@dataclass(frozen=True, slots=True)
class Archive:
    """An archive's folder and settings; every path inside it is named here and nowhere else."""

    root: Path
    settings: Settings
    catalogue_name: str = "catalogue.db"  # another one while it is being rebuilt

    @property
    def catalogue(self) -> Path:
        return self.root / self.catalogue_name

    @property
    def decisions(self) -> Path:
        return self.root / "decisions.jsonl"

    @property
    def originals(self) -> Path:
        return self.root / "originals"

    @property
    def incoming(self) -> Path:
        return self.root / "incoming"

    @property
    def work(self) -> Path:
        return self.root / "work"

    @property
    def derived(self) -> Path:
        return self.root / "derived"

    @property
    def index(self) -> Path:
        return self.root / "index"

    def original(self, stored: str, in_place: bool) -> Path:
        """The path of an original by what the catalogue says of it."""
        path = text_to_path(stored)
        return path if in_place else self.root / path


def check_zone(zone: str) -> str:
    """`zone` itself if it is an IANA time zone name; raises UsageError else."""
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            f"there is no time zone {zone!r}", "Give a name like Europe/Copenhagen or America/Halifax."
        ) from None
    return zone


def create(root: Path, *, name: str, zone: str, scale: str = "") -> Archive:
    """Make a new archive folder. Raises ArchiveExists, ArchiveError, UsageError."""
    check_zone(zone)
    if not name.strip():
        raise UsageError("the build has no name", 'Give one with --name "LV-40".')
    if (root / SETTINGS_FILE).exists():
        raise ArchiveExists(f"{root} is an archive already", "Choose another folder, or use the one there.")
    try:
        root.mkdir(parents=True, exist_ok=True)
        for part in ("originals", "derived", "index", "incoming"):
            (root / part).mkdir(exist_ok=True)
        document = tomlkit.document()
        document.add(
            tomlkit.comment("Settings of this archive. The plan of the build is loaded with 'lastlook plan load'.")
        )
        document["name"] = name.strip()
        document["zone"] = zone
        document["scale"] = scale.strip()
        # Written last and whole, so that a folder either is an archive or is not.
        temporary = root / f".{SETTINGS_FILE}.new"
        temporary.write_text(tomlkit.dumps(document), encoding="utf-8")
        temporary.replace(root / SETTINGS_FILE)
    except (FileExistsError, NotADirectoryError):
        raise ArchiveError(f"{root} cannot be made: a file has that name", "Choose another folder.") from None
    except OSError as error:
        raise ArchiveError(f"{root} cannot be made: {error.strerror}", "Choose a folder you may write to.") from error
    return open_at(root)


def open_at(root: Path) -> Archive:
    """The archive in exactly this folder. Raises NoArchive, ArchiveDamaged."""
    path = root / SETTINGS_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise NoArchive(
            f"there is no archive in {root}", "Make one with 'lastlook init', or name one with --archive."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ArchiveDamaged(
            f"{path} cannot be read: {error}", "Put back a copy of this file; it is plain text."
        ) from None
    return Archive(root.absolute(), _settings(path, text))


def find(start: Path) -> Archive:
    """The nearest archive at `start` or upward. Raises NoArchive."""
    start = start.absolute()
    for folder in (start, *start.parents):
        if (folder / SETTINGS_FILE).is_file():
            return open_at(folder)
    raise NoArchive(
        f"there is no archive in {start} or above it",
        "Make one with 'lastlook init DIR --name NAME --zone ZONE', or name one with --archive DIR.",
    )


def path_to_text(path: str | os.PathLike[str]) -> str:
    """A path as text that JSON and SQLite can hold, even where its name is not valid UTF-8."""
    text = os.fspath(path)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return _RAW_BYTES + quote_from_bytes(os.fsencode(text))
    return _RAW_BYTES + quote_from_bytes(os.fsencode(text)) if text.startswith(_RAW_BYTES) else text


def text_to_path(text: str) -> Path:
    """The path that `path_to_text` was given."""
    if text.startswith(_RAW_BYTES):
        return Path(os.fsdecode(unquote_to_bytes(text.removeprefix(_RAW_BYTES))))
    return Path(text)


def _settings(path: Path, text: str) -> Settings:
    hint = "Mend the line, or put back a copy of this file."
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ArchiveDamaged(f"{path.name} cannot be read: {error}", hint) from None
    wanted: dict[str, type] = {"name": str, "zone": str, "scale": str}
    numbers = ("threshold", "still_interval_s", "hold_s", "max_megapixels")
    for key, value in raw.items():
        if key in numbers:
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e9:
                raise ArchiveDamaged(f"{path.name}: {key} must be a number above 0 and below 1e9", hint)
        elif key not in wanted:
            raise ArchiveDamaged(
                f"{path.name}: {key} is no setting", f"Settings are: {', '.join([*wanted, *numbers])}."
            )
        elif not isinstance(value, str):
            raise ArchiveDamaged(f"{path.name}: {key} must be text in quotes", hint)
    if not raw.get("name") or not raw.get("zone"):
        raise ArchiveDamaged(f"{path.name} has no name or no zone", hint)
    try:
        check_zone(raw["zone"])
    except UsageError as error:
        raise ArchiveDamaged(f"{path.name}: {error.message}", error.hint) from None
    given = {key: float(raw[key]) for key in numbers if key in raw}
    return Settings(raw["name"], raw["zone"], raw.get("scale", ""), **given)
