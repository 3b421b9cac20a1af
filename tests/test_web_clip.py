"""The clip page: its words as a track, what plays where, frames kept and stretches tagged, by keyboard in Chromium."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any, cast

import pytest
import webvtt
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select, WebDriverWait

from lastlook import archive, clip_stretches, deciding, rebuild, stills_by_hand, verify
from lastlook.catalogue import dump, media, pictures
from lastlook.deciding import Target
from lastlook.errors import UsageError
from lastlook.ingest import ingest
from lastlook.records import Cue, Dimension, TagState
from lastlook.store import Store
from lastlook_web import ViewerConfig, clip_line, clips, create_app
from tests import browser, clipmedia, webarchive
from tests.browser import every, one, open_page, overflow, size
from tests.webarchive import Filled
from tests.webreading import send, text_of

WIDTHS = (1280, 390)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    return webarchive.shared(tmp_path_factory)


@pytest.fixture
def copy(filled: Filled, tmp_path: Path) -> Filled:
    return webarchive.copied(filled, tmp_path)


def client_of(filled: Filled) -> FlaskClient:
    return create_app(ViewerConfig(filled.archive, by="Ines")).test_client()


# ------------------------------------------------------------------------------------------------ words


def test_the_words_are_a_track_that_others_can_read(copy: Filled, tmp_path: Path) -> None:
    with Store(copy.archive) as store:
        medium = media.find_clip(store.catalogue, copy.clip)
        captions = media.belonging(store.catalogue, medium.sha256)[0]
        with store.catalogue.writing():
            media.add_cues(
                store.catalogue,
                captions.sha256,
                [Cue(0, 0, "W03 & W04 <both> --> plus"), Cue(3_600_500, 3_601_000, "one\n\ntwo"), Cue(90, 1_001, "x")],
            )
    answer = client_of(copy).get(f"/clip/{copy.clip}/words.vtt")
    assert answer.content_type == "text/vtt; charset=utf-8"
    (tmp_path / "words.vtt").write_bytes(answer.data)
    read = webvtt.read(str(tmp_path / "words.vtt")).captions  # webvtt-py reads W3C WebVTT
    # W3C WebVTT, 4.1: & and < are escaped, "-->" never stands in a text, a cue ends after it starts.
    assert [(cue.start, cue.end, html.unescape(cue.raw_text)) for cue in read] == [
        ("00:00:00.000", "00:00:00.001", "W03 & W04 <both> --> plus"),
        ("00:00:00.090", "00:00:01.001", "x"),
        ("01:00:00.500", "01:00:01.000", "one\ntwo"),
    ]
    assert "&amp; W04 &lt;both&gt; --&gt; plus" in answer.text


@pytest.mark.parametrize(
    "path", ["/clip/..%2f..%2fetc%2fpasswd", "/clip/c", "/clip/cffffffffffff/words.vtt", "/play/.."]
)
def test_no_address_reaches_a_file(filled: Filled, path: str) -> None:
    assert client_of(filled).get(path).status_code == 404


@pytest.mark.parametrize(
    ("codec", "container", "state"),
    [
        ("h264", "MP4", "plays"),
        ("h264", "MOV", "plays"),
        ("vp9", "WebM", "plays"),
        ("vp8", "WebM", "plays"),
        ("hevc", "MP4", "asks"),
        ("h264", "MKV", "asks"),
        ("hevc", "MTS", "never"),
        ("h264", "MTS", "never"),
        ("mjpeg", "AVI", "never"),
        ("mpeg2video", "MPG", "never"),
        ("", "MP4", "never"),
    ],
)
def test_what_a_browser_plays_is_known_before_it_tries(filled: Filled, codec: str, container: str, state: str) -> None:
    # Common practice, no source: the HTML standard names no codec that must be played.
    from dataclasses import replace

    with Store(filled.archive) as store:
        medium = media.find_clip(store.catalogue, filled.clip)
    found = clips.playing(replace(medium, format=container, facts={"codec": codec} if codec else {}))
    assert found.state == state
    assert bool(found.type) == (state == "asks")
    assert container in found.named


# ------------------------------------------------------------------------------------------------ the line

_MS = st.integers(0, 5_000_000)


@given(
    st.integers(0, 5_000_000),
    st.lists(_MS, unique=True, max_size=80).map(sorted),
    st.lists(st.tuples(_MS, _MS).map(sorted), max_size=40),
)
def test_the_line_holds_everything_in_its_place(length: int, stills: list[int], spans: list[list[int]]) -> None:
    moments = [(ms, rid) for rid, ms in enumerate(stills)]
    said = sorted((clip_stretches.Said(a, b, ("MAST",), "Ines", str(a)) for a, b in spans), key=lambda one: one.from_ms)
    cues = sorted((Cue(a, b, "words") for a, b in spans), key=lambda cue: cue.start_ms)
    line = clip_line.draw(length, moments, cues, said, {})
    assert all(0 <= x <= 100 for x in (*(each.x for each in line.hung), *(x for x, _ in line.ticks)))
    assert all(0 <= x <= 10_000 for x in line.stills)
    places = [each.x for each in line.hung]
    assert all(later - earlier >= clip_line.WIDE_APART for earlier, later in pairwise(places))
    assert bool(line.hung) == bool(stills)
    assert len(line.ticks) <= 9 or length > 9 * 7_200_000
    for lane in range(line.lanes):
        ends = [(bar.x, bar.x + bar.width) for bar in line.tagged if bar.lane == lane]
        assert all(start >= end - 0.5 for (_, end), (start, _) in pairwise(ends)), "none is drawn over another"
    for earlier, later in pairwise(line.words):
        assert earlier.x < later.x


@given(st.lists(_MS, unique=True, max_size=30).map(sorted), st.lists(_MS, max_size=60).map(sorted))
def test_every_word_stands_once_behind_the_still_it_follows(stills: list[int], starts: list[int]) -> None:
    cues = [Cue(ms, ms + 10, str(n)) for n, ms in enumerate(starts)]
    rows = clips._stretches([(ms, rid) for rid, ms in enumerate(stills)], cues)
    assert [cue for row in rows for cue in row.cues] == cues
    assert [row.rid for row in rows if row.rid is not None] == list(range(len(stills)))
    for row, following in pairwise([*rows, None]):
        assert row is not None
        last = following.start_ms if following is not None else float("inf")
        first = row.start_ms if row.rid is not None else 0
        assert all(first <= cue.start_ms < last for cue in row.cues)


# ------------------------------------------------------------------------------------------------ frames


def test_a_frame_is_kept_without_leaving_the_page(copy: Filled) -> None:
    client = client_of(copy)
    page = f"/clip/{copy.clip}"
    found = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
    assert found
    form = {"at": "0:09.5", "token": found[1]}
    told = client.post(f"{page}/keep", data=form, headers={"Accept": "application/json"})
    assert told.json is not None
    assert (told.json["new"], told.json["at"]) == (True, 9500)
    assert told.json["x"] == pytest.approx(9500 * 100 / 24_000, abs=0.3)
    assert 'id="at-9500"' in told.json["rows"][-1]
    # The words of the stretch before are divided anew, so its row is given too.
    assert len(told.json["rows"]) == 2
    again = client.post(f"{page}/keep", data=form, headers={"Accept": "application/json"})
    assert again.json is not None
    assert not again.json["new"]
    wrong = client.post(f"{page}/keep", data={**form, "at": "99:00"}, headers={"Accept": "application/json"})
    assert (wrong.status_code, "there is nothing at 99:00" in wrong.text) == (400, True)
    assert client.post(f"{page}/keep", data={"at": "1"}, headers={"Accept": "application/json"}).status_code == 403


def test_a_kept_frame_is_let_go_again(copy: Filled) -> None:
    client = client_of(copy)
    page = f"/clip/{copy.clip}"
    kept = send(client, f"{page}/keep", {"at": "0:09.5"}, page)
    uid = re.search(r'name="uid" value="([0-9a-f]+)"', kept)
    assert uid
    assert "0:09.5 is let go again" in send(client, f"{page}/undo", {"uid": uid[1]}, page)
    assert 'id="at-9500"' not in client.get(page).text
    token = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
    assert token
    for strange in (uid[1], "", "f" * 32):
        assert client.post(f"{page}/undo", data={"uid": strange, "token": token[1]}).status_code == 400


# ------------------------------------------------------------------------------------------------ stretches

ASK = {"from": "0:04", "to": "0:14", "sub": "MAST", "step": "S09", "run": "W03"}


def test_a_stretch_says_first_what_it_would_do_then_does_it_and_takes_it_back(copy: Filled) -> None:
    client = client_of(copy)
    page = f"/clip/{copy.clip}"
    shown = client.get(page, query_string=ASK).text
    with Store(copy.archive) as store:
        stills = [one for one in webarchive.stills(store) if 4000 <= (one.clip_ms or 0) <= 14000]
        assert stills
        before = decisions_made(store)
    assert f"{len(stills)} still" in text_of(shown)
    assert "would say MAST , S09 , W03" in text_of(shown)
    said = send(client, f"{page}/tag", {**ASK, "count": str(len(stills))}, page)
    assert "MAST, S09, W03." in text_of(said)
    with Store(copy.archive) as store:
        assert decisions_made(store) == before + 1
        for still in pictures.by_rids(store.catalogue, [one.rid for one in stills]):
            stand = {(tag.dimension, tag.target): tag for tag in still.tags}
            assert stand[Dimension.RUN, "W03"].state is TagState.SET
            assert stand[Dimension.STEP, "S09"].by == "Ines"
        uid = clip_stretches.of_clip(store, stills[0].sha256)[0].uid
    assert "Take back" in text_of(said)
    assert "Taken back: MAST S09 W03 from 0:04 on." in text_of(send(client, f"{page}/undo", {"uid": uid}, page))
    with Store(copy.archive) as store:
        for still in pictures.by_rids(store.catalogue, [one.rid for one in stills]):
            assert not any(tag.state is TagState.SET and tag.target == "S09" for tag in still.tags)
        assert not clip_stretches.of_clip(store, stills[0].sha256)


def decisions_made(store: Store) -> int:
    from lastlook.catalogue import decisions

    return decisions.last_seq(store.catalogue)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"from": "0:14", "to": "0:04"}, "before it begins"),
        ({"from": "0:04", "to": "0:04"}, "begins and ends at the same moment"),
        ({"from": "noon"}, "is no place in a clip"),
        ({"to": "99:00"}, "there is nothing at 99:00"),
        ({"from": ""}, "the stretch begins was not said"),
        ({"run": "W99"}, "there is no run 'w99'"),
        ({"run": "", "sub": "", "step": ""}, "nothing was said of the stretch"),
    ],
)
def test_a_stretch_that_is_none_is_told_of_in_words(filled: Filled, given: dict[str, str], words: str) -> None:
    answer = client_of(filled).get(f"/clip/{filled.clip}", query_string={**ASK, **given})
    assert answer.status_code == 400
    assert words in text_of(answer.text).lower()
    assert "would say" not in answer.text


def test_a_stretch_whose_stills_have_changed_is_refused(copy: Filled) -> None:
    client = client_of(copy)
    page = f"/clip/{copy.clip}"
    token = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
    assert token
    answer = client.post(f"{page}/tag", data={**ASK, "count": "77", "token": token[1]})
    assert (answer.status_code, "have changed since they were shown" in text_of(answer.text)) == (400, True)


def test_a_frame_kept_later_is_tagged_by_its_stretch_and_a_rebuild_ends_in_the_same(copy: Filled) -> None:
    with Store(copy.archive, by="Ines") as store:
        shown = clip_stretches.preview(store, copy.clip, "0:04", "0:14", [Target(Dimension.RUN, "W10")])
        said = clip_stretches.say(store, shown)
        inside, _ = stills_by_hand.keep(store, copy.clip, "0:08.3")
        outside, _ = stills_by_hand.keep(store, copy.clip, "0:20.1")
        assert ("W10", TagState.SET) in {(tag.target, tag.state) for tag in inside.tags}
        assert "W10" not in {tag.target for tag in outside.tags if tag.state is TagState.SET}
        deciding.untag(store, [inside.id], [Target(Dimension.RUN, "W10")])  # the newer word counts
        now = pictures.by_rids(store.catalogue, [inside.rid])[0]
        assert ("W10", TagState.REJECTED) in {(tag.target, tag.state) for tag in now.tags}
        deciding.undo(store)
        before = dump.dump(store.catalogue)
    assert not [one for one in verify.verify(copy.archive, read_all=False).findings if one.fault is verify.Fault.TAGS]
    with ThreadPoolExecutor(2) as executor:
        rebuild.rebuild(copy.archive, executor=executor)
    with Store(copy.archive, by="Ines") as store:
        assert dump.dump(store.catalogue) == before
        deciding.undo(store, said.uid)
        now = pictures.by_rids(store.catalogue, list(pictures.rids_of_ids(store.catalogue, [inside.id]).values()))[0]
        assert "W10" not in {tag.target for tag in now.tags if tag.state is TagState.SET}


def test_only_what_was_said_of_this_clip_is_taken_back_here(copy: Filled) -> None:
    with Store(copy.archive, by="Ines") as store:
        decision, _ = deciding.tag(store, [copy.last_before_o4], [Target(Dimension.RUN, "W10")])
        with pytest.raises(UsageError, match="not said of this clip"):
            clip_stretches.undo(store, copy.clip, decision.uid)


def test_a_long_recording_is_shown_in_parts(filled: Filled, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clips, "PART", 2)
    client = client_of(filled)
    first = client.get(f"/clip/{filled.clip}").text
    parts = re.findall(r'<a href="(/clip/[^"]*)#stills"', first)
    assert len(parts) >= 2
    shown = [re.findall(r'id="at-(\w+)"', client.get(html.unescape(part)).text) for part in parts]
    with Store(filled.archive) as store:
        wanted = [str(one.clip_ms) for one in webarchive.stills(store)]
    assert [at for part in shown for at in part if at != "words"] == wanted
    assert all(len(part) <= 2 for part in shown)


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def driver(url: str, odd_url: str) -> Iterator[Chrome]:
    """Made after the viewers, so that it lets go of their connections before they end."""
    with browser.chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def changing(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    """A copy that the tests in the browser may change."""
    return webarchive.copied(webarchive.shared(tmp_path_factory), tmp_path_factory.mktemp("clip"))


@pytest.fixture(scope="module")
def app(changing: Filled) -> Flask:
    return create_app(ViewerConfig(changing.archive, by="Ines"))


@pytest.fixture(scope="module")
def url(app: Flask) -> Iterator[str]:
    with browser.served(app) as url:
        yield url


def wait(driver: Chrome, condition: str) -> None:
    WebDriverWait(driver, 15).until(lambda driver: driver.execute_script(f"return {condition}"))


PLAYER = "document.getElementById('player')"


def at(driver: Chrome) -> float:
    wait(driver, f"!{PLAYER}.seeking")
    return cast(float, driver.execute_script(f"return {PLAYER}.currentTime"))


def said_by(element: WebElement, name: str) -> str:
    """What an attribute says; '' where it is not there."""
    return element.get_attribute(name) or ""


def open_clip(driver: Chrome, url: str, changing: Filled, more: str = "") -> None:
    open_page(driver, f"{url}/clip/{changing.clip}{more}")
    wait(driver, f"{PLAYER}.readyState >= 2")


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
def test_the_player_goes_by_keys(driver: Chrome, url: str, changing: Filled, width: int) -> None:
    size(driver, width)
    open_clip(driver, url, changing)
    body = one(driver, "body")

    def press(*keys: str) -> float:
        driver.switch_to.active_element.send_keys("".join(keys))
        return at(driver)

    assert press(Keys.ARROW_RIGHT) == pytest.approx(1, abs=0.01)
    assert press(Keys.SHIFT, Keys.ARROW_RIGHT, Keys.NULL) == pytest.approx(6, abs=0.01)
    assert press(Keys.ARROW_LEFT) == pytest.approx(5, abs=0.01)
    # The clip has ten pictures a second: each step lands in the middle of the next.
    assert press(".") == pytest.approx(5.15, abs=0.01)
    assert press(".") == pytest.approx(5.25, abs=0.01)
    assert press(",") == pytest.approx(5.15, abs=0.01)
    assert press(Keys.END) == pytest.approx(webarchive.CLIP_SECONDS, abs=0.2)
    assert press(Keys.HOME) == 0
    driver.execute_script(f"{PLAYER}.muted = true")
    press(" ")
    wait(driver, f"!{PLAYER}.paused && {PLAYER}.currentTime > 0.2")
    press("l")
    assert one(driver, "#speed").text == "2 × speed"
    press("k")
    assert driver.execute_script(f"return {PLAYER}.paused && {PLAYER}.playbackRate === 1")
    press(" ")
    wait(driver, f"!{PLAYER}.paused")
    press(" ")
    wait(driver, f"{PLAYER}.paused")
    # In a field the keys write.
    before = at(driver)
    one(driver, "#s-from").send_keys("k.j ")
    assert at(driver) == before
    assert said_by(one(driver, "#s-from"), "value").endswith("k.j ")
    body.click()
    assert browser.complaints(driver) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
def test_the_words_are_marked_as_they_come_and_read_out_only_when_asked(
    driver: Chrome, url: str, changing: Filled, width: int
) -> None:
    size(driver, width)
    open_clip(driver, url, changing)
    wait(driver, f"({PLAYER}.textTracks[0].cues || []).length === 3")
    next(link for link in every(driver, "a.cue") if "orange" in link.text).click()
    assert at(driver) == pytest.approx(7, abs=0.01)
    wait(driver, "document.getElementById('now-said').textContent.includes('W05, goes to the motor')")
    assert [link.text for link in every(driver, "a.cue[aria-current=true]")] == [
        "0:07 The orange one, W05, goes to the motor."
    ]
    line, aloud = one(driver, "#now-said"), one(driver, "#aloud")
    assert line.get_attribute("aria-live") == "off"
    aloud.click()
    assert (line.get_attribute("aria-live"), aloud.get_attribute("aria-pressed")) == ("polite", "true")
    aloud.click()
    assert line.get_attribute("aria-live") == "off"
    # Where it is on the line: 7 of 24 seconds.
    assert float(said_by(one(driver, "#playhead"), "x1").rstrip("%")) == pytest.approx(7 * 100 / 24, abs=0.6)
    driver.execute_script("document.getElementById('player').currentTime = 12")
    wait(driver, "document.querySelector('a.cue[aria-current]') === null")


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
def test_a_frame_is_kept_by_one_key_and_stands_in_the_line(
    driver: Chrome, url: str, changing: Filled, width: int
) -> None:
    size(driver, width)
    open_clip(driver, url, changing)
    moment = 10_400 if width == 1280 else 16_600
    driver.execute_script(f"window.same = 1; {PLAYER}.currentTime = {moment / 1000 + 0.03}")
    at(driver)
    driver.switch_to.active_element.send_keys("s")
    wait(driver, f"document.getElementById('at-{moment}') !== null")
    assert "is kept" in one(driver, ".keep-said").text
    assert driver.execute_script("return window.same === 1"), "the page was not left"
    order = [float(said_by(row, "data-at")) for row in every(driver, ".stretch")]
    assert order == sorted(order)
    words = [cue.text for cue in every(driver, "a.cue")]
    assert len(words) == len(set(words)) == 3
    one(driver, f"#at-{moment} form button").click()
    wait(driver, f"document.querySelector('.said') && document.getElementById('at-{moment}') === null")
    assert "is let go again" in one(driver, ".said").text


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
def test_a_stretch_is_marked_by_keys_shown_and_said(driver: Chrome, url: str, changing: Filled, width: int) -> None:
    size(driver, width)
    open_clip(driver, url, changing)
    for key, where in (("i", 4), ("o", 14)):
        driver.execute_script(f"{PLAYER}.currentTime = {where}")
        at(driver)
        driver.switch_to.active_element.send_keys(key)
    assert said_by(one(driver, "#s-from"), "value") == "0:04"
    assert float(said_by(one(driver, "#range"), "width").rstrip("%")) == pytest.approx(10 * 100 / 24, abs=0.6)
    Select(one(driver, "#s-sub")).select_by_value("MAST")
    one(driver, ".tag-stretch button").click()
    wait(driver, "document.querySelector('.would-do') !== null")
    assert "0:04 to 0:14 would say MAST" in one(driver, "#would").text
    assert "at=14000" in driver.current_url, "the page goes on where the player was"
    assert overflow(driver) <= 0
    one(driver, ".would-do form button").click()
    wait(driver, "document.querySelector('.said-of') !== null")
    assert every(driver, ".tag-bar")
    one(driver, ".said-of form button").click()
    wait(driver, "document.querySelector('.said-of') === null")
    assert "Taken back: MAST" in one(driver, ".said").text


@pytest.mark.browser
def test_the_line_is_pointed_at(driver: Chrome, url: str, changing: Filled) -> None:
    from selenium.webdriver import ActionChains

    size(driver, 1280)
    open_clip(driver, url, changing)
    line = one(driver, "#clip-line")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", line)
    ActionChains(driver).move_to_element_with_offset(line, line.size["width"] // 4, 30).click().perform()
    assert at(driver) == pytest.approx(18, abs=0.3)


# ------------------------------------------------------------------------------------------------ what does not play


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """An archive of clips that browsers play or not, by file name, and its address."""
    root = tmp_path_factory.mktemp("odd")
    source = root / "clips"
    source.mkdir()
    for make in (clipmedia.hevc, clipmedia.avi_b_frames, clipmedia.transport, clipmedia.webm, clipmedia.matroska):
        make(source)
    # H.264 of a kind that not every browser decodes although its name says H.264: ten bits, 4:2:2.
    clipmedia.draw(source / "ten-bit.mp4", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv422p10le")
    clipmedia.constant(source)
    # Sound that plays beside pictures that do not: the trap of the black box.
    clipmedia.ffmpeg(
        "-f", "lavfi", "-i", clipmedia.PICTURE, "-f", "lavfi", "-i", "sine=440:duration=7", "-c:v", "libx265",
        "-tag:v", "hvc1", "-x265-params", "log-level=none", "-c:a", "aac", str(source / "hevc-sound.mp4"),
    )  # fmt: skip
    made = archive.create(root / "build", name="LV-40", zone="Europe/Copenhagen")
    with Store(made, by="Ines", create=True) as store:
        with ThreadPoolExecutor(2) as executor:
            ingest(store, [source], executor=executor)
        ids = {medium.file: medium.id for medium in media.every(store.catalogue, "clip")}
    spoilt = next(made.originals.rglob("constant.mp4"))  # it was good when it was taken in, and its disk is not
    spoilt.chmod(0o644)
    spoilt.write_bytes(bytes(range(256)) * 300)
    return {"archive": made, "ids": ids}


@pytest.fixture(scope="module")
def odd_url(odd: dict[str, Any]) -> Iterator[str]:
    with browser.served(create_app(ViewerConfig(odd["archive"]))) as url:
        yield url


@pytest.mark.browser
@pytest.mark.parametrize("width", WIDTHS)
def test_a_clip_plays_or_shows_its_stills_and_never_a_black_box(
    driver: Chrome, odd: dict[str, Any], odd_url: str, width: int
) -> None:
    size(driver, width)
    plays = {}
    for file, id in sorted(odd["ids"].items()):
        open_page(driver, f"{odd_url}/clip/{id}")
        strip = "document.querySelector('.unplayable').checkVisibility()"
        wait(driver, f"{strip} || ({PLAYER} && {PLAYER}.readyState >= 2 && {PLAYER}.videoWidth > 0)")
        shown, player = driver.execute_script(f"return [{strip}, {PLAYER}?.checkVisibility() ?? false]")
        assert shown != player, file
        if shown:
            assert "cannot play this clip" in one(driver, ".unplayable").text
            assert every(driver, ".strip-of img"), file
            assert said_by(one(driver, ".unplayable a[download]"), "href").endswith(f"/original/{id}")
        assert overflow(driver) <= 0
        plays[file] = player
    assert plays["vp9.webm"]
    assert not any(plays[name] for name in plays if name.endswith((".avi", ".mts", ".m2ts", ".ts")))
    assert not plays["constant.mp4"]
    browser.complaints(driver)  # a clip that is refused says so in the console; that is no fault of the page


def test_without_a_script_nothing_of_doubt_is_a_player(odd: dict[str, Any]) -> None:
    client = create_app(ViewerConfig(odd["archive"])).test_client()
    for file, id in odd["ids"].items():
        page = client.get(f"/clip/{id}").text
        if file in ("vp9.webm", "ten-bit.mp4", "constant.mp4"):
            assert '<div class="unplayable" hidden>' in page
        else:
            assert '<div class="unplayable">' in page, file
            assert "<video" not in page or '<div class="player-box" hidden' in page


@pytest.mark.browser
@pytest.mark.parametrize("dark", [False, True])
def test_the_page_has_no_barrier(driver: Chrome, url: str, changing: Filled, dark: bool) -> None:
    # axe-core of Deque Systems (npm, MPL 2.0, unchanged in tests/axe_core): WCAG 2.0 to 2.2, A and AA.
    for width in (1280, 320):
        size(driver, width)
        browser.look(driver, dark=dark)
        open_clip(driver, url, changing, "?from=0:04&to=0:14&sub=MAST")
        driver.execute_script((Path(__file__).parent / "axe_core" / "axe.min.js").read_text(encoding="utf-8"))
        found = driver.execute_async_script(
            "const done = arguments[0];"
            "axe.run(document, {preload: false, runOnly: {type: 'tag', values:"
            " ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}})"
            ".then((result) => done(result.violations));"
        )
        assert [f"{one['id']}: {node['html'][:150]}" for one in found for node in one["nodes"]] == []
        assert overflow(driver) <= 0
    browser.look(driver)
    assert driver.find_elements(By.CSS_SELECTOR, "video track[kind=captions]")
