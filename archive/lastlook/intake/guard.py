"""Reading a file in a process of its own, which may hang or crash without harm.

Native decoders crash on broken input and parsers loop; neither can be stopped from within a thread. So each reading
runs in a helper process that is kept and used again (handing a task over costs about 0.1 ms, starting a helper about
0.3 s), ends itself when the time is up, and is replaced. This holds on threads, on processes and on another
machine's workers alike, and since helpers run side by side, the caller needs no more than threads.

As many helpers live as readings ran at the same time. They end with this process, however it ends.
"""

from __future__ import annotations

import atexit
import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any, TypeVar

T = TypeVar("T")

_GRACE_S = 1.5  # how much later than the helper itself we look, before we end it by force
_MEMORY = 3 << 30  # bytes of data a helper may hold: the largest picture we take needs half of it
_ALONE = {
    # One helper is one worker: helpers that each use every core only get in each other's way.
    "OPENCV_FOR_THREADS_NUM": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    # A helper decodes one picture after another: memory that is kept is memory that the system need not clear again,
    # a tenth of the time of a 12-megapixel photo.
    "MALLOC_TRIM_THRESHOLD_": str(256 << 20),
    "MALLOC_MMAP_THRESHOLD_": str(64 << 20),
    "PILLOW_BLOCKS_MAX": "4",
}


class TimeUp(Exception):
    """The task did not end within its time; its helper was ended."""


class Crashed(Exception):
    """The helper ended in the middle of the task: a native decoder crashed, or memory ran out."""


class Failed(Crashed):
    """The task raised: what it says is the exception's own words, and the fault may be the program's."""


class _Helper:
    def __init__(self) -> None:
        ours, theirs = multiprocessing.Pipe(duplex=True)
        try:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    "-P",  # never import from the folder of photos we stand in
                    "-c",
                    f"from lastlook.intake.guard import serve; serve({theirs.fileno()})",
                ],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,  # what native libraries say of broken files
                pass_fds=[theirs.fileno()],
                start_new_session=True,  # Ctrl-C is for us to handle
                env={**os.environ, **_ALONE},
            )
        except BaseException:
            ours.close()
            raise
        finally:
            theirs.close()
        self.connection = ours
        # It finds what we find, wherever our packages come from; but never by where we happen to stand.
        with contextlib.suppress(OSError):  # one that died at once is found out by its first task
            self.connection.send([entry for entry in sys.path if entry])

    def run(self, task: Callable[..., T], arguments: tuple[object, ...], seconds: float) -> T:
        try:
            self.connection.send((task, arguments, seconds))
            done: bool | None = None
            value: Any = _START_S + seconds
            while done is None:  # a sign of life: `value` is what it may take from here
                if not self.connection.poll(value + _GRACE_S):
                    raise TimeUp
                done, value = self.connection.recv()
        except (EOFError, OSError) as error:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(_GRACE_S)
            if self.process.returncode == -signal.SIGALRM:
                raise TimeUp from error
            raise Crashed(_ending(self.process.returncode)) from error
        if not done:
            raise Failed(value)
        return value  # type: ignore[no-any-return]

    def end(self) -> None:
        self.connection.close()
        with contextlib.suppress(ProcessLookupError):
            self.process.kill()
        self.process.wait()


_START_S = 20.0  # a helper's first task waits for its imports, slow on a busy machine; its own clock starts after them
_line: Connection | None = None  # to the master; in a helper only
_idle: list[_Helper] = []
_busy: set[_Helper] = set()
_lock = threading.Lock()


def run(task: Callable[..., T], *arguments: object, seconds: float) -> T:
    """Call the top-level function `task` with picklable `arguments` in a helper, for at most `seconds`, or as long as
    it says that it gets on (`go_on`).

    Raises `TimeUp` or `Crashed`; the helper is then gone and the next call gets a fresh one.
    """
    with _lock:
        helper = _idle.pop() if _idle else None
    if helper is None or helper.process.poll() is not None:
        if helper is not None:
            helper.end()
        helper = _Helper()
    with _lock:
        _busy.add(helper)
    try:
        value = helper.run(task, arguments, seconds)
    except BaseException:
        helper.end()
        raise
    finally:
        with _lock:
            _busy.discard(helper)
    with _lock:
        _idle.append(helper)
    return value


def go_on(seconds: float) -> None:
    """To be called by a task that gets on: it may take `seconds` more from now. Outside a helper nothing happens."""
    if _line is not None:
        signal.setitimer(signal.ITIMER_REAL, seconds)
        _line.send((None, seconds))


def stop() -> None:
    """End all helpers, those at work too: their `run` raises `Crashed`. For leaving in a hurry."""
    with _lock:
        at_work = list(_busy)
    for helper in at_work:
        with contextlib.suppress(ProcessLookupError):
            helper.process.kill()
    close()


def close() -> None:
    """End all idle helpers. A later `run` starts new ones."""
    with _lock:
        helpers, _idle[:] = list(_idle), []
    for helper in helpers:
        helper.end()


def helper_ids() -> list[int]:
    """The process ids of the idle helpers, for those who measure."""
    with _lock:
        return [helper.process.pid for helper in _idle]


def _forget() -> None:
    """After a fork the helpers belong to the parent: two masters on one line would get each other's answers."""
    global _lock
    _lock = threading.Lock()
    for helper in (*_idle, *_busy):
        helper.process.returncode = 0  # not our child; nothing to wait for
        helper.connection.close()
    _idle.clear()
    _busy.clear()


atexit.register(close)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget)


def _ending(code: int | None) -> str:
    if code is None or code >= 0:
        return f"ended with {code}"
    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"


def serve(descriptor: int) -> None:
    """The helper's own loop: take a task, do it against the clock, answer; end when the line closes."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)  # ends the process at once, also from within native code
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (_MEMORY, resource.getrlimit(resource.RLIMIT_DATA)[1]))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    global _line
    _line = connection = Connection(descriptor)
    with contextlib.suppress(EOFError, OSError):
        sys.path[:] = connection.recv()
        while True:
            try:
                task, arguments, seconds = connection.recv()
            except (ImportError, AttributeError) as error:  # a task that only the master can find
                connection.send((False, f"{type(error).__name__}: {error}"[:300]))
                continue
            signal.setitimer(signal.ITIMER_REAL, seconds)
            try:
                answer = (True, task(*arguments))
            except Exception as error:
                answer = (False, f"{type(error).__name__}: {error}"[:300])
            signal.setitimer(signal.ITIMER_REAL, 0)
            connection.send(answer)
