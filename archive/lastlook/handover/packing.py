"""One ZIP file of a record, for Windows and macOS: UTF-8 names, sizes over 4 GiB, the same record in the same bytes."""

from __future__ import annotations

import os
import zipfile
from datetime import UTC, datetime
from pathlib import Path

from lastlook.progress import Progress, Report, Stage, silent

_PRESSED = {".jpg", ".jpeg", ".png", ".pdf", ".heic", ".mp4", ".mov", ".zip"}  # pressing these again gains nothing
_READABLE = 0o100644 << 16
_BLOCK = 1 << 20
_FIRST, _LAST = datetime(1980, 1, 1, tzinfo=UTC), datetime(2107, 12, 31, tzinfo=UTC)


def write(folder: Path, target: Path, stamp: datetime, report: Report = silent, *, name: str) -> None:
    """Pack `folder` into `target`, all of it inside a folder `name`. `stamp` becomes the date of every file (the format
    knows no time zone and no year but 1980 to 2107; it is written in UTC)."""
    moment = min(max(stamp.astimezone(UTC), _FIRST), _LAST)
    date = (moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second // 2 * 2)
    found = sorted(Path(base) / each for base, _, names in os.walk(folder) for each in names)
    with zipfile.ZipFile(target, "w", allowZip64=True) as packed:
        for number, path in enumerate(found):
            report(Progress(Stage.SUMS, number, len(found)))
            info = zipfile.ZipInfo(f"{name}/{path.relative_to(folder).as_posix()}", date_time=date)
            info.create_system = 3
            info.external_attr = _READABLE
            info.compress_type = zipfile.ZIP_STORED if path.suffix.lower() in _PRESSED else zipfile.ZIP_DEFLATED
            info.file_size = path.stat().st_size  # known before, so that large files get the larger fields
            with path.open("rb") as file, packed.open(info, "w") as into:
                while block := file.read(_BLOCK):
                    into.write(block)
