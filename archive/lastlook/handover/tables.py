"""The wire schedule and the list of pictures for other programs: CSV (RFC 4180, UTF-8) and JSON.

Keys are not translated; times are RFC 3339 with offset, lengths millimetres, empty where not recorded.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields

from lastlook.handover.content import Content, PictureEntry, RunRow

_RUN = tuple(each.name for each in fields(RunRow))
_PICTURE = (
    *("id", "kind", "title", "caption", "taken_at", "earliest", "latest", "basis", "file", "clip_ms", "sha256"),
    *("width", "height", "subassemblies", "steps", "runs", "parts", "proposed", "original"),
)


def schedule(content: Content) -> list[dict[str, object]]:
    return [{key: _value(value) for key, value in asdict(run).items()} for run in content.runs]


def pictures(content: Content) -> list[dict[str, object]]:
    rows = []
    for entry in in_order(content):
        whole = asdict(entry)
        rows.append({key: _value(whole[key]) for key in _PICTURE} | {"alt": entry.alt})
    return rows


def in_order(content: Content) -> list[PictureEntry]:
    """Pictures by time, those without one last."""
    return sorted(content.pictures.values(), key=lambda one: (not one.taken_at, one.taken_at, one.id))


def schedule_csv(content: Content) -> bytes:
    return _csv(_RUN, schedule(content))


def pictures_csv(content: Content) -> bytes:
    return _csv([*_PICTURE, "alt"], pictures(content))


def to_json(content: Content, key: str, rows: Sequence[Mapping[str, object]]) -> bytes:
    whole = {"build": content.build, "issued": content.issued_on, key: list(rows)}
    return (json.dumps(whole, ensure_ascii=False, indent=2) + "\n").encode()


def _value(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _csv(keys: Sequence[str], rows: Iterable[Mapping[str, object]]) -> bytes:
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\r\n")
    writer.writerow(keys)
    for row in rows:
        writer.writerow([_cell(row[key]) for key in keys])
    # The mark at the beginning tells spreadsheets that it is UTF-8.
    return b"\xef\xbb\xbf" + held.getvalue().encode()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return " ".join(map(str, value))
    text = f"{value:g}" if isinstance(value, float) else str(value)
    # A cell that begins like a formula would be calculated by a spreadsheet; what people wrote is text.
    return "'" + text if text[:1] in "=+@\t\r" or (text[:1] == "-" and not text[1:2].isdigit()) else text
