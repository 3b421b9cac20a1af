"""The page of long work: started, watched, left, stopped and gone on with, with and without script."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from selenium.webdriver import Chrome
from selenium.webdriver.support.ui import WebDriverWait

from lastlook import indexing, planning, schedule_edits, store
from lastlook.jobs import Cancelled, OpenStore, Parameters, Result, Runner, State
from lastlook.plan.row import fields_of
from lastlook.progress import Progress, Report, Stage
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import browser, webarchive
from tests.browser import every, one, open_page, overflow, size
from tests.media import bench_picture, write_photo
from tests.webarchive import Filled


@dataclass
class Counting:
    """A kind of work that waits at each of its three items until it is let go."""

    name: str = "counting"
    steps: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))
    at: threading.Event = field(default_factory=threading.Event)
    error: Exception | None = None

    def title(self, parameters: Parameters) -> str:
        return f"Count {parameters.get('what', 'screws')}"

    def check(self, open_store: OpenStore, parameters: Parameters) -> Parameters:
        return {"what": parameters.get("what", "screws")}

    def run(self, open_store: OpenStore, parameters: Parameters, report: Report, cancelled: Cancelled) -> Result:
        if self.error is not None:
            raise self.error
        for number in range(3):
            report(Progress(Stage.READ, number, 3, note=f"tray {number}"))
            self.at.set()
            assert self.steps.acquire(timeout=20)
        report(Progress(Stage.READ, 3, 3))
        return Result("3 trays counted", ("One screw is <b>missing</b>.",), findings=True)


@pytest.fixture
def filled(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Filled:
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path)


@pytest.fixture
def counting() -> Counting:
    return Counting()


@pytest.fixture
def app(filled: Filled, counting: Counting) -> Iterator[Flask]:
    app = create_app(ViewerConfig(filled.archive, by="Ines"))
    runner_of(app).add(counting)
    yield app
    for _ in range(9):
        counting.steps.release()
    runner_of(app).close()


def runner_of(app: Flask) -> Runner:
    runner: Runner = app.extensions["lastlook-jobs"]
    return runner


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


def token_of(page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found, "no form with a token"
    return found[1]


def start(client: FlaskClient, **form: str) -> str:
    """Where the browser is sent after starting."""
    token = token_of(client.get("/work").text)
    answer = client.post("/work/start", data={"token": token, **form})
    assert answer.status_code == 303, answer.text
    where, _, place = answer.headers["Location"].partition("#")
    assert f'<h1 id="{place}">' in client.get(where).text, "the focus has a place to go to"
    return where


def act(client: FlaskClient, where: str, name: str) -> str:
    token = token_of(client.get(where).text)
    answer = client.post(f"{where}/{name}", data={"token": token})
    assert answer.status_code == 303, answer.text
    return client.get(answer.headers["Location"]).text


def test_words_of_many_pictures_are_learned_beside_the_pages(
    client: FlaskClient, app: Flask, filled: Filled, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run begins elsewhere: the page answers at once, no question is answered by what was, and then all pictures of
    it are found by the new end."""
    go_on = threading.Event()
    learn = indexing.catch_up

    def later(*given: Any) -> int:
        if threading.current_thread() is not threading.main_thread():
            assert go_on.wait(20)
        return learn(*given)

    shows = f"/picture/{filled.ids['K1000152.JPG']}"  # a picture of the run
    assert shows not in client.get("/?q=quayside").text
    monkeypatch.setattr(store, "LEARNED_AT_ONCE", 0)
    monkeypatch.setattr(indexing, "catch_up", later)
    with Store(filled.archive, by="Ada") as opened:
        run = schedule_edits.find_run(opened.plan, "W03")
        base = planning.uid_in_force(opened)
    token = token_of(client.get("/runs?edit=W03").text)
    form = {**fields_of(run), "from": "Quayside drawer", "of": "W03", "base": base, "token": token}
    assert client.post("/runs/save", data=form).status_code == 303
    busy = client.get("/?q=quayside")
    assert busy.status_code == 503
    assert "found by other words now" in busy.text
    assert client.get("/").status_code == client.get("/queue").status_code == 200
    assert "Learn the plan" in client.get("/work").text
    go_on.set()
    runner_of(app).wait()
    found = client.get("/?q=quayside")
    assert found.status_code == 200
    assert shows in found.text


def test_with_nothing_under_way_the_page_says_so_and_what_can_be_started(client: FlaskClient) -> None:
    page = client.get("/work").text
    assert "Nothing is under way, and nothing was." in page
    for words in ("Look through all pictures", "Read", "No folder is named yet", "No place is known yet"):
        assert words in page


def test_a_job_is_watched_left_and_its_result_read(client: FlaskClient, counting: Counting, app: Flask) -> None:
    where = start(client, kind="counting")
    assert counting.at.wait(20)
    page = client.get(where).text
    assert "Under way" in page
    assert "Reading 0 of 3" in page
    assert 'value="0.0000"' in page
    assert client.get("/work/state").json == {
        "jobs": [{"id": where.rsplit("/", 1)[1], "state": "running", "line": "Reading 0 of 3: tray 0.", "share": 0.0}]
    }
    for _ in range(3):
        counting.steps.release()
    runner_of(app).wait()
    page = client.get(where).text
    assert "3 trays counted." in page
    assert "Asked for by <bdi>Ines</bdi>" in page
    assert "<b>missing" not in page
    assert "One screw is &lt;b&gt;missing&lt;/b&gt;." in page
    assert "Wants a look" in page


def test_it_is_stopped_and_gone_on_with(client: FlaskClient, counting: Counting, app: Flask) -> None:
    where = start(client, kind="counting")
    assert counting.at.wait(20)
    assert "stops at the next item" in act(client, where, "stop")
    counting.steps.release()
    runner_of(app).wait()
    page = client.get(where).text
    assert "Stopped at 1 of 3." in page
    assert "What was done is kept and known again, so it can go on." in page
    counting.at.clear()
    act(client, where, "go-on")
    assert counting.at.wait(20)
    for _ in range(3):
        counting.steps.release()
    runner_of(app).wait()
    assert "Taken off the list" in act(client, where, "forget")
    assert client.get(where).status_code == 404


def test_after_a_restart_it_is_found_where_it_stood(
    client: FlaskClient, counting: Counting, app: Flask, filled: Filled
) -> None:
    where = start(client, kind="counting")
    assert counting.at.wait(20)
    counting.steps.release()
    threading.Timer(0.1, counting.steps.release).start()
    runner_of(app).close()
    again = create_app(ViewerConfig(filled.archive, by="Ines")).test_client()
    page = again.get("/work").text
    assert re.search(r"Stopped at \d of 3: the viewer was ended\.", page)
    assert "Go on" in page
    token = token_of(page)
    # This viewer knows no such kind of work: it says so and loses nothing.
    assert again.post(f"{where}/go-on", data={"token": token}).status_code == 400
    assert "Stopped at" in again.get(where).text


@pytest.mark.parametrize(
    ("page", "action"),
    [("/work", "/work/start"), ("/queue", "/work/start"), ("/closing/O3", "/work/start"), ("/handover", "/handover")],
)
def test_each_form_that_starts_work_is_marked_anew(client: FlaskClient, page: str, action: str) -> None:
    def marks() -> list[str]:
        forms = re.findall(rf'<form[^>]*action="{action}">.*?</form>', client.get(page).text, re.DOTALL)
        assert forms
        return [mark for form in forms for mark in re.findall(r'name="once" value="([\w-]{16,40})"', form)[:1] or [""]]

    first, second = marks(), marks()
    assert "" not in first
    assert len({*first, *second}) == len(first) + len(second)


def test_a_form_that_is_sent_twice_starts_its_work_once(client: FlaskClient, counting: Counting, app: Flask) -> None:
    for _ in range(9):
        counting.steps.release()
    first = start(client, kind="counting", once="a-mark-of-one-form")
    runner_of(app).wait()
    assert start(client, kind="counting", once="a-mark-of-one-form") == first
    assert start(client, kind="counting", once="a-mark-of-another-form") != first
    runner_of(app).wait()
    # What is no mark of ours is none.
    assert len({start(client, kind="counting", once="<short>"), first}) == 2


def test_an_error_is_told_with_what_to_do(client: FlaskClient, counting: Counting, app: Flask) -> None:
    from lastlook.errors import ArchiveBusy

    counting.error = ArchiveBusy("another ingest is at work in this archive", "Wait until it has finished.")
    where = start(client, kind="counting")
    runner_of(app).wait()
    page = client.get(where).text
    assert "Failed" in page
    assert "Another ingest is at work in this archive." in page
    assert "Wait until it has finished." in page


def test_folders_are_chosen_by_a_name_that_tells_no_path(filled: Filled, tmp_path: Path) -> None:
    card = tmp_path / "card of the bench"
    write_photo(card / "a.jpg", bench_picture(320, 240, 5))
    app = create_app(ViewerConfig(filled.archive, inboxes=(card,), backups=(tmp_path / "disk",)))
    client = app.test_client()
    page = client.get("/work").text
    assert "Take in “card of the bench”" in page
    assert "To “disk”" in page
    assert str(tmp_path) not in page
    found = re.search(r'name="from" value="([^"]+)"', page)
    assert found
    where = start(client, kind="take-in", **{"from": found[1]})
    runner_of(app).wait()
    assert "1 file taken in" in client.get(where).text
    for wrong in (str(card), "../x", "", "/etc"):
        token = token_of(client.get("/work").text)
        answer = client.post("/work/start", data={"token": token, "kind": "take-in", "from": wrong})
        assert answer.status_code == 400
        assert "no folder this viewer was given" in answer.text


def test_a_closing_check_and_proposals_are_started_from_their_pages(client: FlaskClient, app: Flask) -> None:
    for page, kind in (("/closing/O3", "check"), ("/queue", "propose")):
        text = client.get(page).text
        assert f'name="kind" value="{kind}"' in text, page
    where = start(client, kind="check", opening="O3")
    runner_of(app).wait()
    page = client.get(where).text
    assert "Closing check of O3" in page
    assert 'href="/closing/O3"' in page


def test_many_jobs_are_listed(client: FlaskClient, counting: Counting, app: Flask) -> None:
    for _ in range(99):
        counting.steps.release()
    for number in range(30):
        start(client, kind="counting", what=f"tray {number}")
        runner_of(app).wait()
    page = client.get("/work").text
    assert page.count('class="job job-done"') == 30
    assert page.index("Count tray 29") < page.index("Count tray 3<")
    assert len(page.encode()) < 150_000


@pytest.mark.parametrize("address", ["/work/start", "/work/j000000000000/stop", "/work/j000000000000/go-on"])
def test_nothing_is_started_by_looking_or_from_elsewhere(client: FlaskClient, app: Flask, address: str) -> None:
    assert client.get(address).status_code in {404, 405}
    assert client.post(address, data={"kind": "verify"}).status_code == 403
    assert runner_of(app).jobs() == []


# ------------------------------------------------------------------------------------------------ in Chromium


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_progress_moves_by_itself_and_the_result_comes(
    driver: Chrome, app: Flask, counting: Counting, client: FlaskClient, width: int
) -> None:
    with browser.served(app) as url:
        size(driver, width)
        browser.complaints(driver)
        start(client, kind="counting")
        assert counting.at.wait(20)
        open_page(driver, url + "/work")
        assert overflow(driver) <= 0
        bar = one(driver, "progress")
        assert bar.accessible_name == "Count screws"
        assert bar.aria_role in {"progressbar", "progress"}
        assert browser.axe(driver) == []
        browser.look(driver, dark=True)
        assert browser.axe(driver) == []
        browser.look(driver)
        counting.steps.release()
        WebDriverWait(driver, 10).until(lambda _: float(bar.get_attribute("value") or 0) > 0.3)
        assert "1 of 3" in one(driver, ".job-line").text
        counting.steps.release()
        counting.steps.release()
        WebDriverWait(driver, 10).until(lambda _: every(driver, ".job-done"))
        assert "3 trays counted." in one(driver, ".job-line").text
        assert "3 trays counted." in str(one(driver, "#work-said").get_attribute("textContent"))
        assert not every(driver, "progress")
        assert browser.axe(driver) == []
        assert browser.complaints(driver) == []
        assert runner_of(app).jobs()[0].state is State.DONE
