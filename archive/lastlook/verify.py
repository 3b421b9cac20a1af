"""Compare disk, catalogue, decisions and text index; list every finding; change nothing."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np

from lastlook.archive import Archive, path_to_text
from lastlook.catalogue import Catalogue, decisions, indexed, media, pictures, placed, plain, tags
from lastlook.catalogue.media import Medium
from lastlook.errors import ArchiveDamaged, LastlookError, TextIndexError, plural
from lastlook.intake import fingerprint
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import TagState
from lastlook.textindex import TextIndex


class Fault(StrEnum):
    """What kind of finding, for programs; `Finding.what` says it for people."""

    ORIGINAL_MISSING = "original-missing"
    ORIGINAL_CHANGED = "original-changed"
    ORIGINAL_UNREADABLE = "original-unreadable"
    ORIGINAL_UNKNOWN = "original-unknown"
    CATALOGUE = "catalogue"
    DECISIONS = "decisions"
    TAGS = "tags"
    DERIVED_MISSING = "derived-missing"
    LEFTOVER = "leftover"
    INDEX = "index"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it should be: its kind, what it is about (a file or an id), and words on both."""

    fault: Fault
    subject: str
    what: str
    hint: str

    @property
    def heals(self) -> bool:
        """It goes away by itself: what can be derived is made again, what was left lying is cleared away."""
        return self.fault in {Fault.DERIVED_MISSING, Fault.INDEX, Fault.LEFTOVER}


@dataclass(frozen=True, slots=True)
class Verified:
    """`files` and `size_bytes` that were read and hashed, and all that was found."""

    files: int
    size_bytes: int
    findings: tuple[Finding, ...]

    @property
    def well(self) -> bool:
        """Nothing was found that somebody has to do something about."""
        return all(finding.heals for finding in self.findings)


def verify(
    archive: Archive, *, read_all: bool = True, only: frozenset[str] | None = None, report: Report = silent
) -> Verified:
    """Check an archive. `read_all` False compares sizes only and reads no original; `only`: checksums of the originals
    that are read whole, of the others sizes are compared."""
    findings: list[Finding] = []
    files = size_bytes = 0
    try:
        catalogue = Catalogue(archive.catalogue, look_only=True)
    except LastlookError as error:
        findings.append(Finding(Fault.CATALOGUE, "catalogue.db", error.message, error.hint))
        findings.extend(_plain(archive, None))
        return Verified(0, 0, tuple(findings))
    with catalogue:
        try:
            findings.extend(_catalogue(catalogue))
            findings.extend(_plain(archive, catalogue))
            findings.extend(_said(catalogue))
            known = media.every(catalogue)
            findings.extend(_lost(catalogue, known))
            for number, medium in enumerate(known):
                report(Progress(Stage.CHECK, number, len(known), note=medium.file))
                whole = read_all and (only is None or medium.sha256 in only)
                finding = _original(archive, medium, read_all=whole)
                if finding is None:
                    if whole or only is None:
                        files += 1
                        size_bytes += medium.size_bytes
                else:
                    findings.append(finding)
            findings.extend(_unknown(archive, known))
            findings.extend(_derived(archive, catalogue))
            findings.extend(_leftovers(archive))
            findings.extend(_index(archive, catalogue))
        except ArchiveDamaged as error:
            findings.append(Finding(Fault.CATALOGUE, "catalogue.db", error.message, error.hint))
    return Verified(files, size_bytes, tuple(findings))


def _catalogue(catalogue: Catalogue) -> Iterator[Finding]:
    hint = "Run 'lastlook rebuild': it makes the catalogue anew from originals and decisions."
    for line in catalogue.integrity():
        yield Finding(Fault.CATALOGUE, "catalogue.db", line, hint)


def _plain(archive: Archive, catalogue: Catalogue | None) -> Iterator[Finding]:
    """The plain-text decisions against the catalogue's."""
    name = archive.decisions.name
    written, faults = plain.read_plain(archive.decisions)
    for fault in faults:
        if catalogue is not None and not decisions.last_seq(catalogue) and fault.endswith("is missing"):
            return  # nothing has been decided yet
        yield Finding(
            Fault.DECISIONS,
            name,
            fault,
            "Run 'lastlook rebuild': it takes them from the catalogue."
            if catalogue is not None
            else "Put back a copy of it, then run 'lastlook rebuild'.",
        )
    if catalogue is None:
        return
    held = {decision.seq: decision for decision in decisions.every(catalogue)}
    there = {decision.seq: decision for decision in written}
    behind = sorted(held.keys() - there.keys())
    if behind and not faults:
        yield Finding(
            Fault.DECISIONS,
            name,
            f"lacks {plural(len(behind), 'decision')} that the catalogue holds, from number {behind[0]} on",
            "The next command that decides something writes them.",
        )
    for seq in sorted(there.keys() - held.keys()):
        yield Finding(
            Fault.DECISIONS,
            name,
            f"decision {seq} is not in the catalogue",
            "The catalogue is older than this file; run 'lastlook rebuild'.",
        )
    for seq in sorted(there.keys() & held.keys()):
        if there[seq] != held[seq]:
            yield Finding(
                Fault.DECISIONS,
                name,
                f"decision {seq} differs from the catalogue's",
                "One of the two was changed by hand: compare them with a backup. 'lastlook rebuild' goes by the file.",
            )


def _lost(catalogue: Catalogue, known: list[Medium]) -> Iterator[Finding]:
    """Files that were taken in and that the catalogue lacks: a rebuild did not find their originals."""
    held = {medium.sha256 for medium in known}
    lost = {str(one.body["sha256"]): str(one.body["stored"]) for one in decisions.live(catalogue, "arrival")}
    for sha256, stored in lost.items():
        if sha256 not in held:
            yield Finding(
                Fault.ORIGINAL_MISSING,
                stored,
                "was taken in, but was not there when the catalogue was rebuilt",
                "Put it back and run 'lastlook rebuild', or take the file in again.",
            )


def _said(catalogue: Catalogue) -> Iterator[Finding]:
    """What people said of pictures, by tags, views and stretches of clips, against the tags that stand."""
    named: dict[str, None] = {}
    for kind in tags.SAYING:
        for decision in decisions.live(catalogue, kind):
            body: Mapping[str, Any] = decision.body
            named.update(dict.fromkeys([*body["pictures"], *placed.in_stretch(catalogue, body)]))
    said = placed.tag_decisions(catalogue, list(named))
    rids = pictures.rids_of_ids(catalogue, list(named))
    standing = tags.standing(catalogue, list(rids.values()))
    for id in named:
        if id not in rids:
            yield Finding(
                Fault.TAGS,
                id,
                "a decision speaks of a picture that is not there",
                "Its original is missing or unreadable; put it back and run 'lastlook rebuild'.",
            )
            continue
        wanted = {(tag.dimension, tag.target, tag.state) for tag in tags.said_by(said[id])[0]}
        has = {
            (tag.dimension, tag.target, tag.state)
            for tag in standing.get(rids[id], ())
            if tag.state is not TagState.PROPOSED
        }
        if wanted != has:
            yield Finding(
                Fault.TAGS, id, "its tags are not what was decided", "Run 'lastlook rebuild': decisions are whole."
            )


def _original(archive: Archive, medium: Medium, *, read_all: bool) -> Finding | None:
    path = archive.original(medium.stored, medium.in_place)
    subject = medium.stored
    try:
        size = path.stat().st_size
    except FileNotFoundError:
        hint = (
            "It was left in place: put it back there, or run 'lastlook relink FOLDER' with where it is now."
            if medium.in_place
            else "Put it back from a backup, or take the file in again."
        )
        return Finding(Fault.ORIGINAL_MISSING, subject, f"{medium.file} is missing", hint)
    except OSError as error:
        return Finding(
            Fault.ORIGINAL_UNREADABLE, subject, f"{medium.file}: {error.strerror}", "Check the disk and permissions."
        )
    hint = "Put the file back from a backup; the catalogue knows its checksum " + medium.sha256[:12] + "…"
    if size != medium.size_bytes:
        return Finding(
            Fault.ORIGINAL_CHANGED, subject, f"{medium.file} has {size} bytes; it had {medium.size_bytes}", hint
        )
    if not read_all:
        return None
    try:
        digest = fingerprint.take(os.fspath(path)).sha256
    except fingerprint.Unreadable as unreadable:
        return Finding(
            Fault.ORIGINAL_UNREADABLE, subject, f"{medium.file} {unreadable.problem.reason}", "Check the disk."
        )
    if digest != medium.sha256:
        return Finding(Fault.ORIGINAL_CHANGED, subject, f"{medium.file} is damaged or was changed", hint)
    return None


def _unknown(archive: Archive, known: list[Medium]) -> Iterator[Finding]:
    stored = {medium.stored for medium in known if not medium.in_place}
    for path in _files(archive.originals):
        name = path_to_text(path.relative_to(archive.root))
        if name not in stored:
            yield Finding(
                Fault.ORIGINAL_UNKNOWN,
                name,
                "lies among the originals, but the catalogue does not know it",
                "It was left alone. Move it out of the archive; a picture of the build can be taken in from there.",
            )


def _derived(archive: Archive, catalogue: Catalogue) -> Iterator[Finding]:
    missing = 0
    for thumb, page, _, _ in pictures.derived_names(catalogue):
        missing += sum(bool(name) and not (archive.derived / name).is_file() for name in (thumb, page))
    if missing:
        yield Finding(
            Fault.DERIVED_MISSING,
            "derived",
            f"{plural(missing, 'thumbnail or page', 'thumbnails and pages')} missing",
            "Nothing to do: each is made again when it is looked at.",
        )


def _leftovers(archive: Archive) -> Iterator[Finding]:
    for path in _files(archive.incoming):
        if path.suffix in {".staged", ".part"}:
            yield Finding(
                Fault.LEFTOVER,
                path_to_text(path.relative_to(archive.root)),
                "is left from an ingest that was stopped, or one is at work now",
                "The next ingest removes it.",
            )


def _index(archive: Archive, catalogue: Catalogue) -> Iterator[Finding]:
    hint = "Nothing to do: it is made again by itself, or now with 'lastlook rebuild --index'."
    try:
        with TextIndex.open(archive.index) as index:
            for line in index.check():
                yield Finding(Fault.INDEX, "index", line, hint)
            held = set(np.asarray(index.rids()).tolist())
    except TextIndexError as error:
        if pictures.every_rid(catalogue):
            yield Finding(Fault.INDEX, "index", error.message, hint)
        return
    waiting = set(indexed.unindexed(catalogue, 1 << 30))
    wanted = set(pictures.every_rid(catalogue))
    lacking, extra = len(wanted - held - waiting), len(held - wanted - waiting)
    if lacking:
        yield Finding(Fault.INDEX, "index", f"does not know {plural(lacking, 'picture')}", hint)
    if extra:
        yield Finding(Fault.INDEX, "index", f"knows {plural(extra, 'picture')} of before", hint)
    if waiting:
        yield Finding(
            Fault.INDEX,
            "index",
            f"has {plural(len(waiting), 'picture')} still to learn",
            "The next question or decision does it.",
        )


def _files(folder: Path) -> Iterator[Path]:
    for base, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            yield Path(base) / name
