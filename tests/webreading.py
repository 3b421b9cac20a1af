"""Reading pages as the tests do: their words, their links, and sending a form that a page shows."""

from __future__ import annotations

import html
import re

from flask.testing import FlaskClient

from lastlook.store import Store
from tests import webarchive
from tests.webarchive import Filled


def text_of(page: str) -> str:
    """The words of a page as they are read: no tags, blanks as one."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def links(page: str) -> list[str]:
    return [html.unescape(found) for found in re.findall(r'href="([^"]*)"', page)]


def a_still(filled: Filled) -> str:
    """The id of a still of the clip."""
    with Store(filled.archive) as store:
        return next(picture.id for picture in webarchive.stills(store))


def send(client: FlaskClient, address: str, form: dict[str, str], page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
    assert found
    answer = client.post(address, data={**form, "token": found[1]})
    assert answer.status_code == 303, answer.text
    return client.get(answer.headers["Location"]).text
