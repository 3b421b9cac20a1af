"""The viewer's page of the hand-over record: what would go in, what is missing, and how the archive is kept."""

from __future__ import annotations

import html
import re
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import bagit
import html5lib
import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from lastlook import care_log, stating
from lastlook.archive import Archive
from lastlook.errors import ArchiveBusy
from lastlook.handing_over import preview
from lastlook.handover import metadata
from lastlook.progress import Progress, Report, Stage
from lastlook.store import Store
from lastlook_web import handover
from lastlook_web.app import create_app
from lastlook_web.config import ViewerConfig
from tests import lightship


@pytest.fixture
def made(lightship_archive: Archive, tmp_path: Path) -> Archive:
    return lightship.copy(lightship_archive, tmp_path)


@pytest.fixture
def client(made: Archive) -> Iterator[FlaskClient]:
    app = create_app(ViewerConfig(made))
    yield app.test_client()
    app.extensions["lastlook-jobs"].close()


def page(client: FlaskClient, address: str) -> str:
    """The page, once what goes in is counted."""
    until = time.monotonic() + 60
    while "data-counting" in (answer := client.get(address)).text and time.monotonic() < until:
        time.sleep(0.05)
    assert answer.status_code == 200, answer.text
    html5lib.HTMLParser(strict=True).parse(answer.text)  # the HTML standard's own parsing rules
    return html.unescape(answer.text)


def test_the_page_says_what_goes_in_and_the_command_that_writes_it(client: FlaskClient, made: Archive) -> None:
    whole = page(client, "/handover")
    assert "Cleaning: not recorded" in whole
    assert "lastlook handover ../record --for client --language en" in whole
    assert "Last good backup" in whole
    assert "never" in whole
    assert "A backup is due" in whole
    narrow = page(client, "/handover?in=MAST&for=repairer&language=de&originals=on&zip=on&since=27+March+2026")
    assert "--for repairer --language de --in MAST --since '27 March 2026' --originals --zip" in narrow
    assert "Reinigung: nicht festgehalten" in narrow
    assert "HULL-A Aft hull: no picture" not in narrow
    assert 'value="MAST" checked' in narrow


def test_the_page_shows_the_age_of_backup_and_check(client: FlaskClient, made: Archive) -> None:
    care_log.add(made, "backup", {"where": "/media/disk", "good": True}, datetime.now(UTC))
    care_log.add(made, "check", {"findings": 2, "read": []}, datetime.now(UTC))
    with Store(made) as store:
        stating.mark_private(store, fields=["client"])
    said = page(client, "/handover")
    assert "less than a day ago, in /media/disk" in said
    assert "2 originals missing or damaged" in said
    assert "A backup is due" not in said
    assert "the fields client" in said


def test_the_page_does_not_wait_until_all_is_counted(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    go_on, said = threading.Event(), threading.Event()

    def slow(*given: Any, report: Report) -> Any:
        report(Progress(Stage.GATHER, 3, 12))
        said.set()
        assert go_on.wait(60)
        return preview(*given, report=report)

    monkeypatch.setattr(handover, "preview", slow)
    try:
        client.get("/handover?for=repairer")
        assert said.wait(60)
        shown = client.get("/handover?for=repairer")
        assert "Gathering pictures 3 of 12" in shown.text
        assert '<progress max="1" value="0.250"' in shown.text
        assert shown.status_code == 200
        assert "It is being counted" in shown.text
        assert 'href="/handover?for=repairer">Look again<' in shown.text
        assert "Write this record" in shown.text
        html5lib.HTMLParser(strict=True).parse(shown.text)
    finally:
        go_on.set()
    assert "Cleaning: not recorded" in page(client, "/handover?for=repairer")


def test_what_could_not_be_counted_is_said_and_tried_again(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ArchiveBusy("the archive is busy", "Try again.")

    monkeypatch.setattr(handover, "preview", broken)
    assert "The archive is busy. Try again." in page(client, "/handover")
    monkeypatch.setattr(handover, "preview", preview)
    assert "Cleaning: not recorded" in page(client, "/handover")


@pytest.mark.parametrize("address", ["/handover?in=NOWHERE", "/handover?language=tlh", "/handover?since=banana"])
def test_what_cannot_be_is_said(client: FlaskClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code in {400, 404}
    assert "Traceback" not in answer.text


def test_a_time_that_cannot_be_read_comes_back_in_its_field(client: FlaskClient) -> None:
    answer = client.get("/handover?in=MAST&since=banana&until=2026-04-01&for=repairer&zip=1")
    assert answer.status_code == 400
    html5lib.HTMLParser(strict=True).parse(answer.text)
    assert 'id="since" name="since" value="banana"' in answer.text
    assert 'name="until" value="2026-04-01"' in answer.text
    assert re.search(r'name="in" value="MAST" checked', answer.text)
    assert re.search(r'name="for" value="repairer" checked', answer.text)
    assert re.search(r'role="alert" id="when-wrong">Cannot read the time .banana', html.unescape(answer.text))
    assert "data-counting" not in answer.text
    assert re.search(r"<button disabled>Write this record", answer.text)


# ------------------------------------------------------------------------------------------------ writing


def ask(client: FlaskClient, **form: object) -> TestResponse:
    token = re.search(r'name="token" value="([^"]+)"', client.get("/handover").text)
    assert token is not None
    return client.post("/handover", data={"token": token[1], **form})


def over(client: FlaskClient, address: str) -> str:
    """The page of a job, once it is over."""
    address = address.partition("#")[0]
    for _ in range(600):
        (job,) = [one for one in client.get("/work/state").json["jobs"] if one["id"] == address.rsplit("/", 1)[1]]  # type: ignore[index]
        if job["state"] not in {"waiting", "running"}:
            return page(client, address)
        time.sleep(0.1)
    raise AssertionError("it is not over after a minute")


def test_a_record_is_written_from_the_page_and_opened_there(client: FlaskClient, made: Archive) -> None:
    before = page(client, "/handover?in=DKH&size=1024&language=de")
    assert "No record was written from here yet" in before
    assert 'name="in" value="DKH"' in before
    answer = ask(client, **{"in": "DKH", "size": "1024", "language": "de", "zip": "1", "for": "repairer"})
    assert answer.status_code == 303
    told = over(client, answer.location)
    assert "Open the record" in told
    (folder,) = [one for one in (made.root.parent / "lightship-records").iterdir() if one.is_dir()]
    bagit.Bag(str(folder)).validate()
    listed = page(client, "/handover")
    assert folder.name in listed
    address = f"/handover/records/{folder.name}/"
    first = client.get(address)
    assert 'lang="de"' in first.text
    html5lib.HTMLParser(strict=True).parse(first.text)
    first.close()
    for file, kind in (("record.pdf", "application/pdf"), ("assets/record.css", "text/css")):
        with client.get(address + file) as got:
            assert (got.status_code, got.mimetype) == (200, kind)
            assert got.data == (folder / "data" / file).read_bytes()
    with client.get(f"/handover/records/{folder.name}.zip") as packed:
        assert packed.data[:4] == b"PK\x03\x04"
        assert "attachment" in packed.headers["Content-Disposition"]
    # What is no file of a record is not there, however it is put.
    for wrong in ("../../lastlook.toml", "%2e%2e/bagit.txt", "..%2f..%2flastlook.toml", "/etc/passwd", "none.html"):
        assert client.get(address + wrong).status_code in {404, 308}, wrong
    assert client.get("/handover/records/../lightship/").status_code == 404


@pytest.mark.parametrize("form", [{"in": "NOWHERE"}, {"language": "tlh"}, {"since": "banana"}, {"size": "9"}])
def test_nothing_is_begun_that_cannot_be(client: FlaskClient, form: dict[str, str]) -> None:
    answer = ask(client, **form)
    assert answer.status_code in {400, 404}
    assert "Traceback" not in answer.text
    assert client.get("/work/state").json == {"jobs": []}


def test_a_form_from_elsewhere_begins_nothing(client: FlaskClient) -> None:
    assert client.post("/handover", data={"token": "guessed"}).status_code == 403
    assert client.get("/work/state").json == {"jobs": []}


def test_a_record_that_is_stopped_leaves_nothing(
    client: FlaskClient, made: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go = threading.Event(), threading.Event()
    copy = metadata.copy

    def slow(*given: Any, **more: Any) -> tuple[int, int]:
        begun.set()
        assert go.wait(30)
        return copy(*given, **more)

    monkeypatch.setattr(metadata, "copy", slow)
    answer = ask(client)
    assert begun.wait(30)
    token = re.search(r'name="token" value="([^"]+)"', client.get(answer.location).text)
    assert token is not None
    assert client.post(f"{answer.location.partition('#')[0]}/stop", data={"token": token[1]}).status_code == 303
    go.set()
    told = over(client, answer.location)
    assert "Stopped" in told
    assert "Go on" in told
    place = made.root.parent / "lightship-records"
    assert not place.exists() or not list(place.iterdir())
