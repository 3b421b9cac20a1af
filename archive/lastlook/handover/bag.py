"""A BagIt bag (RFC 8493) around what lies in `data/`: manifests by SHA-256 and SHA-512, Payload-Oxum, bag-info.

Written here and not by a library because the same record has to give the same bytes: no date of today, no name of a
program's version, files in one order. The tests have it validated by the Library of Congress's own program.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from lastlook.progress import Progress, Report, Stage, silent

ALGORITHMS = ("sha256", "sha512")
_BLOCK = 1 << 20


def write(folder: Path, info: Sequence[tuple[str, str]], report: Report = silent) -> None:
    """Make the bag whole: `folder/data/` holds the payload. `info`: labels and values of bag-info.txt, in order."""
    found = sorted(_files(folder / "data"), key=lambda path: path.relative_to(folder).as_posix())
    sizes = 0
    lines: dict[str, list[str]] = {name: [] for name in ALGORITHMS}
    for number, path in enumerate(found):
        report(Progress(Stage.SUMS, number, len(found)))
        sizes += path.stat().st_size
        for name, digest in _digests(path).items():
            lines[name].append(f"{digest}  {encoded(path.relative_to(folder).as_posix())}\n")
    _put(folder / "bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    held = [*info, ("Payload-Oxum", f"{sizes}.{len(found)}")]
    _put(folder / "bag-info.txt", "".join(f"{label}: {_folded(value)}\n" for label, value in held))
    for name in ALGORITHMS:
        _put(folder / f"manifest-{name}.txt", "".join(lines[name]))
    tags = ["bag-info.txt", "bagit.txt", *(f"manifest-{name}.txt" for name in ALGORITHMS)]
    for name in ALGORITHMS:
        sums = [f"{_digests(folder / tag)[name]}  {tag}\n" for tag in tags]
        _put(folder / f"tagmanifest-{name}.txt", "".join(sums))


def encoded(path: str) -> str:
    """A path as a manifest writes it: only line ends and the percent sign are encoded."""
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _folded(value: str) -> str:
    return " ".join(value.split())


def _digests(path: Path) -> dict[str, str]:
    sums = {name: hashlib.new(name) for name in ALGORITHMS}
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            for one in sums.values():
                one.update(block)
    return {name: one.hexdigest() for name, one in sums.items()}


def _put(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


def _files(folder: Path) -> Iterator[Path]:
    for base, _, names in os.walk(folder):
        for name in names:
            yield Path(base) / name
