"""How deep things lie, changed in the plan one by one: what is written, refused, and was changed meanwhile."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from lastlook import archive, plan_depths, planning, schedule_edits
from lastlook.archive import Archive
from lastlook.errors import UsageError
from lastlook.planning import PlanMoved
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app

HERE = "http://127.0.0.1:4043"
PLAN = """# mine
[build]
name = "Lightship LV-40"
zone = "Europe/Copenhagen"

[[subassembly]]
id = "MAST" # stands in its foot
title = "Mast"

[[opening]]
id = "O4"
title = "Mast foot"
kind = "bonded"
shows = ["MAST"]
depth_mm = 6
"""


@pytest.fixture
def made(tmp_path: Path) -> Archive:
    made = archive.create(tmp_path / "build", name="Lightship LV-40", zone="Europe/Copenhagen")
    with Store(made, by="Ines", create=True) as store:
        planning.load(store, PLAN, "plan.toml")
    return made


@pytest.fixture
def client(made: Archive) -> FlaskClient:
    return create_app(ViewerConfig(made, by="Ines")).test_client()


def send(client: FlaskClient, path: str, **fields: str) -> tuple[int, str]:
    token = re.search(r'name="token" value="([^"]+)"', client.get("/plan?depth=O4", base_url=HERE).text)
    assert token is not None
    answer = client.post(path, data={"token": token[1], **fields}, base_url=HERE, headers={"Origin": HERE})
    return answer.status_code, answer.text


def test_a_depth_is_written_where_it_stands_and_comes_off(made: Archive) -> None:
    with Store(made, by="Ines") as store:
        base = planning.uid_in_force(store)
        plan_depths.change(store, "MAST", 4, 15, base)
        assert store.plan_text == PLAN.replace('title = "Mast"\n', 'title = "Mast"\ndepth_mm = 4\ndepth_to_mm = 15\n')
        plan_depths.change(store, "MAST", 9.5, None, planning.uid_in_force(store))
        assert plan_depths.words(plan_depths.item_of(store.plan, "mast")) == "9.5 mm"
        plan_depths.change(store, "MAST", None, None, planning.uid_in_force(store))
        assert store.plan_text == PLAN


@pytest.mark.parametrize(("least", "most"), [(None, 4), (-1, None), (5, 4), (2001, None), (0, 1e9)])
def test_a_depth_that_cannot_be_changes_nothing(made: Archive, least: float | None, most: float | None) -> None:
    with Store(made, by="Ines") as store:
        with pytest.raises(UsageError):
            plan_depths.change(store, "O4", least, most, planning.uid_in_force(store))
        assert store.plan_text == PLAN


def test_what_another_changed_meanwhile_is_not_written_over(made: Archive) -> None:
    with Store(made, by="Ines") as store:
        base = planning.uid_in_force(store)
        plan_depths.change(store, "MAST", 4, None, base)
        plan_depths.change(store, "O4", 7, None, base)  # of another thing: both stand
        with pytest.raises(PlanMoved):
            plan_depths.change(store, "O4", 8, None, base)
        assert [plan_depths.words(each) for each in (store.plan.openings[0], store.plan.subassemblies[0])] == [
            "7 mm",
            "4 mm",
        ]
        last = schedule_edits.last_revision(store)
        assert last is not None
        assert last.changes[0].what == "depth_mm 6 → 7"


def test_the_plans_page_keeps_and_takes_back_a_depth(client: FlaskClient) -> None:
    page = client.get("/plan", base_url=HERE).text
    assert "6 mm" in page
    page = client.get("/plan?depth=O4", base_url=HERE).text
    assert 'name="least" value="6"' in page
    base = str(re.search(r'name="base" value="([^"]*)"', page)[1])  # type: ignore[index]
    for least, most, said in (
        ("2 cm", "", "Give it in mm"),
        ("x", "", "no number of mm"),
        ("", "9", "only the greatest"),
    ):
        code, page = send(client, "/plan?depth=O4", of="O4", base=base, least=least, most=most)
        assert code == 400
        assert said in page
        assert f'value="{least or most}"' in page
    assert send(client, "/plan", of="O9", base=base, least="4")[0] == 404
    assert send(client, "/plan?depth=O4", of="O4", base=base, least="4 mm", most="15")[0] == 303
    for path in ("/plan", "/closing/O4"):
        assert "4 to 15 mm" in client.get(path, base_url=HERE).text
    code, page = send(client, "/plan?depth=O4", of="O4", base=base, least="5")
    assert code == 409
    assert "It says 4 to 15 mm" in page
    uid = re.search(r'name="uid" value="([^"]+)"', client.get("/plan", base_url=HERE).text)
    assert uid is not None
    assert send(client, "/plan/undo", uid=uid[1])[0] == 303
    assert "4 to 15 mm" not in client.get("/plan", base_url=HERE).text
    assert send(client, "/plan/undo", uid=uid[1])[0] == 400
    assert "not said" in client.get("/plan", base_url=HERE).text
