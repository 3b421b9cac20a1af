"""A whole record of the lightship against what others say of each of its forms: the Library of Congress's bagit, the
HTML standard's parser, exiftool, poppler, qpdf, unzip, OpenSSH, axe-core in Chromium."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import shlex
import shutil
import subprocess
import zipfile
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, cast
from urllib.parse import unquote, urldefrag, urlsplit

import bagit
import html5lib
import pytest
from selenium.webdriver import Chrome

from lastlook.catalogue import media
from lastlook.store import Store
from tests import browser, handover_record
from tests.handover_record import OWNER, SECRET, SERIAL, Record


@pytest.fixture(scope="session")
def record(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Record:
    return handover_record.make(tmp_path_factory, worker_id)


def pages(record: Record) -> list[Path]:
    return sorted(record.data.rglob("*.html"))


def run(*command: str | Path) -> str:
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


# ------------------------------------------------------------------------------------------------ the bag


def test_the_bag_is_valid_by_the_library_of_congress(record: Record) -> None:
    # RFC 8493, checked by bagit (https://pypi.org/project/bagit/), the Library of Congress's own program.
    bag = bagit.Bag(str(record.folder))
    bag.validate()
    assert set(bag.algorithms) == {"sha256", "sha512"}
    files = [path for path in record.data.rglob("*") if path.is_file()]
    assert bag.info["Payload-Oxum"] == f"{sum(path.stat().st_size for path in files)}.{len(files)}"
    assert bag.info["External-Description"] == "Hand-over record: Lightship LV-40"


def test_a_changed_byte_is_found(record: Record, tmp_path: Path) -> None:
    shutil.copytree(record.folder, tmp_path / "bag")
    page = tmp_path / "bag" / "data" / "index.html"
    page.write_bytes(page.read_bytes().replace(b"Hand-over", b"Hand-ovor", 1))
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(tmp_path / "bag")).validate()


def test_the_signature_is_good_by_openssh_and_bad_after_a_change(record: Record, tmp_path: Path) -> None:
    signers = tmp_path / "signers"
    signers.write_text(f"builder {record.key.with_suffix('.pub').read_text()}")
    signed = record.folder / "tagmanifest-sha512.txt"
    command = ["ssh-keygen", "-Y", "verify", "-f", str(signers), "-I", "builder", "-n", "lastlook-record"]
    command += ["-s", str(signed) + ".sig"]
    good = subprocess.run(command, input=signed.read_bytes(), capture_output=True, check=False)
    assert b'Good "lastlook-record" signature for builder' in good.stdout
    bad = subprocess.run(command, input=signed.read_bytes() + b" ", capture_output=True, check=False)
    assert bad.returncode != 0
    # What the record tells the client to type does what it says.
    told = " ".join(html.unescape((record.data / "limits.html").read_text(encoding="utf-8")).split())
    typed = re.search(r"run: (ssh-keygen .*?) — it must answer: (Good .*? signature)", told)
    listed = re.search(r"or run (sha512sum .*?) \(on macOS", told)
    assert typed
    assert listed
    for line, answer in (
        (typed[1].replace("allowed_signers", shlex.quote(str(signers))), typed[2]),
        (listed[1], ""),
    ):
        done = subprocess.run(line, shell=True, cwd=record.folder, capture_output=True, text=True, check=True)
        assert done.stdout.startswith(answer) if answer else not done.stdout + done.stderr


def test_the_zip_opens_and_holds_the_same(record: Record, tmp_path: Path) -> None:
    run("unzip", "-tqq", record.zip_file)
    run("unzip", "-qq", record.zip_file, "-d", tmp_path)
    unpacked = tmp_path / record.folder.name
    bagit.Bag(str(unpacked)).validate()
    with zipfile.ZipFile(record.zip_file) as packed:
        names = packed.namelist()
    # Names that Windows cannot hold: reserved letters, endings, and two that differ in case only.
    assert not [name for name in names if re.search(r'[<>:"\\|?*\x00-\x1f]|[ .](?:/|$)', name)]
    assert len({name.casefold() for name in names}) == len(names)
    assert max(map(len, names)) < 180


# ------------------------------------------------------------------------------------------------ the pages


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.ids: set[str] = set()
        self.images_without_words = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if found.get("id"):
            self.ids.add(str(found["id"]))
        self.links += [str(found[name]) for name in ("href", "src") if found.get(name)]
        self.images_without_words += tag == "img" and not found.get("alt")


def test_every_page_is_html_and_every_link_leads_somewhere(record: Record) -> None:
    parsed: dict[Path, _Links] = {}
    for page in pages(record):
        text = page.read_text(encoding="utf-8")
        html5lib.HTMLParser(strict=True).parse(text)  # the HTML standard's own parsing rules; strict raises
        parsed[page] = _Links()
        parsed[page].feed(text)
        assert not parsed[page].images_without_words
    checked = 0
    for page, links in parsed.items():
        for link in links.links:
            address, anchor = urldefrag(link)
            assert not urlsplit(link).scheme, f"{page.name} leaves the record: {link}"
            target = (page.parent / unquote(urlsplit(address).path)).resolve() if address else page
            assert target.is_file(), f"{page.name} → {link}"
            assert target.is_relative_to(record.data.resolve())
            if anchor:
                assert anchor in parsed[target].ids, f"{page.name} → {link}"
            checked += 1
    assert checked > 500


def test_every_picture_leads_to_its_originals_checksum_time_and_basis(record: Record) -> None:
    listed = json.loads((record.data / "tables" / "pictures.json").read_text(encoding="utf-8"))["pictures"]
    with Store(record.archive) as store:
        sums = {medium.sha256 for medium in media.every(store.catalogue)}
    assert len(listed) > 20
    for one in listed:
        page = (record.data / "picture" / f"{one['id']}.html").read_text(encoding="utf-8")
        assert one["sha256"] in sums
        assert one["sha256"] in page
        assert one["basis"] in page
        assert one["earliest"] in page
        assert one["latest"] in page
        assert one["earliest"] <= one["taken_at"] <= one["latest"]


def test_what_is_not_recorded_is_said(record: Record) -> None:
    gaps = (record.data / "limits.html").read_text(encoding="utf-8")
    assert "Cleaning: not recorded" in gaps
    assert "is not a certificate of electrical or structural safety" in gaps
    handling = (record.data / "handling.html").read_text(encoding="utf-8")
    assert "5 V DC, 1 A, centre positive, through J1." in handling
    assert f'href="picture/{record.tracked}.html"' in handling
    changes = (record.data / "changes.html").read_text(encoding="utf-8")
    assert "Yes, but\nthe collar white." in changes


def test_private_words_names_and_pictures_are_nowhere(record: Record) -> None:
    found = [path for path in record.folder.rglob("*") if path.is_file()]
    assert not [path for path in found if record.private in path.name or SECRET in path.name]
    for path in found:
        data = path.read_bytes()
        for hidden in (SECRET, record.private, "Harbour museum"):
            assert hidden.encode() not in data, f"{hidden} in {path.name}"
    # Streams of a PDF are packed: its words are read by poppler.
    words = run("pdftotext", record.data / "record.pdf", "-")
    assert SECRET not in words
    assert "Harbour museum" not in words
    with zipfile.ZipFile(record.zip_file) as packed:
        assert not [name for name in packed.namelist() if SECRET in name or record.private in name]
    assert "private" in (record.data / "limits.html").read_text(encoding="utf-8")


# ------------------------------------------------------------------------------------------------ pictures


def exif_of(*paths: Path) -> list[dict[str, Any]]:
    found = run("exiftool", "-j", "-G1", "-a", "-struct", "-n", *paths)
    return cast(list[dict[str, Any]], json.loads(found))


def test_copies_carry_titles_and_alt_text_and_nothing_of_the_original(record: Record) -> None:
    copies = sorted((record.data / "pictures").iterdir())
    small = sorted((record.data / "small").iterdir())
    for tags in exif_of(*copies, *small):
        groups = {key.split(":")[0] for key in tags}
        assert not groups & {"GPS", "IFD0", "IFD1", "ExifIFD", "MakerNotes", "IPTC"}, tags["SourceFile"]
        said = json.dumps(tags)
        assert OWNER not in said
        assert SERIAL not in said
        assert tags["XMP-iptcCore:AltTextAccessibility"]
        assert tags["XMP-dc:Title"]
        assert tags["XMP-iptcExt:DigitalImageGUID"] == Path(tags["SourceFile"]).stem
        assert tags["XMP-iptcExt:DigitalSourceType"].endswith("/digitalCapture")
        assert tags["XMP-iptcExt:ArtworkOrObject"][0]["AOTitle"] == "Lightship LV-40"
    one = next(tags for tags in exif_of(*copies) if tags["SourceFile"].endswith(f"{record.tracked}.jpg"))
    assert one["XMP-dc:Description"] == "Mast foot with its größte Länge, Ωμ and кириллица."
    assert "run:W03" in one["XMP-dc:Subject"]


def test_a_route_that_was_drawn_is_drawn_on_a_copy_that_says_so(record: Record) -> None:
    from PIL import Image

    drawn = record.data / "drawn" / f"{record.tracked}.jpg"
    (tags,) = exif_of(drawn)
    assert tags["XMP-iptcExt:DigitalSourceType"].endswith("/compositeCapture")
    with Image.open(drawn) as image, Image.open(record.data / "pictures" / drawn.name) as plain:
        assert image.size == plain.size
        # The upright picture is 720 × 960 in full: the trace of the white run W03 passes (100, 400).
        scale = image.width / 720
        at = round(100 * scale), round(400 * scale)
        assert min(cast(tuple[int, ...], image.getpixel(at))) > 180
        assert min(cast(tuple[int, ...], plain.getpixel(at))) < 150
    assert f'src="../drawn/{record.tracked}.jpg"' in (record.data / "picture" / f"{record.tracked}.html").read_text()
    assert "drawn on pictures" in (record.data / "wires.html").read_text()
    # Where it lies is said in both copies and the small one as well (IPTC Photo Metadata 2025.1: Image Region), as
    # shares of the picture: x from 100 to 600 of 720, y from 120 to 900 of 960.
    for copy in (drawn, record.data / "pictures" / drawn.name, record.data / "small" / drawn.name):
        (region,) = exif_of(copy)[0]["XMP-iptcExt:ImageRegion"]
        assert region["Name"] == "W03 Lantern plus"
        assert region["RId"] == "W03-1"
        boundary = region["RegionBoundary"]
        assert (boundary["RbShape"], boundary["RbUnit"]) == ("rectangle", "relative")
        sides = [float(boundary[name]) for name in ("RbX", "RbY", "RbW", "RbH")]
        assert sides == pytest.approx([100 / 720, 120 / 960, 500 / 720, 780 / 960], abs=1e-3)


def test_an_original_that_goes_along_keeps_its_pixels_and_loses_the_rest(record: Record) -> None:
    from PIL import Image, ImageChops

    with Store(record.archive) as store:
        known = {medium.sha256[:12]: medium for medium in media.every(store.catalogue)}
        stored = known[record.tracked[1:]]
        source = record.archive.original(stored.stored, stored.in_place)
    (handed,) = (record.data / "originals").glob(f"{record.tracked[1:]}*")
    before, after = exif_of(source, handed)
    # Else the check would pass on a file that never had them.
    assert before["GPS:GPSLatitude"]
    assert before["ExifIFD:SerialNumber"] == SERIAL
    assert "IFD1:ThumbnailImage" in before
    said = json.dumps(after)
    assert SERIAL not in said
    assert OWNER not in said
    assert not [key for key in after if key.split(":")[0] in {"GPS", "IFD1", "ExifIFD", "XMP-dc", "IPTC"}]
    assert after["IFD0:Orientation"] == before["IFD0:Orientation"] == 6
    with Image.open(source) as first, Image.open(handed) as second:
        assert ImageChops.difference(first, second).getbbox() is None


# ------------------------------------------------------------------------------------------------ print and tables


def test_the_print_is_sound_and_its_words_can_be_read(record: Record) -> None:
    pdf = record.data / "record.pdf"
    run("qpdf", "--check", pdf)
    facts = dict(line.split(":", 1) for line in run("pdfinfo", pdf).splitlines() if ":" in line)
    assert facts["Title"].strip() == "Hand-over record: Lightship LV-40"
    assert facts["Tagged"].strip() == "yes"
    count = int(facts["Pages"])
    words = run("pdftotext", "-layout", pdf, "-")
    assert "größte Länge, Ωμ and кириллица" in " ".join(run("pdftotext", pdf, "-").split())
    assert f"Page {count}" in words
    each = words.split("\f")
    # The contents name the page on which a chapter begins.
    found = re.search(r"^Wire schedule \.+ (\d+)$", words, re.MULTILINE)
    assert found is not None
    assert "Wire schedule" in each[int(found[1]) - 1]
    fonts = run("pdffonts", pdf).splitlines()[2:]
    assert fonts
    assert all(" yes yes yes " in line for line in fonts), fonts  # embedded, subset, with letters for search
    outline = json.loads(run("qpdf", "--json", "--json-key=outlines", pdf))["outlines"]
    assert {"Wire schedule", "Gaps and limits"} <= {one["title"] for one in outline}
    everything = json.loads(run("qpdf", "--json", "--json-key=qpdf", pdf))["qpdf"][1]
    alts = [
        value["value"]["/Alt"]
        for value in everything.values()
        if isinstance(value.get("value"), dict) and "/Alt" in value["value"]
    ]
    assert len(alts) >= len(list((record.data / "pictures").iterdir()))


def test_the_tables_can_be_read_by_other_programs(record: Record) -> None:
    text = (record.data / "tables" / "schedule.csv").read_bytes().decode("utf-8-sig")
    rows = {row["id"]: row for row in csv.DictReader(io.StringIO(text, newline=""))}
    whole = json.loads((record.data / "tables" / "schedule.json").read_text(encoding="utf-8"))
    # trade values of the invented lightship: W03 white, AWG 30, 610 mm with a loop of 80 mm.
    assert (rows["W03"]["colour"], rows["W03"]["gauge_awg"], rows["W03"]["cut_length_mm"]) == ("WH", "30", "610")
    assert {run["id"] for run in whole["runs"]} == set(rows)
    listed = json.loads((record.data / "tables" / "pictures.json").read_text(encoding="utf-8"))["pictures"]
    assert record.private not in {one["id"] for one in listed}


# ------------------------------------------------------------------------------------------------ in a browser


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    with browser.chromium() as opened:
        yield opened


@pytest.mark.browser
@pytest.mark.parametrize("dark", [False, True])
def test_the_pages_have_no_barrier_and_fit_a_phone(record: Record, driver: Chrome, dark: bool) -> None:
    names = ["index.html", "wires.html", "handling.html", "access.html", "limits.html", "search.html"]
    for name in [*names, f"picture/{record.tracked}.html", "pictures.html"]:
        for width in (1280, 320):  # 320 CSS pixels: WCAG 2.2, 1.4.10
            browser.size(driver, width)
            browser.look(driver, dark=dark)
            browser.open_page(driver, (record.data / name).as_uri())
            assert browser.overflow(driver) <= 0, f"{name} at {width}"
            if width == 1280 or name == "wires.html":
                assert not browser.axe(driver), name
            assert not browser.complaints(driver), name


@pytest.mark.browser
def test_the_search_finds_words_ids_and_beginnings_without_a_network(record: Record, driver: Chrome) -> None:
    browser.size(driver, 1280)
    browser.open_page(driver, (record.data / "search.html").as_uri())
    field = browser.one(driver, "#q")
    for asked, wanted in (("GROSSTE lange", record.tracked), ("w03 lant", "run-W03"), ("кирил", record.tracked)):
        field.clear()
        field.send_keys(asked)
        links = [str(link.get_attribute("href")) for link in browser.every(driver, "#found a")]
        assert any(wanted in link for link in links), (asked, links[:5])
    field.clear()
    field.send_keys(SECRET)
    assert browser.one(driver, "#count").text == "Nothing in this record has all of these words."


@pytest.mark.browser
def test_the_pages_can_be_read_without_javascript(record: Record, driver: Chrome) -> None:
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        driver.get((record.data / "search.html").as_uri())
        assert "Searching needs JavaScript" in browser.one(driver, "noscript").text
        driver.get((record.data / "wires.html").as_uri())
        assert "W03 Lantern plus" in browser.one(driver, "main").text
        assert "WH white" in browser.one(driver, "table").text  # the code stands beside the drawn colour
    finally:
        driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
