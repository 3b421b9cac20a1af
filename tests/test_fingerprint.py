"""The fingerprint: SHA-256 of all bytes, a true copy, and no half-written files."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
import time
from pathlib import Path

import pytest

from lastlook.intake import fingerprint
from lastlook.intake.fingerprint import Unreadable, take


def test_hash_is_that_of_sha256sum(tmp_path: Path) -> None:
    # Reference program: sha256sum of GNU coreutils.
    path = tmp_path / "LV40_0001.jpg"
    path.write_bytes(os.urandom(3_000_001))
    program = shutil.which("sha256sum")
    assert program is not None
    said = subprocess.run([program, str(path)], capture_output=True, check=True, text=True).stdout.split()[0]
    assert take(str(path)).sha256 == said
    assert take(str(path), keep=True).data == path.read_bytes()


@pytest.mark.parametrize("size", [0, 1, (1 << 20) - 1, 1 << 20, (17 << 20) + 5])
@pytest.mark.parametrize("keep", [True, False])
def test_copy_has_the_bytes_and_the_time(tmp_path: Path, size: int, keep: bool) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(os.urandom(size))
    os.utime(path, ns=(1_700_000_000_123_456_789, 1_700_000_000_987_654_321))
    staging = tmp_path / "staging"
    staging.mkdir()
    taken = take(str(path), staging=staging, keep=keep)
    assert taken.staged == fingerprint.staged_path(staging, taken.sha256)
    assert taken.staged is not None
    assert taken.staged.read_bytes() == path.read_bytes()
    assert taken.staged.stat().st_mtime_ns == path.stat().st_mtime_ns == taken.mtime_ns
    assert taken.sha256 == take(str(path)).sha256
    assert [entry.name for entry in staging.iterdir()] == [taken.staged.name]


def test_a_file_that_grows_is_still_being_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(bytes(3 << 20))
    staging = tmp_path / "staging"
    staging.mkdir()
    read = os.read

    def and_grow(descriptor: int, length: int) -> bytes:
        with path.open("ab") as more:
            more.write(b"x" * 1000)
        monkeypatch.setattr(os, "read", read)
        return read(descriptor, length)

    monkeypatch.setattr(os, "read", and_grow)
    with pytest.raises(Unreadable) as caught:
        take(str(path), staging=staging)
    assert "still being written" in caught.value.problem.reason
    assert list(staging.iterdir()) == []


def test_a_touched_file_is_still_being_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(bytes(100))
    read = os.read

    def and_touch(descriptor: int, length: int) -> bytes:
        os.utime(path, ns=(1, 1))
        return read(descriptor, length)

    monkeypatch.setattr(os, "read", and_touch)
    with pytest.raises(Unreadable, match="still being written"):
        take(str(path))


def test_what_is_no_file_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "link.jpg").symlink_to(tmp_path / "a.jpg")
    (tmp_path / "a.jpg").write_bytes(b"x")
    started = time.monotonic()
    for name, word in (("pipe.jpg", "ordinary"), ("link.jpg", "link"), ("gone.jpg", "gone"), (".", "ordinary")):
        with pytest.raises(Unreadable, match=word):
            take(str(tmp_path / name))
    assert time.monotonic() - started < 2


def test_no_room_for_the_copy_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(bytes(100))

    def full(_descriptor: int, _data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(Unreadable, match="disk is full"):
        take(str(path), staging=tmp_path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.jpg"]


def test_the_same_file_twice_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(os.urandom(2 << 20))
    taken: list[fingerprint.Fingerprint] = []
    threads = [
        threading.Thread(target=lambda: taken.append(take(str(path), staging=tmp_path, keep=True))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({one.sha256 for one in taken}) == 1
    assert len(taken) == 4
    assert taken[0].staged is not None
    assert taken[0].staged.read_bytes() == path.read_bytes()
