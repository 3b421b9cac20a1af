"""An ingest that is killed anywhere and run again makes exactly the archive of one that was left alone.

The moments are not left to chance: a child process counts every change it makes to disk or catalogue and kills itself
at the chosen one. Ctrl-C and a polite kill are sent to the real command.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from lastlook import deciding, ingest, proposing, verify
from lastlook.archive import Archive, open_at
from lastlook.catalogue import Catalogue, decisions, media, plain
from lastlook.catalogue import connection as connection_module
from lastlook.errors import ArchiveBusy
from lastlook.intake import reader
from lastlook.locking import held
from lastlook.store import Store
from tests import archives
from tests.archives import comparable, take
from tests.test_ingest import half_records

pytestmark = pytest.mark.kill


@pytest.fixture(scope="module")
def undisturbed(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Archive:
    made = archives.make(tmp_path_factory.mktemp("undisturbed") / "lv40")
    take(made, bench)
    return made


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return archives.make(tmp_path_factory.mktemp("empty") / "lv40")


COMMAND = "from lastlook.cli.main import script; script()"


class Countdown:
    """Counts changes; kills the process at the chosen one, before it is made."""

    def __init__(self, at: int) -> None:
        self.left = at
        self.count = 0

    def watch(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*args: Any, **kwargs: Any) -> Any:
            self.count += 1
            self.left -= 1
            if self.left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*args, **kwargs)

        return watched


def dying_ingest(where: Archive, bench: Path, at: int) -> int:
    """Ingest in a child that dies at its `at`-th change; returns how many changes it made if it lived on."""
    receive, send = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            countdown = Countdown(at)
            for owner, name in (
                (connection_module.Catalogue, "execute"),
                (connection_module.Catalogue, "execute_many"),
                (Path, "replace"),
                (Path, "mkdir"),
                (Path, "unlink"),
                (Path, "chmod"),
                (os, "fsync"),
            ):
                setattr(owner, name, countdown.watch(getattr(owner, name)))
            ingest._BATCH_FILES = 3
            reader.read_one = reader.read_here
            take(where, bench)
            os.write(send, str(countdown.count).encode())
            code = 0
        finally:
            os._exit(code)
    os.close(send)
    with os.fdopen(receive, "rb") as answer:
        text = answer.read()
    os.waitpid(child, 0)
    return int(text) if text else 0


def copy_of(made: Archive, folder: Path) -> Archive:
    shutil.copytree(made.root, folder)
    return open_at(folder)


def test_killed_at_any_change(bench: Path, empty: Archive, undisturbed: Archive, tmp_path: Path) -> None:
    changes = dying_ingest(copy_of(empty, tmp_path / "whole"), bench, 0)
    assert changes > 200
    assert comparable(open_at(tmp_path / "whole")) == comparable(undisturbed)
    chance = random.Random(40)
    moments = [1, 2, 3, *sorted(chance.sample(range(4, changes), 10)), changes - 1, changes]
    for moment in moments:
        where = copy_of(empty, tmp_path / str(moment))
        assert dying_ingest(where, bench, moment) == 0, "it was not killed"
        with Catalogue(where.catalogue) as catalogue:
            assert half_records(catalogue) == [], moment
        writable = [path for path in where.originals.rglob("*") if path.is_file() and path.stat().st_mode & 0o222]
        assert writable == [], moment
        take(where, bench)
        assert comparable(where) == comparable(undisturbed), moment
        assert verify.verify(where).findings == (), moment
        shutil.rmtree(where.root)


def test_killed_again_and_again(bench: Path, empty: Archive, undisturbed: Archive, tmp_path: Path) -> None:
    """Each run gets a little further than the one before."""
    where = copy_of(empty, tmp_path / "lv40")
    for moment in (60, 90, 130, 170):
        dying_ingest(where, bench, moment)
    take(where, bench)
    assert comparable(where) == comparable(undisturbed)


# What a shell starts in the background inherits that Ctrl-C is ignored; here it is meant to be heard all the same.
HEARING = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_politely(
    bench: Path, empty: Archive, undisturbed: Archive, tmp_path: Path, number: signal.Signals
) -> None:
    """The command keeps what was read, says so, and goes on where it was. What one run read behind a file that was
    still under way is kept too, so that only the order, and with it who keeps the plain name of two, may differ."""
    singles = tmp_path / "bench"
    shutil.copytree(bench, singles, ignore=shutil.ignore_patterns("copies", "deck"))
    for number_of in range(24):  # enough to read that no machine is through before it is stopped
        Image.effect_noise((640, 480), 20 + number_of).save(singles / f"more-{number_of:02}.jpg")
    alone = copy_of(empty, tmp_path / "alone")
    take(alone, singles)
    where = copy_of(empty, tmp_path / "lv40")
    stopped = False
    lock = where.incoming / "ingest.lock"
    for pause in (0.1, 0.4, 0.8):
        lock.unlink(missing_ok=True)
        process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                HEARING + COMMAND,
                "ingest",
                "--jobs",
                "1",
                "--archive",
                str(where.root),
                str(singles),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "LASTLOOK_BY": "Ada"},
        )
        while process.poll() is None and not lock.exists():
            time.sleep(0.02)  # how long a start takes is the machine's matter
        time.sleep(pause)
        process.send_signal(number)
        said, complaint = process.communicate(timeout=60)
        assert "Traceback" not in complaint
        assert process.returncode in (1, -number), complaint
        stopped |= "Stopped." in said
        with Catalogue(where.catalogue) as catalogue:
            assert half_records(catalogue) == []
    take(where, singles)
    assert stopped, "every run had ended before it was stopped"
    got, wanted = comparable(where), comparable(alone)
    assert sorted(map(repr, got.pop("decision"))) == sorted(map(repr, wanted.pop("decision")))
    for found in (got, wanted):
        found["picture"] = [row[:-1] for row in found["picture"]]
    for part in wanted:
        assert got[part] == wanted[part], part


@pytest.mark.parametrize("late", [False, True], ids=["before the commit", "after it"])
def test_interrupted_in_a_commit(
    bench: Path, empty: Archive, undisturbed: Archive, tmp_path: Path, late: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C when originals have been moved: what was read is committed at the end, once."""
    where = copy_of(empty, tmp_path / "lv40")
    owner, name = (plain, "write_plain") if late else (proposing, "propose")
    real, calls = getattr(owner, name), 0

    def interrupted(*args: Any, **kwargs: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == 3:
            raise KeyboardInterrupt
        return real(*args, **kwargs)

    monkeypatch.setattr(ingest, "_BATCH_FILES", 3)
    monkeypatch.setattr(owner, name, interrupted)
    done = take(where, bench)
    assert done.stopped
    with Catalogue(where.catalogue) as catalogue:
        taken = [medium for medium in media.every(catalogue) if not medium.belongs_to]
        assert done.added == len(taken)
    take(where, bench)
    assert comparable(where) == comparable(undisturbed)


def test_killed_between_the_commit_and_the_plain_text(empty: Archive, tmp_path: Path) -> None:
    where = copy_of(empty, tmp_path / "lv40")
    child = os.fork()
    if child == 0:
        setattr(plain, "write_plain", lambda *_: os.kill(os.getpid(), signal.SIGKILL))  # noqa: B010
        try:
            with Store(where, by="Ada") as store:
                deciding.close(store, "O4", "2026-03-27 11:29")
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    lines = where.decisions.read_bytes().splitlines()
    with Catalogue(where.catalogue) as catalogue:
        assert decisions.last_seq(catalogue) == len(lines) + 1
    with Store(where, by="Ada") as store:
        deciding.close(store, "O3", "2026-03-28")
    assert [plain.from_line(line).kind for line in where.decisions.read_bytes().splitlines()][-2:] == ["close"] * 2
    assert verify.verify(where).findings == ()


def test_killed_while_writing_a_line(empty: Archive, tmp_path: Path) -> None:
    where = copy_of(empty, tmp_path / "lv40")
    with Store(where, by="Ada") as store:
        deciding.close(store, "O4", "2026-03-27 11:29")
        whole = where.decisions.read_bytes()
        for cut in (1, 7, len(whole.splitlines(keepends=True)[-1]) - 1, len(whole) - 1):
            where.decisions.write_bytes(whole[:-cut])
            plain.write_plain(store.catalogue, where.decisions)
            assert where.decisions.read_bytes() == whole, cut


def _can_be_held(path: Path) -> bool:
    try:
        with held(path, "taken"):
            return True
    except ArchiveBusy:
        return False


def test_a_killed_run_gives_the_lock_back_although_its_workers_live(tmp_path: Path) -> None:
    """Workers that were forked while the lock was held outlive a process that was killed."""
    code = f"""
import os, pathlib, signal, time
from lastlook.locking import held
with held(pathlib.Path({str(tmp_path / "x" / "lock")!r}), "taken"):
    child = os.fork()
    if child == 0:
        time.sleep(60)
        os._exit(0)
    print(child, flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        worker = int(process.stdout.readline())
        process.wait()
        try:
            # The worker lets go as soon as it runs, which on a busy machine may be after its parent's end.
            until = time.monotonic() + 20
            while not _can_be_held(tmp_path / "x" / "lock"):
                assert time.monotonic() < until
                time.sleep(0.05)
        finally:
            os.kill(worker, signal.SIGKILL)
