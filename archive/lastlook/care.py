"""Look after an archive on a schedule: check a share of the originals each time, those first that were not read for
longest, and say of what is damaged where a good copy is."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from lastlook import care_log
from lastlook.archive import Archive, text_to_path
from lastlook.care_log import Ages
from lastlook.catalogue import Catalogue, media, paths
from lastlook.catalogue.media import Medium
from lastlook.errors import LastlookError, UsageError
from lastlook.intake import fingerprint
from lastlook.progress import Report, silent
from lastlook.store import Store
from lastlook.verify import Fault, Finding, Verified, verify

_ROT = (Fault.ORIGINAL_MISSING, Fault.ORIGINAL_CHANGED, Fault.ORIGINAL_UNREADABLE)


def share_of(text: str) -> float:
    """ "5%" as 0.05. Raises UsageError."""
    try:
        value = float(text.strip().removesuffix("%"))
    except ValueError:
        value = math.nan
    if not 0 < value <= 100:
        raise UsageError(f"{text!r} is no share of the originals", "Give a share like 5%.")
    return value / 100


def choose(known: Sequence[Medium], last_read: dict[str, str], share: float) -> frozenset[str]:
    """Which originals to read this time: the share that was not read for longest, so that repeating it reads all."""
    count = math.ceil(len(known) * share - 1e-9)
    order = sorted(known, key=lambda one: (last_read.get(care_log.short(one.sha256), ""), one.sha256))
    return frozenset(medium.sha256 for medium in order[:count])


def check(
    archive: Archive,
    *,
    read_all: bool = True,
    share: float | None = None,
    report: Report = silent,
    now: datetime | None = None,
) -> Verified:
    """`lastlook.verify.verify`, with a share of the originals read whole where `share` is given; findings on originals
    say where a good copy is. What was read is noted in the archive's care log; nothing else is changed."""
    try:
        with Catalogue(archive.catalogue, look_only=True) as catalogue:
            known = media.every(catalogue)
            sightings = paths.sightings_of(catalogue, [medium.sha256 for medium in known])
    except LastlookError:
        return verify(archive, read_all=read_all, report=report)
    only = choose(known, care_log.last_read(archive), share) if share is not None else None
    verified = verify(archive, read_all=read_all, only=only, report=report)
    by_place = {medium.stored: medium for medium in known}
    findings = []
    damaged: set[str] = set()
    for finding in verified.findings:
        medium = by_place.get(finding.subject)
        if finding.fault in _ROT and medium is not None:
            damaged.add(medium.sha256)
            places = [text_to_path(one.path) for one in sightings.get(medium.sha256, ())]
            findings.append(_with_copy(archive, finding, medium, places))
        else:
            findings.append(finding)
    if read_all:
        read = [one.sha256 for one in known if (only is None or one.sha256 in only) and one.sha256 not in damaged]
        care_log.add(
            archive,
            "check",
            {
                "share": share or 1.0,
                "findings": sum(one.fault in _ROT for one in findings),
                "read": [care_log.short(each) for each in read],
            },
            now,
        )
    return replace(verified, findings=tuple(findings))


def _with_copy(archive: Archive, finding: Finding, medium: Medium, places: Sequence[Path]) -> Finding:
    """The finding with where a good copy is. Each place is read: a copy is good if its checksum says so."""
    own = archive.original(medium.stored, medium.in_place)
    candidates = [care_log.object_path(backup, medium.sha256) for backup in care_log.backups(archive)]
    for path in (*candidates, *(place for place in places if place != own)):
        try:
            good = path.stat().st_size == medium.size_bytes
            if good and fingerprint.take(os.fspath(path)).sha256 == medium.sha256:
                return replace(finding, hint=f"A good copy is at {path}: put it in its place.")
        except (OSError, fingerprint.Unreadable):
            continue
    return replace(finding, hint=f"{finding.hint} No good copy is known: see older backups, cards and phones.")


def ages(archive: Archive, now: datetime | None = None) -> Ages:
    """How old the last good backup and the last check are."""
    with Catalogue(archive.catalogue, look_only=True) as catalogue:
        sums = media.sums(catalogue)
    log = care_log.log_of(archive)
    return care_log.ages(log, len(sums), log.unread(sums), now)


@dataclass(frozen=True, slots=True)
class _Counted:
    """What `ages_of` counted. `newest`: of the media, `state`: of the log, when it did."""

    newest: tuple[int, int]
    state: tuple[int, int]
    log: care_log.Log
    unread: int


def ages_of(store: Store, now: datetime | None = None) -> Ages:
    """`ages` of an open archive: its originals are counted once, then those that come in."""
    catalogue = store.catalogue
    state = care_log.state(store.archive)

    def make(was: _Counted | None) -> _Counted:
        if was is not None and was.state == state:
            fresh = media.sums(catalogue, was.newest[1])
            if was.newest[0] + len(fresh) == newest[0]:
                return replace(was, newest=newest, unread=was.unread + was.log.unread(fresh))
        log = care_log.log_of(store.archive)
        return _Counted(newest, state, log, log.unread(media.sums(catalogue)))

    with catalogue.reading():
        newest = media.newest(catalogue)
        counted = store.remade("originals read", make, of=(newest, state))
    return care_log.ages(counted.log, newest[0], counted.unread, now)
