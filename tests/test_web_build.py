"""The build page: what a stretch of time holds against a plain reading of the rules; drawing, moving, zooming and
unfolding in a real browser; what waits for a person."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from selenium.webdriver import Chrome
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from lastlook import archive, bonding, care_log, deciding, planning, queue, times, waiting, windows
from lastlook.catalogue.pictures import ms
from lastlook.records import CaptureTime, Closing
from lastlook.store import Caches, Store
from lastlook.viewing import BINS
from lastlook.windows import Series, Window
from lastlook_web import ViewerConfig, build_drawing, create_app
from tests import browser, webarchive
from tests.browser import every, one, open_page, size
from tests.webarchive import Filled
from tests.webreading import links, text_of

ZONE = "Europe/Copenhagen"
START = datetime(2026, 3, 1, tzinfo=UTC)
HOUR = 3_600_000


# ------------------------------------------------------------------------------------------------ a stretch of time


TIMES = st.lists(
    st.tuples(st.integers(0, 200 * HOUR), st.integers(0, 30 * HOUR), st.integers(0, 30 * HOUR)), max_size=40
)
WINDOWS = st.tuples(st.integers(-50, 220), st.integers(1, 240)).map(
    lambda pair: Window(START + timedelta(hours=pair[0]), START + timedelta(hours=pair[0] + pair[1]))
)


def series(made: list[tuple[int, int, int]]) -> Series:
    base = ms(START)
    found = sorted((base + taken, base + taken - back, base + taken + on) for taken, back, on in made)
    table = np.array(found, dtype=np.int64).reshape(len(found), 3)
    return Series(table[:, 0], table[:, 1], table[:, 2], np.arange(len(found), dtype=np.int32), 0)


@given(TIMES, WINDOWS)
def test_a_tick_is_a_picture_whose_time_is_known_to_within_a_place(
    made: list[tuple[int, int, int]], window: Window
) -> None:
    # Against the rule of the module's own words, read picture by picture with whole numbers.
    found = windows.lie(series(made), window)
    start, end = ms(window.start), ms(window.end)
    ticks: dict[int, int] = {}
    covered: set[int] = set()
    vague = 0
    for taken, back, on in made:
        at, earliest, latest = (ms(START) + each for each in (taken, taken - back, taken + on))
        if (latest - earliest) * BINS <= end - start:
            if start <= at < end:
                place = (at - start) * BINS // (end - start)
                ticks[place] = ticks.get(place, 0) + 1
        elif latest >= start and earliest < end:
            vague += 1
            first, last = ((max(each, start) - start) * BINS // (end - start) for each in (earliest, latest))
            covered |= set(range(min(first, BINS - 1), min(last, BINS - 1) + 1))
    assert dict(found.ticks) == ticks
    assert found.count == sum(ticks.values())
    assert found.vague == vague
    assert {n for first, last, _ in found.spans for n in range(first, last + 1)} == covered


@given(WINDOWS, st.integers(1, 4000))
def test_a_window_is_never_shorter_or_longer_than_it_may_be(window: Window, days: int) -> None:
    longest = timedelta(days=days)
    found = window.within(longest)
    assert windows.SHORTEST <= found.length <= longest
    assert abs(found.middle - window.middle) < timedelta(seconds=1)


def closing(start: float, again: float | None) -> Closing:
    def at(hours: float) -> CaptureTime:
        instant = START + timedelta(hours=hours)
        return CaptureTime(instant, instant, instant, "said", "")

    return Closing("O1", at(start), "", "Ada", "x", at(again) if again is not None else None)


PERIODS = st.lists(st.integers(1, 30), max_size=5).map(lambda steps: [sum(steps[: n + 1]) for n in range(len(steps))])


@given(st.lists(PERIODS, min_size=1, max_size=3))
def test_a_thing_is_hidden_while_every_opening_that_shows_it_is_shut(of: list[list[int]]) -> None:
    # An opening is shut at an hour if the last of its acts until then was a closing: read hour by hour.
    closings_of = [
        [closing(acts[n], acts[n + 1] if n + 1 < len(acts) else None) for n in range(0, len(acts), 2)] for acts in of
    ]
    found = build_drawing.hidden_periods(closings_of)
    for half in range(320):
        instant = START + timedelta(hours=half / 2)
        shut = all(sum(act * 2 <= half for act in acts) % 2 == 1 for acts in of)
        drawn = any(start <= instant and (end is None or instant < end) for start, end in found)
        assert drawn == shut, half / 2


@pytest.mark.parametrize(
    ("start", "hours"),
    [
        ("2026-03-28T20:00:00+00:00", 12),
        ("2026-10-24T20:00:00+00:00", 12),
        ("2026-03-05T09:10:00+00:00", 1),
        ("2026-03-01T00:00:00+00:00", 24 * 40),
        ("2025-11-01T00:00:00+00:00", 24 * 300),
        ("2020-01-01T00:00:00+00:00", 24 * 3000),
    ],
)
def test_every_mark_stands_where_its_words_say(start: str, hours: int) -> None:
    # The zone's own clock (IANA time zone database) read at the place of each mark, over both changes of the clock.
    begin = datetime.fromisoformat(start)
    window = Window(begin, begin + timedelta(hours=hours))
    marks = list(build_drawing._marks(window, ZONE))
    assert 2 <= len(marks) <= 8
    assert [x for x, _ in marks] == sorted(x for x, _ in marks)
    for x, words in marks:
        instant = window.start + window.length * x / 100
        near = instant + window.length / 20000  # places are rounded to a hundredth of a per cent
        local = near.astimezone(times.zone_named(ZONE))
        if ":" in words:
            assert abs(local.hour * 60 + local.minute - (int(words[:2]) * 60 + int(words[3:]))) <= 1, words
        elif words[0].isdigit() and " " in words:
            assert local.day == int(words.split(" ")[0]), words
        elif words.isdigit():
            assert (local.year, local.month) == (int(words), 1)
        else:
            assert local.strftime("%b") == words[:3]


# ------------------------------------------------------------------------------------------------ pages


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture
def copy(filled: Filled, tmp_path: Path) -> Filled:
    return webarchive.copied(filled, tmp_path)


def test_every_move_is_an_address_that_draws_itself(filled: Filled) -> None:
    client = create_app(ViewerConfig(filled.archive)).test_client()
    address, seen = "/", []
    for _ in range(14):
        page = client.get(address).text
        reach = re.search(r'class="reach">([^<]+)', page)
        assert reach
        seen.append(reach[1])
        closer = [link for link in links(page.split('class="moves"')[1].split("</ul>")[0]) if "since=" in link]
        found = re.search(r'data-move="closer" href="([^"]+)"', page)
        if not found:
            break
        address = found[1].replace("&amp;", "&")
        assert closer
    assert len(set(seen)) == len(seen)
    first, last = re.search(r", (\d\d:\d\d) to (\d\d:\d\d)$", seen[-1]), re.search(r"\d{4} to", seen[0])
    assert first, "the closest is an hour"
    assert last


@pytest.mark.parametrize(
    "query",
    [
        "since=x&until=y",
        "since=20260301T000000Z",
        "since=20260401T000000Z&until=20260301T000000Z",
        "sub=NONE",
        "since=00010101T000000Z&until=99991231T235959Z",
        "sub=MAST&a=1&b=2",
        "since=20261399T000000Z&until=20270101T000000Z",
        "since=20260301T000000Z&until=20260301T000001Z&sub=MAST",
        "sub=%00&a=%ff",
        "since=99990101T000000Z&until=99991231T000000Z",
    ],
)
def test_no_address_breaks_the_drawing(filled: Filled, query: str) -> None:
    client = create_app(ViewerConfig(filled.archive)).test_client()
    for page in ("/", "/build/drawing"):
        assert client.get(f"{page}?{query}").status_code == 200


def test_an_empty_stretch_says_where_the_nearest_pictures_are(filled: Filled) -> None:
    client = create_app(ViewerConfig(filled.archive)).test_client()
    page = client.get("/?since=20260308T000000Z&until=20260309T000000Z").text
    # A picture of that time that is placed nowhere is no tick: the words speak of subassemblies only.
    assert "No picture of a subassembly is known to be of this time." in text_of(page)
    assert "The last one before it: 5 Mar 2026 . The next one after it: 12 Mar 2026 ." in text_of(page)
    before = next(link for link in links(page.split('class="absence"')[1]) if "since" in link)
    assert "known to be of this time" not in text_of(client.get(before).text)


def test_a_stretch_unfolds_to_its_pictures_in_order_of_time(filled: Filled) -> None:
    client = create_app(ViewerConfig(filled.archive)).test_client()
    page = client.get("/?since=20260320T000000Z&until=20260328T000000Z&sub=MAST").text
    shown = page.split('class="unfolded-list"')[1].split("</ul>")[0]
    named = [filled.ids[name] for name in ("K1000152.JPG", "IMG_20260324_145018.heic", "IMG_20260325_162245.jpg")]
    assert re.findall(r"/picture/(p[0-9a-f]+)", shown) == named
    part = client.get("/build/drawing?since=20260320T000000Z&until=20260328T000000Z&sub=MAST").text
    assert shown.strip() in part


def test_what_waits_for_a_person_stands_above(copy: Filled) -> None:
    now = datetime.now(UTC)
    with Store(copy.archive, by="Ines") as store:
        bonding.adhesive(store, "EPOXY-SLOW", {"full_cure_h": 48, "minimum_c": 15})
        joined = (now - timedelta(hours=2)).isoformat()
        bonding.bond(store, "MAST", "EPOXY-SLOW", joined, figures={"temperature_c": 23.0})
        left = sum(len(group.pictures) for group in queue.groups(store))
        found, work = waiting.waiting(store, None)
        # The queue's own groups and the count by SQL are two ways to one number.
        assert found.to_place == left
        assert [due.opening.id for due in found.next] == ["O5", "O3"]
        assert [hold.bond.target for hold in found.curing] == ["MAST"]
        assert not [hold for hold in work.holds if hold.over]
    care_log.add(copy.archive, "backup", {"where": "/media/copy", "good": True}, now - timedelta(days=9))
    care_log.add(copy.archive, "check", {"findings": 0}, now - timedelta(hours=3))
    client = create_app(ViewerConfig(copy.archive)).test_client()
    page = client.get("/").text
    words = text_of(page.split('class="waiting"')[1].split("</ul>")[0])
    assert f"{left} pictures to place" in words
    assert "O3 Deckhouse roof" in words
    assert re.search(r"No load on MAST, EPOXY-SLOW cures: 1 day 2[12] h left", words)
    assert "1 file not used, or only in part" in words
    assert "Last good backup: 9 days ago, due" in words
    assert "Last check of the originals: today" in words
    window = f"since={now - timedelta(days=1):%Y%m%dT%H%M%SZ}&until={now + timedelta(days=1):%Y%m%dT%H%M%SZ}"
    row = client.get(f"/?{window}").text.split('id="row-MAST"')[1].split("</article>")[0]
    assert 'class="cure"' in row
    assert "cure of EPOXY-SLOW at MAST until" in row
    # Half of a window of two days lies ahead; the hold began two hours ago.
    cure = re.search(r'class="cure" x="([\d.]+)%" width="([\d.]+)%"', row)
    assert cure
    assert float(cure[1]) == pytest.approx(100 * 22 / 48, abs=0.5)
    assert float(cure[1]) + float(cure[2]) == pytest.approx(100, abs=0.1)


def test_what_is_kept_is_made_anew_once_anything_is_decided(copy: Filled) -> None:
    made: list[int] = []

    def make() -> int:
        made.append(len(made))
        return made[-1]

    caches = Caches()
    with Store(copy.archive, by="Ines", caches=caches) as store, Store(copy.archive, by="Olaf", caches=caches) as other:
        assert [store.kept("n", make), other.kept("n", make)] == [0, 0]
        assert store.kept("n", make, of="something else") == 1
        assert store.kept("n", make) == 2
        deciding.tag(other, [copy.ids["K1000101.JPG"]], [], "Another caption.")
        assert store.kept("n", make) == 3
        # Inside a transaction things are seen that may be taken back: nothing of them is kept.
        with store.catalogue.reading():
            assert store.kept("n", make) == 4
        assert store.kept("n", make) == 3


def test_an_opening_that_was_opened_again_is_drawn_from_closing_to_reopening(copy: Filled) -> None:
    now = datetime.fromisoformat("2026-04-20T12:00:00+02:00")
    with Store(copy.archive, by="Ines") as store:
        deciding.reopen(store, "O2", "2026-04-10 12:00", now)
    client = create_app(ViewerConfig(copy.archive)).test_client()
    page = client.get("/?since=20260401T000000Z&until=20260421T000000Z").text
    row = page.split('id="row-HULL-F"')[1].split("</article>")[0]
    found = re.search(r'class="hidden"[^>]* x="([\d.]+)%" width="([\d.]+)%"', row)
    assert found
    # Closed on 8 April at 11:20, opened on 10 April at noon, in a window of 20 days from 1 April, UTC.
    start = (datetime(2026, 4, 8, 9, 20, tzinfo=UTC) - datetime(2026, 4, 1, tzinfo=UTC)) / timedelta(days=20) * 100
    stop = (datetime(2026, 4, 10, 10, tzinfo=UTC) - datetime(2026, 4, 1, tzinfo=UTC)) / timedelta(days=20) * 100
    assert float(found[1]) == pytest.approx(start, abs=0.02)
    assert float(found[1]) + float(found[2]) == pytest.approx(stop, abs=0.03)
    assert 'class="again"' in row
    assert "opened again 10 Apr 2026" in row


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as driver:
        yield driver


@pytest.fixture(scope="module")
def url(filled: Filled) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(filled.archive, by="Ines"))) as url:
        yield url


@pytest.fixture
def page(driver: Chrome, url: str) -> Iterator[Chrome]:
    size(driver, 1280)
    browser.look(driver)
    open_page(driver, url)
    yield driver
    assert browser.complaints(driver) == []


def wait(driver: Chrome, condition: str) -> None:
    WebDriverWait(driver, 10).until(lambda driver: driver.execute_script(f"return {condition}"))


def reach(driver: Chrome) -> str:
    # By script: the element may be exchanged between finding and reading it.
    return str(driver.execute_script("return document.querySelector('.reach').textContent"))


def window(driver: Chrome) -> tuple[float, float]:
    found: Any = driver.execute_script(
        "const q = new URLSearchParams(location.search);"
        "const at = (t) => t && Date.parse(t.replace(/(....)(..)(..T..)(..)(..Z)/, '$1-$2-$3:$4:$5'));"
        "const d = document.getElementById('drawing').dataset;"
        "return [at(q.get('since')) ?? Date.parse(d.start), at(q.get('until')) ?? Date.parse(d.end)];"
    )
    return float(found[0]), float(found[1])


def changed(driver: Chrome, was: str) -> None:
    WebDriverWait(driver, 10).until(lambda driver: reach(driver) != was)


@pytest.mark.browser
def test_buttons_move_in_place_and_the_way_back_leads_through_them(page: Chrome, url: str) -> None:
    page.execute_script("window.same = true")
    whole = reach(page)
    one(page, "[data-move=closer]").click()
    changed(page, whole)
    closer, address = reach(page), page.current_url
    assert page.switch_to.active_element.get_attribute("data-move") == "closer"
    one(page, "[data-move=later]").click()
    changed(page, closer)
    later = reach(page)
    page.back()
    changed(page, later)
    assert reach(page) == closer
    page.back()
    changed(page, closer)
    assert reach(page) == whole
    page.forward()
    changed(page, whole)
    assert (reach(page), page.current_url) == (closer, address)
    assert page.execute_script("return window.same"), "nothing was loaded anew"
    open_page(page, address)
    assert reach(page) == closer, "the address is the view"


@pytest.mark.browser
def test_keys_go_from_picture_to_picture_and_zoom_to_an_hour(page: Chrome, filled: Filled) -> None:
    row = one(page, "[data-sub=MAST]")
    row.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    wait(page, "document.getElementById('drawing-said').textContent.includes('Enter shows them')")
    for _ in range(12):
        start, end = window(page)
        if end - start <= 3_601_000:
            break
        was = reach(page)
        row.send_keys("+")
        changed(page, was)
    assert end - start == pytest.approx(3_600_000, abs=2000)
    # The second picture of the mast, at which the zoom was pinned: 20 March, 13:05:10 in Copenhagen.
    taken = datetime(2026, 3, 20, 12, 5, 10, tzinfo=UTC).timestamp() * 1000
    assert start < taken < end
    row.send_keys(Keys.SHIFT, Keys.ARROW_RIGHT)
    row.send_keys(Keys.NULL, Keys.HOME)
    wait(page, "location.search === ''")


@pytest.mark.browser
def test_the_focus_stays_with_what_was_pressed(page: Chrome) -> None:
    for words in ("Month", "Week", "Day"):
        (link,) = [each for each in page.find_elements("css selector", ".moving a") if each.text == words]
        before = page.current_url
        link.send_keys(Keys.ENTER)
        wait(page, f"location.href !== '{before}' && document.activeElement?.textContent === '{words}'")


@pytest.mark.browser
def test_a_key_held_down_does_not_lose_the_picture_it_is_pinned_to(page: Chrome, filled: Filled) -> None:
    row = one(page, "[data-sub=MAST]")
    row.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    # Answers that take longer than the key takes to come again: some steps are never drawn.
    page.execute_async_script(
        "const [row, done] = arguments; const plain = window.fetch;"
        "window.fetch = (...asked) => new Promise((go) => setTimeout(go, 260)).then(() => plain(...asked));"
        "const press = (left) => {"
        " row.dispatchEvent(new KeyboardEvent('keydown', {key: '+', bubbles: true, cancelable: true}));"
        " if (left > 1) setTimeout(press, 90, left - 1); else setTimeout(done, 1500);"
        "}; press(24);",
        row,
    )
    row.send_keys(Keys.ENTER)
    wait(page, "document.querySelector('#row-MAST .unfolded-list') !== null")
    assert filled.ids["K1000152.JPG"] in one(page, "#row-MAST .unfolded-list a").get_attribute("href")  # type: ignore[operator]


@pytest.mark.browser
def test_steps_pressed_faster_than_the_answers_come_all_count(page: Chrome) -> None:
    row = one(page, "[data-sub=MAST]")
    start, end = window(page)
    # Answers come when the test lets them; `open` counts those that are asked for and not read yet.
    page.execute_script(
        "const plain = window.fetch; window.held = []; window.open = 0; window.free = false;"
        "window.fetch = async (...asked) => { window.open += 1;"
        " try { if (!window.free) await new Promise((go) => window.held.push(go));"
        "  const answer = await plain(...asked), text = await answer.text(); return new Response(text); }"
        " finally { window.open -= 1; } };"
        "window.key = (row, keys) => { for (const key of keys)"
        " row.dispatchEvent(new KeyboardEvent('keydown', {key, bubbles: true, cancelable: true})); };"
    )
    release = "window.held.splice(0).forEach((go) => go()); return window.open === 0 && !window.held.length"
    page.execute_script("window.key(arguments[0], '+++++')", row)
    page.execute_script(release)
    page.execute_script("window.key(arguments[0], '+-')", row)
    WebDriverWait(page, 10).until(lambda driver: driver.execute_script(release))
    was = end - start
    start, end = window(page)
    assert end - start == pytest.approx(was / 32, abs=2000)
    # Buttons too, and nothing of an answer that was overtaken.
    wider = "document.querySelector('[data-move=wider]').click();"
    page.execute_script(wider * 2)
    page.execute_script(release)
    page.execute_script(wider)
    WebDriverWait(page, 10).until(lambda driver: driver.execute_script(release))
    wide = window(page)
    assert wide[1] - wide[0] == pytest.approx(was / 4, abs=4000)
    address = page.current_url
    drawn = reach(page)
    open_page(page, address)
    assert (window(page), reach(page)) == (wide, drawn), "the address is the view"


@pytest.mark.browser
def test_a_long_title_leaves_the_words_beside_it_whole(driver: Chrome, tmp_path: Path) -> None:
    title = "x" * 150 + " שלום <b>Wort</b> " + "Wörterlangeswort" * 8
    plan = f'''[build]
name = "LV-40"
[[subassembly]]
id = "MAST"
title = "{title}"
[[opening]]
id = "O4"
title = "{title}"
kind = "bonded"
shows = ["MAST"]
'''
    made = archive.create(tmp_path / "new", name="LV-40", zone=ZONE)
    with Store(made, create=True) as store:
        planning.load(store, plan, "plan.toml")
    with browser.served(create_app(ViewerConfig(made))) as where:
        for width, address in ((1280, "/"), (1280, "/closings"), (1280, "/plan"), (390, "/"), (390, "/closings")):
            size(driver, width)
            open_page(driver, where + address)
            lines = driver.execute_script(
                "const range = document.createRange();"
                "range.selectNodeContents(document.querySelector('td[data-head=Kind]'));"
                "return new Set([...range.getClientRects()].map((box) => Math.round(box.top))).size;"
            )
            assert lines == 1, (width, address)
            assert browser.overflow(driver) <= 0, (width, address)
        driver.get("about:blank")


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_a_tick_unfolds_and_folds(page: Chrome, filled: Filled, width: int) -> None:
    size(page, width)
    row = one(page, "[data-sub=MAST]")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", row)
    places = [int(pair.split(":")[0]) for pair in (row.get_attribute("data-counts") or "").split(" ")]
    box = row.rect
    across = round((places[0] + 0.5) / BINS * box["width"] - box["width"] / 2)
    ActionChains(page).move_to_element_with_offset(row, across, -round(box["height"] / 2) + 10).click().perform()
    wait(page, "document.querySelector('#row-MAST .unfolded-list') !== null")
    assert filled.ids["K1000140.JPG"] in one(page, "#row-MAST .unfolded-list a").get_attribute("href")  # type: ignore[operator]
    assert page.switch_to.active_element.tag_name == "h3"
    assert browser.overflow(page) <= 0
    shared = page.current_url
    one(page, "#row-MAST [data-fold]").click()
    wait(page, "document.querySelector('#row-MAST .unfolded-list') === null")
    open_page(page, shared)
    assert every(page, "#row-MAST .unfolded-list li")


@pytest.mark.browser
def test_the_wheel_zooms_where_it_stands_and_a_drag_moves(page: Chrome) -> None:
    row = one(page, "[data-sub=MAST]")
    before = window(page)
    script = (
        "const b = arguments[0].getBoundingClientRect();"
        "arguments[0].dispatchEvent(new WheelEvent('wheel', {deltaY: -240, ctrlKey: arguments[1], bubbles: true,"
        " cancelable: true, clientX: b.left + b.width * .25, clientY: b.top + 5}));"
    )
    page.execute_script(script, row, False)
    assert window(page) == before, "the wheel alone scrolls the page"
    page.execute_script(script, row, True)
    wait(page, "location.search !== ''")
    after = window(page)
    assert after[1] - after[0] < before[1] - before[0]
    pinned = [start + (end - start) * 0.25 for start, end in (before, after)]
    pixel = (before[1] - before[0]) / row.rect["width"]
    assert pinned[0] == pytest.approx(pinned[1], abs=pixel)
    ActionChains(page).click_and_hold(row).move_by_offset(-100, 0).release().perform()
    WebDriverWait(page, 10).until(lambda _: window(page) != after)
    moved = window(page)
    assert moved[0] > after[0]
    assert moved[1] - moved[0] == pytest.approx(after[1] - after[0], abs=2000)
    share = 100 / row.rect["width"]
    assert (moved[0] - after[0]) / (after[1] - after[0]) == pytest.approx(share, rel=0.05)


@pytest.mark.browser
def test_two_fingers_zoom(page: Chrome) -> None:
    size(page, 390)
    page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 2})
    try:
        row = one(page, "[data-sub=MAST]")
        page.execute_script("arguments[0].scrollIntoView({block: 'center'})", row)
        edge: Any = page.execute_script("return arguments[0].getBoundingClientRect().toJSON()", row)
        y, middle = edge["y"] + edge["height"] / 2, edge["x"] + edge["width"] / 2
        before = window(page)

        def touch(kind: str, apart: float) -> None:
            points = [{"x": middle + side * apart / 2, "y": y, "id": n} for n, side in enumerate((-1, 1))]
            page.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": kind, "touchPoints": points if kind != "touchEnd" else []}
            )

        touch("touchStart", 60)
        for apart in (80, 100, 120):
            touch("touchMove", apart)
        touch("touchEnd", 0)
        WebDriverWait(page, 10).until(lambda _: window(page) != before)
        wait(page, "!document.getElementById('drawing').classList.contains('moved')")
        after = window(page)
        assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 2, rel=0.1)
        assert sum(after) / 2 == pytest.approx(sum(before) / 2, abs=(before[1] - before[0]) * 0.05)
    finally:
        page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})


@pytest.mark.browser
def test_without_script_links_do_the_same(page: Chrome, url: str) -> None:
    page.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        page.get(url)
        whole = reach(page)
        one(page, "[data-move=closer]").click()
        assert reach(page) != whole
        one(page, "#row-MAST .in-view").click()
        assert every(page, "#row-MAST .unfolded-list li")
        one(page, "#row-MAST [data-fold]").click()
        assert not every(page, "#row-MAST .unfolded-list li")
        assert not one(page, "#drawing-keys").is_displayed()
    finally:
        page.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
