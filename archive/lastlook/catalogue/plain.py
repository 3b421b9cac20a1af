"""`decisions.jsonl`: the decisions as plain text, one JSON object a line, in the order of the catalogue.

It is written after each commit. If a process dies between the two, the next one to write finds the file behind the
catalogue and catches it up. Where the file holds what the catalogue does not (an older catalogue was put back), nothing
more is decided until the catalogue was made anew, so that neither loses anything.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

from lastlook.catalogue import decisions, shapes
from lastlook.catalogue.connection import Catalogue
from lastlook.errors import ArchiveDamaged, ArchiveError, plural
from lastlook.records import Decision

_HINT = "Run 'lastlook rebuild': it brings the two together and loses no decision."


def check_plain(catalogue: Catalogue, path: Path) -> None:
    """Raise ArchiveDamaged where the file holds decisions that the catalogue does not. Call it inside the transaction
    of what is about to be decided: there the catalogue can only be ahead of the file."""
    try:
        with path.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_SH)
            _, seq, uid = _last_whole_line(file)
    except FileNotFoundError:
        return
    except OSError as error:
        raise _unwritable(path, error) from error
    _compare(catalogue, path, seq, uid)


def write_plain(catalogue: Catalogue, path: Path) -> int:
    """Catch the file up with the catalogue; returns how many lines were added.

    May be called at any time and from several processes: a lock on the file itself orders them, and what is already
    there is never written twice. A line torn by a power cut is cut off and written again from the catalogue; a whole
    line that only lacks its end (an editor took it) is kept and ended.
    """
    try:
        with path.open("a+b") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            end, seq, uid = _last_whole_line(file)
            _compare(catalogue, path, seq, uid)
            file.seek(0, os.SEEK_END)
            if file.tell() > end:
                file.truncate(end)
            added = 0
            if end and not _is_ended(file, end):
                file.write(b"\n")
            for decision in decisions.every(catalogue, seq):
                file.write(to_line(decision).encode("utf-8"))
                added += 1
            if added:
                file.flush()
                os.fsync(file.fileno())
    except OSError as error:
        raise _unwritable(path, error) from error
    return added


def rewrite_plain(found: Iterable[Decision], path: Path) -> None:
    """Write the file anew, whole or not at all; the one that was there is kept as `decisions.before-rebuild.jsonl`."""
    fresh = path.with_name(f".{path.name}.new")
    with fresh.open("wb") as file:
        for decision in found:
            file.write(to_line(decision).encode("utf-8"))
        file.flush()
        os.fsync(file.fileno())
    if path.exists():
        kept = path.with_name("decisions.before-rebuild.jsonl")
        kept.unlink(missing_ok=True)
        os.link(path, kept)
    fresh.replace(path)


def read_plain(path: Path) -> tuple[list[Decision], list[str]]:
    """The decisions of a plain-text file, and what is wrong with it, one line each (a torn last line, a gap)."""
    found: list[Decision] = []
    faults: list[str] = []
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return [], [f"{path.name} is missing"]
    except OSError as error:
        return [], [f"{path.name} cannot be read: {error.strerror}"]
    lines = data.split(b"\n")
    torn = lines.pop()
    skipped = 0
    for number, line in enumerate(lines, start=1):
        try:
            decision = from_line(line)
        except (ValueError, TypeError) as error:
            faults.append(f"{path.name} line {number} cannot be read ({type(error).__name__})")
            skipped += 1
            continue
        if decision.seq != len(found) + skipped + 1:
            faults.append(f"{path.name} line {number} has number {decision.seq}, out of order")
        found.append(decision)
    if torn:
        try:
            found.append(from_line(torn))  # whole but for its end: an editor took it
        except (ValueError, TypeError):
            faults.append(f"{path.name}: the last line is torn")
    return found, faults


def only_torn(faults: Sequence[str]) -> bool:
    """Whether all that is wrong is what a power cut does."""
    return all(fault.endswith("the last line is torn") for fault in faults)


def together(written: Sequence[Decision], held: Sequence[Decision]) -> list[Decision]:
    """All decisions of the plain file and of a catalogue, each once, numbered anew: none is lost where one of them is
    older, or damaged, or both went on after they had parted."""
    there = {decision.uid for decision in written}
    at = {decision.seq: decision for decision in written}
    lacking = [decision for decision in held if decision.uid not in there]
    # What only the catalogue holds goes where its number is free (a line that could not be read), else to the end.
    fills = {decision.seq: decision for decision in lacking if decision.seq not in at}
    behind = [decision for decision in lacking if decision.seq in at]
    order = sorted([*written, *fills.values()], key=lambda decision: decision.seq) + behind
    unique = {decision.uid: decision for decision in order}
    return [replace(decision, seq=seq) for seq, decision in enumerate(unique.values(), start=1)]


def to_line(decision: Decision) -> str:
    body = {
        "seq": decision.seq,
        "uid": decision.uid,
        "at": decisions.instant_text(decision.at),
        "by": decision.by,
        "kind": decision.kind,
        "body": decision.body,
    }
    if decision.undoes:
        body["undoes"] = decision.undoes
    return json.dumps(body, ensure_ascii=False, separators=(",", ":")) + "\n"


def from_line(line: bytes | str) -> Decision:
    """Raises ValueError or TypeError where the line is not one of ours."""
    try:
        raw: dict[str, Any] = json.loads(line if isinstance(line, str) else line.decode("utf-8"))
        seq, texts = raw["seq"], [raw["uid"], raw["by"], raw["kind"], raw.get("undoes", "")]
        at = datetime.fromisoformat(raw["at"])
        body = raw["body"]
    except (KeyError, AttributeError, RecursionError) as error:
        raise ValueError("not a decision") from error
    if isinstance(seq, bool) or not isinstance(seq, int) or not all(isinstance(text, str) for text in texts):
        raise TypeError("not a decision")
    if at.tzinfo is None or not texts[0]:
        raise TypeError("not a decision")
    uid, by, kind, undoes = texts
    return Decision(seq, uid, at.astimezone(UTC), by, kind, shapes.checked(kind, body), undoes)


def _compare(catalogue: Catalogue, path: Path, seq: int, uid: str) -> None:
    last = decisions.last_seq(catalogue)
    if seq > last:
        more = plural(seq - last, "more decision")
        raise ArchiveDamaged(f"{path.name} holds {more} than the catalogue: an older catalogue was put back", _HINT)
    if seq and decisions.uid_at(catalogue, seq) != uid:
        raise ArchiveDamaged(f"{path.name} and the catalogue hold different decisions under number {seq}", _HINT)


def _last_whole_line(file: BinaryIO) -> tuple[int, int, str]:
    """Where the last whole readable line ends, its number and uid; (0, 0, '') for an empty file. A last line may lack
    its line break and be whole nevertheless."""
    file.seek(0, os.SEEK_END)
    size = file.tell()
    window = 1 << 16
    while True:
        start = max(0, size - window)
        file.seek(start)
        tail: bytes = file.read(size - start)
        last_break = tail.rfind(b"\n")
        first_break = tail.rfind(b"\n", 0, last_break) if last_break > 0 else -1
        if last_break < len(tail) - 1 and (last_break >= 0 or start == 0):
            with suppress(ValueError, TypeError):
                last = from_line(tail[last_break + 1 :])
                return size, last.seq, last.uid
        if last_break >= 0 and (first_break >= 0 or start == 0):
            try:
                last = from_line(tail[first_break + 1 : last_break])
            except (ValueError, TypeError):
                raise ArchiveDamaged("the last line of decisions.jsonl cannot be read", _HINT) from None
            return start + last_break + 1, last.seq, last.uid
        if start == 0:
            return 0, 0, ""
        window *= 4


def _is_ended(file: BinaryIO, end: int) -> bool:
    file.seek(end - 1)
    return file.read(1) == b"\n"


def _unwritable(path: Path, error: OSError) -> ArchiveError:
    return ArchiveError(
        f"{path.name} cannot be written: {error.strerror or error}",
        "Check the disk and the folder. What was decided is in the catalogue; the next command writes it.",
    )
