"""A server of waitress in a thread of its own, ended from within.

Closed from another thread its loop may be waiting at that moment on what is then no open file any more, and the thread
dies of it. So the loop is asked to close itself, through the trigger waitress has for such calls, and runs out.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from waitress import wasyncore
from waitress.server import BaseWSGIServer, MultiSocketServer


@contextmanager
def running(server: Any) -> Iterator[None]:
    """`server` (of one socket or of several) answers while the block runs; after it nothing of it is left."""
    known: Any = server.map if isinstance(server, MultiSocketServer) else server._map
    listening: Any = next(one for one in known.values() if isinstance(one, BaseWSGIServer))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.task_dispatcher.shutdown(timeout=1)
        listening.trigger.pull_trigger(lambda: wasyncore.close_all(known, ignore_all=True))
        thread.join(timeout=5)
        assert not thread.is_alive()
