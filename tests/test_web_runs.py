"""Runs: the wire schedule on its page, changed row by row as the plan would be loaded, and each run's own page."""

from __future__ import annotations

import base64
import io
import re
import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import given, settings
from selenium.webdriver import Chrome
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from lastlook import closing_check, deciding, marking, planning, rebuild, recording, run_record, schedule_edits
from lastlook.acts import Act
from lastlook.catalogue import decisions, dump
from lastlook.closing.records import ViewKind
from lastlook.deciding import Target
from lastlook.errors import NoSuchId, UsageError
from lastlook.find import find
from lastlook.plan.colours import COLOURS
from lastlook.plan.row import fields_of, read_fields
from lastlook.planning import PlanMoved
from lastlook.records import Dimension, Plan, Question, Run, RunStatus
from lastlook.run_record import Place
from lastlook.schedule_edits import FieldsAtFault, RunMoved
from lastlook.store import Store
from lastlook_web import ViewerConfig, create_app
from tests import browser, webarchive
from tests.browser import every, one, open_page, overflow, size
from tests.plan_strategies import plans
from tests.webarchive import Filled
from tests.webreading import send, text_of

WIDTHS = (1280, 390)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture
def copy(filled: Filled, tmp_path: Path) -> Filled:
    return webarchive.copied(filled, tmp_path)


@pytest.fixture
def store(copy: Filled) -> Iterator[Store]:
    with Store(copy.archive, by="Ines") as store:
        yield store


def client_of(filled: Filled, by: str = "Ines") -> FlaskClient:
    return create_app(ViewerConfig(filled.archive, by=by)).test_client()


def form_of(page: str) -> dict[str, str]:
    """What the form of the edited row would send."""
    shown = page[page.index('id="edit"') : page.index("</form>", page.index('id="edit"'))]
    found = dict(re.findall(r'name="(\w+)" value="([^"]*)"', shown))
    for name, options in re.findall(r'<select[^>]* name="(\w+)"[^>]*>(.*?)</select>', shown, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected', options)
        found[name] = chosen[1] if chosen else ""
    return {name: value.replace("&#34;", '"').replace("&amp;", "&") for name, value in found.items()}


def ids_of(page: str) -> list[str]:
    return re.findall(r'<tr id="run-([^"]+)"', page)


# ------------------------------------------------------------------------------------------------ fields


@given(plans())
@settings(max_examples=60)
def test_what_stands_in_the_fields_reads_back_as_the_run(plan: Plan) -> None:
    for run in plan.runs:
        again, faults = read_fields(fields_of(run), plan, of=run.id)
        assert faults == {}
        assert again == run


def test_faults_are_said_of_their_field(store: Store) -> None:
    plan = store.plan
    typed = {
        **fields_of(schedule_edits.find_run(plan, "W03")),
        "title": " ",
        "colour": "blurple",
        "tracer": "WH",
        "gauge_awg": "99",
        "cut_length_mm": "1,234",
        "loop_mm": "9 parsec",
        "volts": "five",
        "subassemblies": "MASTT LAN",
        "crosses": "O9",
        "status": "gone",
    }
    _, faults = read_fields(typed, plan, of="W03")
    assert {key: said[0].split(";")[0] for key, said in faults.items()} == {
        "title": "Title is empty",
        "colour": 'Colour "blurple" is no colour code of IEC 60757',
        "gauge_awg": "Gauge (AWG) 99 is outside AWG 24 to 36",
        "cut_length_mm": 'Cut length (mm) "1,234" can be read in two ways',
        "loop_mm": 'Loop (mm) "9 parsec" is no number',
        "volts": 'Volts (V) "five" is no number',
        "subassemblies": 'there is no subassembly "MASTT"',
        "crosses": 'there is no opening "O9"',
        "status": 'Status "gone" is not known',
    }
    assert "did you mean MAST?" in faults["subassemblies"][0]
    with pytest.raises(FieldsAtFault):
        schedule_edits.change(store, "W03", typed, planning.uid_in_force(store))
    taken, faults = read_fields({**fields_of(plan.runs[0]), "id": "hull-f"}, plan)
    assert "has a subassembly of the id" in faults["id"][0]
    assert taken.id == "hull-f"


@pytest.mark.parametrize(
    ("key", "typed", "value"),
    [
        ("cut_length_mm", "62 cm", 620.0),
        ("cut_length_mm", "24 in", 609.6),  # an inch is 25.4 mm (ISO 31-1)
        ("milliamps", "0,5 A", 500.0),
        ("gauge_awg", "AWG 28", 28),
        ("colour", "grey", "GY"),
        ("subassemblies", "mast; lan", ("MAST", "LAN")),
    ],
)
def test_a_field_is_read_as_a_builder_writes_it(store: Store, key: str, typed: str, value: object) -> None:
    run, faults = read_fields({**fields_of(schedule_edits.find_run(store.plan, "W03")), key: typed}, store.plan, "W03")
    assert faults == {}
    assert getattr(run, key) == value


# ------------------------------------------------------------------------------------------------ changing the plan


def test_a_change_is_written_into_the_plan_as_it_was_written(store: Store) -> None:
    before = store.plan_text
    typed = {**fields_of(schedule_edits.find_run(store.plan, "W03")), "cut_length_mm": "650"}
    done = schedule_edits.change(store, "w03", typed, planning.uid_in_force(store))
    assert [change.what for change in done.changes] == ["cut_length_mm 610 → 650"]
    # Only that line differs: the builder's remarks and order stay.
    pairs = zip(before.splitlines(), store.plan_text.splitlines(), strict=True)
    assert [(old, new) for old, new in pairs if old != new] == [("cut_length_mm = 610", "cut_length_mm = 650")]
    assert decisions.last_live(store.catalogue, "plan") == done.decision
    assert schedule_edits.undo(store, done.decision.uid if done.decision else "").changes == done.changes
    assert store.plan_text == before


def test_what_a_row_has_no_field_for_stays(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schedule_edits, "_TYPED", schedule_edits._TYPED - {"polarity"})
    typed = {**fields_of(schedule_edits.find_run(store.plan, "W03")), "cut_length_mm": "650"}
    del typed["polarity"]
    schedule_edits.change(store, "W03", typed, planning.uid_in_force(store))
    assert schedule_edits.find_run(store.plan, "W03").polarity == "+"


def test_nobodys_change_is_written_over_unseen(store: Store, copy: Filled) -> None:
    base = planning.uid_in_force(store)
    mine = {**fields_of(schedule_edits.find_run(store.plan, "W03")), "cut_length_mm": "650"}
    with Store(copy.archive, by="Jonas") as other:
        theirs = {**fields_of(schedule_edits.find_run(other.plan, "W03")), "colour": "OG"}
        schedule_edits.change(other, "W03", theirs, base)
    with pytest.raises(RunMoved) as moved:
        schedule_edits.change(store, "W03", mine, base)
    assert (moved.value.what, moved.value.by) == ("colour WH → OG", "Jonas")
    assert schedule_edits.find_run(store.plan, "W03").colour == "OG"
    # Another run is as it was when the page was shown: it may be changed, and theirs stays.
    spare = {**fields_of(schedule_edits.find_run(store.plan, "W10")), "loop_mm": "30"}
    schedule_edits.change(store, "W10", spare, base)
    assert schedule_edits.find_run(store.plan, "W03").colour == "OG"
    assert schedule_edits.find_run(store.plan, "W10").loop_mm == 30


def test_a_plan_that_moved_between_looking_and_writing_is_not_written_over(store: Store) -> None:
    text = store.plan_text
    with pytest.raises(PlanMoved):
        planning.load(store, text.replace("Lantern plus", "Lantern feed"), "plan.toml", after="f" * 32)
    assert store.plan_text == text


def test_a_run_is_added_retired_and_taken_out(store: Store) -> None:
    typed = {"id": "W11", "title": "Fog horn plus", "colour": "BU", "subassemblies": "MAST", "cut_length_mm": "200"}
    added = schedule_edits.add(store, typed)
    assert [(change.kind.value, change.id) for change in added.changes] == [("added", "W11")]
    with pytest.raises(FieldsAtFault, match="nothing was written"):
        schedule_edits.add(store, typed)
    retired = schedule_edits.retire(store, "W11", planning.uid_in_force(store))
    assert schedule_edits.find_run(store.plan, "W11").status is RunStatus.ABANDONED
    assert retired.decision is not None
    with pytest.raises(UsageError, match="already"):
        schedule_edits.retire(store, "W11", planning.uid_in_force(store))
    with pytest.raises(UsageError, match="step S04, step S16, opening O2, pictures or decisions name it"):
        schedule_edits.remove(store, "W07", planning.uid_in_force(store))
    schedule_edits.remove(store, "W11", planning.uid_in_force(store))
    with pytest.raises(NoSuchId):
        schedule_edits.find_run(store.plan, "W11")


def test_an_added_run_that_pictures_show_is_not_undone_away(store: Store, copy: Filled) -> None:
    added = schedule_edits.add(store, {"id": "W11", "title": "Fog horn plus"})
    assert added.decision is not None
    deciding.tag(store, [copy.last_before_o4], [Target(Dimension.RUN, "W11")])
    with pytest.raises(UsageError, match="refer to W11"):
        schedule_edits.undo(store, added.decision.uid)
    deciding.undo(store)
    schedule_edits.undo(store, added.decision.uid)


def test_only_the_plan_in_force_is_taken_back(store: Store) -> None:
    first = schedule_edits.add(store, {"id": "W11", "title": "Fog horn plus"})
    schedule_edits.add(store, {"id": "W12", "title": "Fog horn common"})
    assert first.decision is not None
    with pytest.raises(UsageError, match="changed again since"):
        schedule_edits.undo(store, first.decision.uid)


def test_figures_alone_leave_the_rest_of_the_archive_as_a_rebuild_would(copy: Filled) -> None:
    """The short way for figures, ends and status of runs ends in the same rows as doing everything anew."""
    with Store(copy.archive, by="Ines") as store:
        typed = {**fields_of(schedule_edits.find_run(store.plan, "W03")), "milliamps": "25", "to": "BEACON.LED+"}
        done = schedule_edits.change(store, "W03", typed, planning.uid_in_force(store))
        assert find(store, Question(words="beacon")).total > 0, "pictures are found by the new end"
        named = {**fields_of(schedule_edits.find_run(store.plan, "W05")), "aliases": "dockside"}
        schedule_edits.change(store, "W05", named, planning.uid_in_force(store))
        deciding.undo(store)
        before = dump.dump(store.catalogue)
    with ThreadPoolExecutor(2) as executor:
        rebuild.rebuild(copy.archive, executor=executor)
    with Store(copy.archive, by="Ines") as store:
        assert dump.dump(store.catalogue) == before
        assert done.decision is not None
        schedule_edits.undo(store, done.decision.uid)
        assert find(store, Question(words="beacon")).total == 0


# ------------------------------------------------------------------------------------------------ the table


def test_the_schedule_says_each_colour_in_code_and_name(filled: Filled) -> None:
    page = client_of(filled).get("/runs").text
    words = text_of(page)
    with Store(filled.archive) as store:
        for run in store.plan.runs:
            name = next(colour.name for colour in COLOURS if colour.code == run.colour)
            assert f"{run.id} {run.title} {run.colour} {name}" in words
    assert page.count('class="wire-drawn"') == 10
    assert "Wire in these rows: AWG 26 0.84 m, AWG 28 0.76 m, AWG 30 2.37 m." in words  # 420+420; 380+380; the rest


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("q=lantern", ["W03", "W04"]),
        ("q=bhd-11+orange", ["W05"]),
        ("in=LAN", ["W03", "W04"]),
        ("status=spare", ["W10"]),
        ("colour=BK", ["W02", "W08"]),
        ("colour=BK&in=hull-a", ["W02"]),
        ("q=fog+horn", []),
        ("in=MAST&sort=current", ["W03", "W04", "W05", "W06", "W10"]),
        ("in=MAST&sort=current&down=1", ["W10", "W05", "W06", "W03", "W04"]),
        ("in=MAST&sort=colour", ["W05", "W06", "W10", "W04", "W03"]),  # orange, blue, violet, grey, white: IEC 60757
        ("in=MAST&sort=strange", ["W03", "W04", "W05", "W06", "W10"]),
    ],
)
def test_the_schedule_is_narrowed_and_sorted_by_its_address(filled: Filled, query: str, wanted: list[str]) -> None:
    page = client_of(filled).get(f"/runs?{query}").text
    assert ids_of(page) == wanted
    if not wanted:
        assert "No run fits" in text_of(page)


def test_a_heading_sorts_up_then_down_then_as_the_plan(filled: Filled) -> None:
    client = client_of(filled)
    address = "/runs?in=MAST"
    seen = []
    for _ in range(3):
        page = client.get(address).text
        head = re.search(r'<th scope="col"([^>]*)><a href="([^"#]*)#schedule">Cut', page)
        assert head
        seen.append(head[1].strip())
        address = head[2].replace("&amp;", "&")
    assert seen == ["", 'aria-sort="ascending"', 'aria-sort="descending"']
    assert address == "/runs?in=MAST"


def test_numbers_in_ids_sort_as_numbers(copy: Filled) -> None:
    with Store(copy.archive) as store:
        for id in ("W2", "W100"):
            schedule_edits.add(store, {"id": id, "title": "x"})
    shown = ids_of(client_of(copy).get("/runs?q=w&sort=id").text)
    assert (shown[:4], shown[-1]) == (["W01", "W02", "W2", "W03"], "W100")


def test_a_row_is_edited_saved_and_taken_back(copy: Filled) -> None:
    client = client_of(copy)
    page = "/runs?in=MAST&edit=W03"
    form = form_of(client.get(page).text)
    assert (form["of"], form["colour"], form["cut_length_mm"]) == ("W03", "WH", "610")
    saved = send(client, "/runs/save", {**form, "colour": "BU", "tracer": "WH"}, page)
    assert "W03: colour WH → BU, tracer none → WH." in text_of(saved)
    assert ids_of(saved) == ["W03", "W04", "W05", "W06", "W10"], "the narrowing is kept"
    assert "BU/WH blue with white tracer" in text_of(saved)
    uid = re.search(r'name="uid" value="([0-9a-f]+)"', saved)
    assert uid
    back = send(client, "/runs/undo", {"uid": uid[1], "view": "in=MAST"}, page)
    assert "Taken back: W03: colour BU → WH" in text_of(back) or "Taken back: W03: colour WH → BU" in text_of(back)
    assert "WH white" in text_of(back)


def test_what_is_wrong_stands_beside_its_field(copy: Filled) -> None:
    client = client_of(copy)
    form = form_of(client.get("/runs?edit=W03").text)
    token = re.search(r'name="token" value="([^"]+)"', client.get("/runs?edit=W03").text)
    assert token
    with Store(copy.archive) as store:
        before = decisions.last_seq(store.catalogue)
    sent = {**form, "token": token[1], "gauge_awg": "99", "loop_mm": "700"}
    answer = client.post("/runs/save", data=sent)
    assert answer.status_code == 400
    shown = answer.text
    assert "2 fields need a look, nothing was written." in text_of(shown)
    for key, words in (("gauge_awg", "is outside AWG 24 to 36"), ("loop_mm", "is longer than Cut length (mm) 610")):
        field = shown[shown.index(f'id="f-{key}"') :][:1200]
        assert 'aria-invalid="true"' in field[: field.index(">")]
        assert f'aria-describedby="fault-{key}' in field[: field.index(">")]
        assert words in text_of(field)
    assert form_of(shown)["loop_mm"] == "700", "what was typed stays"
    with Store(copy.archive) as store:
        assert decisions.last_seq(store.catalogue) == before
    assert client.post("/runs/save", data={**form, "token": "none"}).status_code == 403


def test_a_stale_edit_is_told_and_saving_again_is_a_decision(copy: Filled) -> None:
    client, other = client_of(copy), client_of(copy, by="Jonas")
    mine = form_of(client.get("/runs?edit=W03").text)
    theirs = form_of(other.get("/runs?edit=W03").text)
    send(other, "/runs/save", {**theirs, "to": "LAN.LED2+"}, "/runs?edit=W03")
    token = re.search(r'name="token" value="([^"]+)"', client.get("/runs").text)
    assert token
    told = client.post("/runs/save", data={**mine, "cut_length_mm": "650", "token": token[1]})
    assert told.status_code == 409
    words = text_of(told.text)
    assert "W03 was changed meanwhile by Jonas: to LAN.LED+ → LAN.LED2+. Nothing was written." in words
    assert "It says “LAN.LED2+” now." in words
    with Store(copy.archive) as store:
        assert schedule_edits.find_run(store.plan, "W03").cut_length_mm == 610
    again = form_of(told.text)
    assert (again["cut_length_mm"], again["to"]) == ("650", "LAN.LED+")
    send(client, "/runs/save", {**again, "to": "LAN.LED2+"}, "/runs")
    with Store(copy.archive) as store:
        run = schedule_edits.find_run(store.plan, "W03")
        assert (run.cut_length_mm, run.target) == (650, "LAN.LED2+")


def test_a_run_is_added_and_retired_on_the_page(copy: Filled) -> None:
    client = client_of(copy)
    form = form_of(client.get("/runs?edit=new").text)
    added = send(client, "/runs/save", {**form, "id": "W11", "title": "Fog horn plus"}, "/runs?edit=new")
    assert "W11 added." in text_of(added)
    form = form_of(client.get("/runs?edit=W11").text)
    asked = {"of": "W11", "base": form["base"], "view": ""}
    assert "W11: status designed → abandoned." in text_of(send(client, "/runs/retire", asked, "/runs"))
    asked["base"] = form_of(client.get("/runs?edit=W11").text)["base"]
    assert "W11 removed." in text_of(send(client, "/runs/retire", {**asked, "out": "1"}, "/runs"))
    assert client.get("/runs?edit=W11").status_code == 404


def test_an_archive_without_a_plan_has_a_schedule_that_says_so(tmp_path: Path) -> None:
    from lastlook import archive

    made = archive.create(tmp_path / "empty", name="LV-40", zone="UTC")
    with Store(made, create=True):
        pass
    client = create_app(ViewerConfig(made)).test_client()
    assert "The plan has no runs yet." in text_of(client.get("/runs").text)
    for page in ("/queue", "/bench"):
        assert "No plan names anything to work on yet" in text_of(client.get(page).text)
    assert "There is no picture yet." in text_of(client.get("/queue").text)
    assert client.get("/run/W01").status_code == 404
    assert client.get("/runs?edit=W01").status_code == 404


# ------------------------------------------------------------------------------------------------ as a file


def upload(client: FlaskClient, text: str) -> Any:
    token = re.search(r'name="token" value="([^"]+)"', client.get("/runs").text)
    assert token
    file = (io.BytesIO(text.encode("utf-8")), "wires.csv")
    return client.post("/runs/upload", data={"token": token[1], "file": file}, content_type="multipart/form-data")


def test_the_schedule_goes_out_and_comes_back_as_csv(copy: Filled) -> None:
    client = client_of(copy)
    given = client.get("/runs.csv")
    assert given.mimetype == "text/csv"
    assert "attachment" in given.headers["Content-Disposition"]
    assert "It says what the plan says already." in text_of(upload(client, given.text).text)
    changed = given.text.replace("Lantern plus,WH", "Lantern plus,OG").replace("\r\n", "\n")
    changed = "\n".join(line for line in changed.split("\n") if not line.startswith("W10"))
    shown = upload(client, changed)
    assert "W03 changed: colour WH → OG" in text_of(shown.text)
    assert "W10: not in the file; it stays in the plan." in text_of(shown.text)
    with Store(copy.archive) as store:
        assert schedule_edits.find_run(store.plan, "W03").colour == "WH", "nothing is written before it was seen"
        base = planning.uid_in_force(store)
    loaded = send(client, "/runs/load", {"text": changed, "base": base}, "/runs")
    assert "The schedule is in force: W03: colour WH → OG." in text_of(loaded)
    assert "W10" in ids_of(loaded)
    token = re.search(r'name="token" value="([^"]+)"', client.get("/runs").text)
    assert token
    late = client.post("/runs/load", data={"text": given.text, "base": base, "token": token[1]})
    assert late.status_code == 409
    assert "W03 changed: colour OG → WH" in text_of(late.text)


def test_a_long_schedule_is_taken_and_one_without_end_is_not(copy: Filled) -> None:
    client = client_of(copy)
    title = "one of the lamps of the harbour front " * 9
    rows = "".join(f"X{n:03},{title},RD,30,BHD-11.TB.{n},DKH.LED{n}+\n" for n in range(180))
    text = "Run,Title,Colour,AWG,From,To\n" + rows
    assert len(text) > 65_536, "longer than any other form may be"
    shown = upload(client, text)
    assert shown.status_code == 200
    assert "X000 added" in text_of(shown.text)
    assert "and 168 more." in text_of(shown.text)
    assert upload(client, text * 3).status_code == 413


def test_a_schedule_at_fault_names_its_lines(copy: Filled) -> None:
    answer = upload(client_of(copy), "Run,Title,Colour,AWG\nW01,Feed,RD,26\nW03,Lantern,blurple,99\n")
    assert answer.status_code == 400
    words = text_of(answer.text)
    assert 'line 3: run W03: Colour "blurple" is no colour code'.lower() in words.lower()
    assert "outside AWG 24 to 36" in words
    assert upload(client_of(copy), "  ").status_code == 400


# ------------------------------------------------------------------------------------------------ one run


def test_a_run_passes_its_places_in_the_order_of_the_plan(filled: Filled) -> None:
    with Store(filled.archive) as store:
        plan = store.plan
    run = schedule_edits.find_run(plan, "W03")
    # The mast foot's joint line comes before what is seen through it: its foot box is a part of the mast.
    wanted = [
        (Place.SUBASSEMBLY, "BHD-11"),
        (Place.SUBASSEMBLY, "HULL-F"),
        (Place.CROSSING, "O4"),
        (Place.SUBASSEMBLY, "MAST"),
        (Place.SUBASSEMBLY, "LAN"),
    ]
    assert list(run_record.stops(plan, run)) == wanted
    backwards = replace(run, subassemblies=run.subassemblies[::-1])
    assert [id for place, id in run_record.stops(plan, backwards) if place is Place.SUBASSEMBLY] == [
        id for place, id in wanted if place is Place.SUBASSEMBLY
    ]
    loose = Run("X", "x", crosses=("O3",))
    assert run_record.stops(plan, loose) == ((Place.CROSSING, "O3"),)


def test_a_runs_page_shows_its_way_with_gaps_named(copy: Filled) -> None:
    with Store(copy.archive, by="Ines") as store:
        run = [Target(Dimension.RUN, "W03")]
        recording.view(store, [copy.ids["K1000140.JPG"]], run, ViewKind.CLOSE, ends=("to",))
        marking.mark(store, copy.ids["K1000152.JPG"], "trace", [[10, 10], [200, 50]], of="W03")
        found = run_record.record(store, "W03")
    places = {(station.place, station.id): station for station in found.stations}
    assert [station.id for station in found.stations] == ["from", "BHD-11", "HULL-F", "O4", "MAST", "LAN", "to"]
    end = places[Place.END, "to"]
    assert (end.picture.id if end.picture else "") == copy.ids["K1000140.JPG"]
    # A newer picture shows the run in the mast as well; the one on which it is drawn comes first.
    drawn = places[Place.SUBASSEMBLY, "MAST"]
    assert (drawn.picture.id if drawn.picture else "") == copy.ids["K1000152.JPG"]
    assert drawn.count > 1
    assert places[Place.CROSSING, "O4"].picture is None
    page = client_of(copy).get("/run/W03").text
    words = text_of(page)
    assert f"{len(found.gaps)} places without a picture" in words
    assert "no close view of the crossing on record" in words
    assert f'href="/draw/{copy.ids["K1000152.JPG"]}"' in page
    for link in ('href="/look/W03"', 'href="/locate?what=W03"', 'href="/runs?edit=W03#f-title"'):
        assert link in page


def test_a_runs_evidence_is_what_the_closing_check_says_of_it(copy: Filled) -> None:
    with Store(copy.archive, by="Ines") as store:
        recording.view(store, [copy.ids["K1000140.JPG"]], [Target(Dimension.RUN, "W03")], ViewKind.CONTEXT)
        recording.record_test(store, "W03", "continuity", True, Act("2026-03-26 10:00", "Ines"), value=0.2, unit="Ω")
        for run in store.plan.runs:
            found = run_record.record(store, run.id)
            for each in found.evidence:
                full = closing_check.check(store, each.opening.id)
                wanted = [(line.key, line.state, line.reason) for line in full.lines if line.subject == run.id]
                given = [(line.key, line.state, line.reason) for line in each.lines if "retest" not in line.what]
                assert given == wanted, (run.id, each.opening.id)
                assert each.hides == (run.id in full.hides)
        assert any(each.lines for each in run_record.record(store, "W03").evidence)
    page = client_of(copy).get("/run/W03").text
    looks = page.split('id="evidence"')[1].split('id="log"')[0]
    assert ">K1000140.JPG</a>" in looks, "a picture goes by its file, not by its id"
    assert not re.findall(r">[ps][0-9a-f]{12}(?:-\d+)?</a>", looks)
    assert 'mark-word-gap"><svg' in looks, "the signs of the closing check"


def test_a_runs_log_is_in_order_of_time(copy: Filled) -> None:
    act = Act
    with Store(copy.archive, by="Ines") as store:
        recording.change(store, "W03", "lengthened", act("2026-03-24 13:00", "Ines"), why="too short", length_mm=640)
        recording.change(store, "W03", "installed", act("2026-03-17 09:00", "Ines"))
        recording.record_test(store, "W03", "polarity", True, act("2026-03-26 10:00", "Jonas"))
        recording.change(store, "W03", "abandoned", act("2026-03-27 10:00", "Jonas"))
        typed = {**fields_of(schedule_edits.find_run(store.plan, "W03")), "cut_length_mm": "640"}
        schedule_edits.change(store, "W03", typed, planning.uid_in_force(store))
        found = run_record.record(store, "W03")
    said = [line.what for line in found.log]
    order = [next(n for n, words in enumerate(said) if words.startswith(start)) for start in
             ("designed", "installed", "lengthened, cut 640 mm: too short", "polarity passed", "abandoned in place",
              "put into the plan", "cut_length_mm 610 → 640")]  # fmt: skip
    assert order == sorted(order)
    assert found.figures.cut_mm == 640
    words = text_of(client_of(copy).get("/run/W03").text)
    assert "In the plan: cut_length_mm 610 → 640" in words


def test_a_runs_resistance_and_drop_are_those_of_the_tables(filled: Filled) -> None:
    with Store(filled.archive) as store:
        found = run_record.record(store, "W03").figures
    # AWG 30 solid copper: 338.6 Ω/km at 20 °C in common wire tables after ASTM B258 (value from memory); W03 and W04
    # are 610 mm each and carry 20 mA.
    assert found.ohms == pytest.approx(0.3386 * 0.610, rel=0.01)
    assert found.back == "W04"
    assert found.drop_v == pytest.approx(2 * 0.3386 * 0.610 * 0.020, rel=0.01)
    assert found.share == pytest.approx(cast(float, found.drop_v) / 5)


def test_one_run_has_one_address(filled: Filled) -> None:
    client = client_of(filled)
    moved = client.get("/run/w03")
    assert (moved.status_code, moved.headers["Location"]) == (301, "/run/W03")
    for strange in ("/run/W99", "/run/..%2f..%2fetc%2fpasswd", "/run/O4"):
        assert client.get(strange).status_code == 404


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def changing(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path_factory.mktemp("runs"))


@pytest.fixture(scope="module")
def app(changing: Filled) -> Flask:
    return create_app(ViewerConfig(changing.archive, by="Ines"))


@pytest.fixture(scope="module")
def url(app: Flask) -> Iterator[str]:
    with browser.served(app) as url:
        yield url


@pytest.fixture(scope="module")
def driver(url: str) -> Iterator[Chrome]:
    """Made after the viewer, so that it lets go of its connections before that ends."""
    with browser.chromium() as opened:
        yield opened


@pytest.fixture
def nothing_to_complain_of(driver: Chrome) -> Iterator[None]:
    browser.look(driver)
    browser.complaints(driver)
    yield
    assert browser.complaints(driver) == []


def wait(driver: Chrome, condition: str) -> None:
    WebDriverWait(driver, 15).until(lambda driver: driver.execute_script(f"return {condition}"))


@pytest.mark.browser
@pytest.mark.usefixtures("nothing_to_complain_of")
@pytest.mark.parametrize("width", WIDTHS)
def test_a_row_is_edited_in_its_place_by_keys(driver: Chrome, url: str, width: int) -> None:
    size(driver, width)
    open_page(driver, f"{url}/runs?in=MAST")
    one(driver, "#run-W05 td:last-child a").send_keys(Keys.ENTER)
    wait(driver, "document.activeElement?.id === 'f-title'")
    assert overflow(driver) <= 0
    assert every(driver, "tbody tr")[2].get_attribute("id") == "run-W05", "the row stays where it was"
    Select(one(driver, "#f-tracer")).select_by_value("BK")
    field = one(driver, "#f-cut_length_mm")
    field.clear()
    field.send_keys("39 cm" if width == 1280 else "40 cm", Keys.ENTER)
    wait(driver, "document.querySelector('.said') !== null")
    assert "W05" in one(driver, ".said").text
    assert "cut_length_mm 380 →" in one(driver, ".said").text
    assert "OG/BK orange with black tracer" in " ".join(one(driver, "#run-W05").text.split())
    wait(driver, "document.activeElement.id === 'run-W05'")
    one(driver, ".last-change button").send_keys(Keys.ENTER)
    wait(driver, "document.querySelector('.said')?.textContent.includes('Taken back')")
    assert "OG/BK" not in one(driver, "#run-W05").text
    wait(driver, "document.activeElement.id === 'schedule'")
    # Narrowing leads to the schedule as well.
    one(driver, "#n-q").send_keys("motor", Keys.ENTER)
    wait(driver, "location.search.includes('motor') && document.activeElement.id === 'schedule'")
    # An act that names no place leads to what is told of it.
    one(driver, "nav a[href='/bench']").send_keys(Keys.ENTER)
    wait(driver, "location.pathname === '/bench' && document.querySelector('.choosing button')")
    Select(one(driver, "#b-sub")).select_by_value("MAST")
    one(driver, ".choosing button").send_keys(Keys.ENTER)
    wait(driver, "document.activeElement.className === 'said'")
    one(driver, ".row-of button[name=stop]").send_keys(Keys.ENTER)
    wait(driver, "document.activeElement.className === 'said'")


@pytest.mark.browser
@pytest.mark.usefixtures("nothing_to_complain_of")
def test_escape_leaves_a_row_but_not_what_was_typed_at_once(driver: Chrome, url: str) -> None:
    size(driver, 1280)
    open_page(driver, f"{url}/runs?edit=W05#f-title")
    wait(driver, "document.activeElement?.id === 'f-title'")
    driver.switch_to.active_element.send_keys(" and more")
    driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert "Leave it as it is" in driver.switch_to.active_element.text
    driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    wait(driver, "document.getElementById('edit') === null")
    assert "and more" not in one(driver, "#run-W05").text


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
def test_a_fault_has_the_focus_and_its_words(driver: Chrome, url: str, width: int) -> None:
    size(driver, width)
    open_page(driver, f"{url}/runs?edit=W05#f-title")
    field = one(driver, "#f-gauge_awg")
    field.clear()
    field.send_keys("99", Keys.ENTER)
    wait(driver, "document.querySelector('.form-said') !== null && document.activeElement?.className === 'form-said'")
    assert "outside AWG 24 to 36" in one(driver, ".field-gauge_awg").text
    # Who goes on writing does so behind what was typed.
    assert driver.execute_script("return document.querySelector('#f-gauge_awg').selectionStart") == 2
    # What came back is typed and kept nowhere: one Escape alone does not throw it away.
    one(driver, "#f-gauge_awg").send_keys(Keys.ESCAPE)
    assert one(driver, "#f-gauge_awg").get_attribute("value") == "99"
    assert overflow(driver) <= 0
    browser.complaints(driver)  # the browser notes the 400 that the page is


@pytest.mark.browser
@pytest.mark.usefixtures("nothing_to_complain_of")
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("page", ["/runs", "/runs?edit=W03", "/runs?edit=new", "/run/W03"])
def test_the_pages_have_no_barrier(driver: Chrome, url: str, page: str, dark: bool) -> None:
    # axe-core of Deque Systems (npm, MPL 2.0, unchanged in tests/axe_core): WCAG 2.0 to 2.2, A and AA.
    for width in (1280, 320):
        size(driver, width)
        browser.look(driver, dark=dark)
        open_page(driver, url + page)
        driver.execute_script((Path(__file__).parent / "axe_core" / "axe.min.js").read_text(encoding="utf-8"))
        found = driver.execute_async_script(
            "const done = arguments[0];"
            "axe.run(document, {preload: false, runOnly: {type: 'tag', values:"
            " ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}})"
            ".then((result) => done(result.violations));"
        )
        assert [f"{one['id']}: {node['html'][:150]}" for one in found for node in one["nodes"]] == []
        assert overflow(driver) <= 0, width


@pytest.mark.browser
@pytest.mark.usefixtures("nothing_to_complain_of")
def test_the_schedule_is_printed_on_one_sheet(driver: Chrome, url: str, tmp_path: Path) -> None:
    size(driver, 1280)
    open_page(driver, f"{url}/runs")
    made = driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False})
    sheet = tmp_path / "schedule.pdf"
    sheet.write_bytes(base64.b64decode(made["data"]))
    facts = poppler("pdfinfo", str(sheet))
    assert re.search(r"^Pages:\s+1$", facts, re.MULTILINE)
    across = re.search(r"^Page size:\s+([\d.]+) x ([\d.]+) pts", facts, re.MULTILINE)
    assert across
    assert [float(across[1]), float(across[2])] == pytest.approx([841.9, 595.3], abs=1)  # A4 across (ISO 216)
    words = poppler("pdftotext", "-layout", str(sheet), "-")
    for shown in ("W01", "W10", "orange", "BHD-11.TB.3"):
        assert shown in words
    for control in ("Narrow", "Edit", "Take it back"):
        assert control not in words


def poppler(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout
