"""What pages keep is read before the viewer says it is ready, and nothing that fails in it keeps the viewer away."""

from __future__ import annotations

import socket
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

import jinja2
import pytest
from click.testing import CliRunner
from flask import Flask

from lastlook import deciding, viewing
from lastlook.archive import Archive
from lastlook.catalogue import changes, columns, media, pictures, review
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Caches, Store
from lastlook_web import ViewerConfig, comparing, create_app, warming
from lastlook_web import serve as run
from lastlook_web.command import serve
from tests import generated, webarchive
from tests.webarchive import Filled


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


READ_BY_PAGES = (
    (columns, "load"),
    (columns, "rows_with"),
    (review, "open_pictures"),
    (review, "placed_rids"),
    (review, "waiting_rids"),
    (media, "tally"),
    (viewing, "_overview"),
    (comparing, "_pairs"),
    (jinja2.Environment, "compile"),
)
PAGES = ("/", "/build/drawing", "/queue", "/runs", "/closings", "/compare/opening/O4", "/sub/MAST", "/bench")


def counted(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each of what reads much is called from now on."""
    counts: Counter[str] = Counter()

    def watch(holder: Any, name: str) -> None:
        real = getattr(holder, name)

        def called(*given: Any, **named: Any) -> Any:
            counts[name] += 1
            return real(*given, **named)

        monkeypatch.setattr(holder, name, called)

    for holder, name in READ_BY_PAGES:
        watch(holder, name)
    return counts


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def test_a_page_reads_nothing_anew_once_it_is_warm(filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    # With a passcode too: nobody is in, and nobody comes in by it.
    app = create_app(ViewerConfig(filled.archive, by="Ada", passcode="orange wire"))
    counts = counted(monkeypatch)
    warming.warm(app)
    assert {name for _, name in READ_BY_PAGES} == set(counts), "what is watched is what pages read"
    assert not app.extensions["lastlook-visits"].every()
    assert app.test_client().get("/queue").status_code == 303
    counts.clear()
    for address in PAGES:
        with app.test_request_context(address):
            assert app.dispatch_request()
    assert not counts


def test_what_fails_in_it_stops_nothing(filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    app = create_app(ViewerConfig(filled.archive, by="Ada"))
    warned: list[str] = []
    monkeypatch.setattr(warming._log, "warning", lambda form, *given: warned.append(form % given))

    def broken(*given: Any, **named: Any) -> Any:
        raise RuntimeError("the disk has gone")

    monkeypatch.setattr(warming, "_templates", lambda app: None)
    with monkeypatch.context() as now:
        now.setattr(columns, "load", broken)
        warming.warm(app)
    assert any(each.startswith("'/' was not read ahead") and "the disk has gone" in each for each in warned)
    assert app.test_client().get("/").status_code == 200


def test_it_is_warm_before_it_is_ready_and_an_interruption_ends_it(
    filled: Filled, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(warming, "_templates", lambda app: None)
    order: list[str] = []

    def ready(app: Flask) -> None:
        order.append("ready")
        assert app.extensions["lastlook-caches"].columns is not None
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(ViewerConfig(filled.archive, port=free_port()), ready)
    assert order == ["ready"]

    def interrupted(*given: Any, **named: Any) -> Any:
        raise KeyboardInterrupt

    port = free_port()
    monkeypatch.setattr(columns, "load", interrupted)
    told = CliRunner().invoke(serve, ["--archive", str(filled.archive.root), "--port", str(port)])
    assert (told.exit_code, "Ended." in told.output, "http://" in told.output) == (0, True, False)
    with socket.socket() as again:  # its address is free again
        again.bind(("127.0.0.1", port))


def test_a_line_is_told_only_where_it_takes_long(filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    app = create_app(ViewerConfig(filled.archive, by="Ada"))
    lines: list[str] = []

    class Clock:
        """A timer that has run out at once, or never does."""

        out = True

        def __init__(self, seconds: float, act: Any, given: Any) -> None:
            assert seconds == warming.SILENT_S
            self.act, self.given = act, given

        def start(self) -> None:
            if self.out:
                self.act(*self.given)

        def cancel(self) -> None:
            lines.append("over")

    monkeypatch.setattr(threading, "Timer", Clock)
    monkeypatch.setattr(warming, "_templates", lambda app: None)
    monkeypatch.setattr(warming, "_addresses", lambda app: [])
    warming.warm(app, lines.append)
    monkeypatch.setattr(Clock, "out", False)
    warming.warm(app, lines.append)
    assert lines == ["reading the archive …", "over", "over"]


def tag_elsewhere(archive: Archive, count: int) -> None:
    """As another process does it: nothing is shared with the viewer."""
    with Store(archive, by="Ben") as store:
        some = [one.id for one in pictures.by_rids(store.catalogue, pictures.every_rid(store.catalogue)[:count])]
        deciding.tag(store, some, [Target(Dimension.SUBASSEMBLY, store.plan.subassemblies[count % 5].id)])


def test_what_pages_keep_is_read_beside_them_after_a_large_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(changes, "MOST", 10)
    archive = generated.make(tmp_path / "build", 30)
    app = create_app(ViewerConfig(archive, by="Ada"))
    warming.warm(app)
    watch = warming.Watch(app)
    counts = counted(monkeypatch)
    assert not watch.look()
    tag_elsewhere(archive, 3)
    assert not watch.look(settled=True), "few changes are left to the page"
    assert not counts
    tag_elsewhere(archive, 20)
    assert not watch.look(), "more may be under way"
    assert watch.look()
    assert counts["open_pictures"]
    assert not watch.look(settled=True), "once is enough"
    counts.clear()
    for address in PAGES:
        with app.test_request_context(address):
            assert app.dispatch_request()
    assert not counts


def test_a_viewer_sees_a_large_change_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "MOST", 10)
    monkeypatch.setattr(warming, "LOOK_S", 0.05)
    archive = generated.make(tmp_path / "build", 30)
    app = create_app(ViewerConfig(archive, by="Ada"))
    caches: Caches = app.extensions["lastlook-caches"]
    warming.warm(app)
    with warming.kept_warm(app):
        tag_elsewhere(archive, 20)
        with Store(archive) as store:
            now = changes.versions(store.catalogue)
        deadline = time.monotonic() + 20
        while not all(kept[1] == now for kept in caches.followed.values()):
            assert time.monotonic() < deadline
            time.sleep(0.02)
    assert not [one for one in threading.enumerate() if one.name == "keeping warm"]


def test_a_decision_made_here_is_looked_at_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    woken: list[str] = []
    monkeypatch.setattr(warming.Watch, "start", lambda self: None)
    monkeypatch.setattr(warming.Watch, "close", lambda self: None)
    monkeypatch.setattr(warming.Watch, "wake", lambda self: woken.append("woken"))
    app = create_app(ViewerConfig(generated.make(tmp_path / "build", 10), by="Ada"))
    with warming.kept_warm(app):
        client = app.test_client()
        client.get("/queue")
        assert not woken
        client.post("/queue/work", data={"sub": "MAST"})
        assert woken == ["woken"]


def test_two_who_ask_for_the_same_wait_for_one_reading(tmp_path: Path) -> None:
    archive, caches = generated.make(tmp_path / "build", 10), Caches()
    begun, go_on, made = threading.Event(), threading.Event(), []

    def make() -> str:
        made.append("made")
        begun.set()
        assert go_on.wait(20)
        return "what was made"

    def ask() -> None:
        with Store(archive, caches=caches) as store:
            found.append(store.followed("slow", make, lambda was, rids: was))

    found: list[str] = []
    threads = [threading.Thread(target=ask) for _ in range(2)]
    threads[0].start()
    assert begun.wait(20)
    threads[1].start()
    threads[1].join(0.1)
    go_on.set()
    for one in threads:
        one.join(20)
    assert (made, found) == (["made"], ["what was made"] * 2)
