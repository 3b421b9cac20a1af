"""Pages of a plan of five hundred runs: each under 150 kB before images (the project's own bound), and no row lost."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from flask.testing import FlaskClient

from lastlook import archive, planning, recording
from lastlook.acts import Act
from lastlook.plan.parse import parse_plan
from lastlook.plan.write import dump_plan
from lastlook.store import Store
from lastlook_web import ViewerConfig, closings, create_app
from tests.bench_archive import PLAN

LARGEST = 150_000
RUNS = 500
ADDRESSES = (
    "/closing/O3",
    "/closing/O3?show=passed",
    "/runs",
    "/runs?sort=title&in=MAST&edit=X250",
    "/closings",
    "/plan",
    "/plan?depth=DKH",
    "/sub/DKH",
    "/sub/MAST",
    "/closing/O3/record",
    "/closing/O3/record?act=test&of=X250",
    "/closing/O3/record?act=bond",
    "/closing/O3/record?act=waive&of=X250",
)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    text = PLAN.read_text(encoding="utf-8")
    plan = parse_plan(text, PLAN.name)
    more = tuple(
        replace(
            plan.runs[0],
            id=f"X{n:03}",
            title=f"Spare conductor {n} of the deck house loom",
            aliases=(),
            source=f"J{n % 40} pin {n % 9}",
            target=f"LED {n} of the deck house",
            cut_length_mm=100.0 + n,
            gauge_awg=28,
            subassemblies=("DKH", "MAST"),
        )
        for n in range(RUNS - len(plan.runs))
    )
    made = archive.create(tmp_path_factory.mktemp("long") / "lv40", name="LV-40", zone="Europe/Copenhagen")
    with Store(made, by="ada", create=True) as store:
        planning.load(store, dump_plan(replace(plan, runs=(*plan.runs, *more)), text), PLAN.name)
        recording.waive(store, "O3", "DKH", Act(person="M. Holm"), reason="seen from outside")
    return create_app(ViewerConfig(made, by="ada")).test_client()


def every_page(client: FlaskClient, address: str) -> list[str]:
    """The pages of a list, one after the other as its links for the next stretch lead; each is held small."""
    pages = [client.get(address).text]
    while found := re.search(r'<a href="([^"#]*)#[^"]*" rel="next">', pages[-1]):
        pages.append(client.get(found[1].replace("&amp;", "&")).text)
        assert len(pages) < 100
    return pages


def whole(client: FlaskClient, address: str) -> int:
    """Bytes of a page with the sheets and scripts it names, and the scripts these name; no images."""
    page = client.get(address)
    assert page.status_code == 200, address
    waiting, seen = re.findall(r'(?:href|src)="(/static/[^"?]+\.(?:css|js))"', page.text), dict[str, int]()
    while waiting:
        path = waiting.pop()
        if path not in seen:
            body = client.get(path, buffered=True).data
            seen[path] = len(body)
            beside = path.rpartition("/")[0]
            waiting += [f"{beside}/{name.decode()}" for name in re.findall(rb'(?:from|import)\s*"\./([\w.]+)"', body)]
    assert seen
    return len(page.data) + sum(seen.values())


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_page_of_a_long_plan_stays_small(client: FlaskClient, address: str) -> None:
    assert whole(client, address) < LARGEST


def test_a_long_check_shows_every_line_and_what_is_open_first(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(closings, "SUBJECTS", 200)  # fewer pages to ask for
    asked = re.compile(r'<h3 class="subject"><span class="id">([^<]+)<|class="asked-title"><bdi>([^<]+)<')

    def lines(pages: list[str]) -> list[tuple[str, str]]:
        subject, found = "", []
        for page in pages:
            for name, title in asked.findall(page):
                subject = name or subject
                found += [(subject, title)] if title else []
        return found

    whole = lines([client.get("/closing/O3?all=1").text])
    open = every_page(client, "/closing/O3")
    rest = every_page(client, "/closing/O3?show=passed")
    assert len(open) > 1
    assert {subject for subject, _ in lines(rest)} == {"DKH"}
    assert len(whole) > 5 * (RUNS - 10)
    assert sorted(lines(open) + lines(rest)) == sorted(whole)
    assert not any("mark-word-passed" in one.split('id="part"')[1] for one in open)
    assert not any(f"mark-word-{state}" in one.split('id="part"')[1] for one in rest for state in ("gap", "stale"))
    assert all(f"Not ready: {len(lines(open))} lines open" in one for one in open + rest)
    # Where none is passed or waived there is nothing else to show than what stands open.
    none = client.get("/closing/O3?show=passed&at=2026-03-01").text
    assert "No line is passed or waived." in none
    assert lines([none]) == lines([client.get("/closing/O3?at=2026-03-01").text])
    # What is signed is the whole of it.
    assert [one.count('class="signs"') for one in (open[0], rest[0], client.get("/closing/O3?all=1").text)] == [0, 0, 1]


def test_many_hidden_items_are_counted_and_folded(client: FlaskClient) -> None:
    page = client.get("/closing/O3").text
    said = re.search(r"<p>Closing it hides <b>(\d+)</b> items of the plan, ([^.]*)\.", page)
    assert said
    assert len(said[2].split(",")) == 6
    folded = re.search(r'<details><summary>All that it hides</summary><p class="id">([^<]*)</p>', page)
    assert folded
    assert len(folded[1].split(", ")) == int(said[1]) > RUNS - 15
    assert "<details open><summary>All that it hides" in client.get("/closing/O3?all=1").text


def test_a_depth_said_beside_the_runs_leads_back_to_the_same_of_them(client: FlaskClient) -> None:
    page = client.get("/plan?from=151&depth=DKH").text
    form = re.search(r'<form method="post" action="(/plan\?[^"]*depth=DKH[^"]*)">(.*?)</form>', page, re.S)
    assert form
    assert "Leave it" in form[2]
    assert 'href="/plan?from=151#depth-DKH"' in form[2]
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form[2]))
    sent = client.post(form[1].replace("&amp;", "&"), data=hidden)  # what it says already
    assert sent.headers["Location"] == "/plan?from=151#depth-DKH"


@pytest.mark.parametrize("query", ["", "sort=length&down=1", "in=MAST&sort=title"])
def test_the_schedule_in_pages_loses_no_row_and_keeps_its_order(client: FlaskClient, query: str) -> None:
    def rows(page: str) -> list[str]:
        return re.findall(r'<tr id="run-([^"]+)"', page)

    pages = every_page(client, f"/runs?{query}")
    all_rows = rows(client.get(f"/runs?{query}&all=1").text)
    assert [row for page in pages for row in rows(page)] == all_rows
    assert len(all_rows) == (495 if "in=" in query else RUNS)
    # Each tells which rows it holds, on paper too; what is summed is of all of them.
    assert all(f"of {len(all_rows)}" in page and "not all" in page for page in pages)
    assert len({re.search(r'class="totals">([^<]+)', page)[1] for page in pages}) == 1  # type: ignore[index]
    at = next(n for n, page in enumerate(pages) if "X250" in rows(page))
    edited = client.get(f"/runs?{query}&edit=X250").text
    assert rows(edited) == rows(pages[at])
    leave = re.search(r'data-leave="([^"#]+)#run-X250"', edited)
    assert leave
    assert rows(client.get(leave[1].replace("&amp;", "&")).text) == rows(pages[at])


def test_a_run_leads_to_its_row(client: FlaskClient) -> None:
    link = re.search(r'href="(/runs[^"#]*)#run-X250"', client.get("/run/X250").text)
    assert link
    assert 'id="run-X250"' in client.get(link[1].replace("&amp;", "&")).text


def test_what_is_open_and_shut_is_told_of_every_item(client: FlaskClient) -> None:
    row = re.compile(r'<tr><th scope="row"><span class="id">([^<]+)</span> <bdi>[^<]*</bdi></th>\n<td data-head="Seen"')
    pages = every_page(client, "/closings")
    everything = client.get("/closings?all=1").text
    assert len(pages) > 1
    assert [id for page in pages for id in row.findall(page)] == row.findall(everything)
    assert len(row.findall(everything)) > RUNS
    # The drawing counts by their state what it has no room to draw: 490 runs lie in the deck house.
    area = next(one for one in pages[0].split("<g>") if 'class="area-id"' in one and ">DKH</text>" in one)
    area = pages[0][pages[0].index(area) :].split('class="area-id"')[1]
    left_out = re.search(r">and (\d+) more: \1 [^<]+<", area)
    assert left_out
    assert int(left_out[1]) + area.count('class="chip-box"') > 490


@pytest.mark.parametrize(
    ("address", "row"),
    [("/plan", r'<tr><th scope="row"><a href="/run/([^"]+)">'), ("/sub/DKH", r'"line-what"><a href="/run/([^"]+)">')],
)
def test_runs_are_listed_in_pages_that_lose_none(client: FlaskClient, address: str, row: str) -> None:
    pages = every_page(client, address)
    found = [id for page in pages for id in re.findall(row, page)]
    assert len(pages) > 1
    assert found == re.findall(row, client.get(f"{address}?all=1").text)
    assert {f"X{n:03}" for n in range(490)} <= set(found)


def test_every_line_of_a_long_check_can_be_waived_by_itself(client: FlaskClient) -> None:
    check = client.get("/closing/O3?all=1").text
    link = re.search(r'href="(/closing/O3/record[^"#]*act=waive[^"#]*of=X250[^"#]*)#waive"', check)
    assert link
    choices = re.findall(r'<option value="(X250\|[^"]*)"', client.get(link[1].replace("&amp;", "&")).text)
    assert "X250|" in choices
    assert len(choices) == 1 + check.split(">X250</span>")[1].split("<h3")[0].count('class="asked"')
    # Without an item there is each item's "all that is open", and no form has gone.
    whole = client.get("/closing/O3/record?act=waive").text
    assert all(f'value="X{n:03}|"' in whole for n in range(490))
    for act in ("test", "change", "measure", "done", "witness", "release", "waive", "bond", "adhesive", "close"):
        assert f'<details class="recorder" id="{act}" open>' in client.get(f"/closing/O3/record?act={act}").text
