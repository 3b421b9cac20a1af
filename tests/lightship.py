"""The demonstration archive of the lightship, made once a test run and shared by all workers; look, do not change.

Tests that change something copy it: `lightship.copy(made, folder)`.
"""

from __future__ import annotations

import fcntl
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from lastlook import archive, demo
from lastlook.archive import Archive

MEDIA = (Path(__file__).parent.parent / "sample_media").resolve()

UNTOUCHED = "untouched"


def make(factory: pytest.TempPathFactory, worker: str) -> Archive:
    """The archive, made by whichever worker comes first."""
    base = factory.getbasetemp()
    shared = base.parent if worker != "master" else base
    folder = shared / "lightship-demo"
    with (shared / "lightship.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "whole").exists():
            shutil.rmtree(folder, ignore_errors=True)
            with ThreadPoolExecutor(2) as executor:
                demo.build(folder / "lightship", executor=executor)
            shutil.copytree(folder / "lightship", folder / UNTOUCHED)
            (folder / "whole").touch()
    return archive.open_at(folder / "lightship")


def copy(made: Archive, folder: Path) -> Archive:
    """A copy that a test may change: of one that nobody opens, whose files do not come and go while they are copied."""
    shutil.copytree(made.root.parent / UNTOUCHED, folder / "lightship")
    return archive.open_at(folder / "lightship")


@cache
def truth() -> dict[str, Any]:
    """truth.json; its keys are described in sample_media/README.md."""
    loaded: dict[str, Any] = json.loads((MEDIA / "truth.json").read_text(encoding="utf-8"))
    return loaded
