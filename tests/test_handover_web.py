"""The viewer's page of the hand-over record: what would go in, what is missing, and how the archive is kept."""

from __future__ import annotations

import html
from datetime import UTC, datetime
from pathlib import Path

import html5lib
import pytest
from flask.testing import FlaskClient

from lastlook import care_log, stating
from lastlook.archive import Archive
from lastlook.store import Store
from lastlook_web.app import create_app
from lastlook_web.config import ViewerConfig
from tests import lightship


@pytest.fixture
def made(lightship_archive: Archive, tmp_path: Path) -> Archive:
    return lightship.copy(lightship_archive, tmp_path)


@pytest.fixture
def client(made: Archive) -> FlaskClient:
    return create_app(ViewerConfig(made)).test_client()


def page(client: FlaskClient, address: str) -> str:
    answer = client.get(address)
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


@pytest.mark.parametrize("address", ["/handover?in=NOWHERE", "/handover?language=tlh", "/handover?since=banana"])
def test_what_cannot_be_is_said(client: FlaskClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code in {400, 404}
    assert "Traceback" not in answer.text
