"""The parts of a record one by one: the bag's lines, the packet in a picture, what is taken out of an original, the
tables, the ZIP, what is private, previews, interruptions, approvals."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import shutil
import subprocess
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import Mock
from xml.etree import ElementTree

import bagit
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from lastlook import approvals, archive, ingest, stating
from lastlook.archive import Archive
from lastlook.catalogue import decisions
from lastlook.cli.main import root as command
from lastlook.errors import ArchiveError, UsageError
from lastlook.gathering import Scope
from lastlook.handing_over import Options, check_target, preview, write
from lastlook.handover import bag, bare_photos, cleaning, fonts, metadata, packing, profiles, signing, site, tables
from lastlook.handover.material import Audience
from lastlook.progress import Progress, Stage
from lastlook.store import Store
from tests import lightship
from tests.archives import Inline
from tests.archives import photo as bench_photo
from tests.handover_record import OWNER, SERIAL, with_place


@pytest.fixture
def small(tmp_path: Path) -> Archive:
    """A build of one photo."""
    made = archive.create(tmp_path / "build", name="LV-40", zone="UTC")
    with Store(made, create=True) as store:
        ingest.ingest(store, [bench_photo(tmp_path / "phone" / "one.jpg", 1)], executor=Inline())
    return made


# ------------------------------------------------------------------------------------------------ bag and ZIP


def test_the_worked_example_of_a_bag(tmp_path: Path) -> None:
    # SHA-256 and SHA-512 of "hello\n", computed by coreutils' sha256sum and sha512sum.
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "hello.txt").write_bytes(b"hello\n")
    bag.write(tmp_path, [])
    assert (tmp_path / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert (tmp_path / "manifest-sha256.txt").read_text() == (
        "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03  data/hello.txt\n"
    )
    assert (tmp_path / "manifest-sha512.txt").read_text().startswith("e7c22b994c59d9cf2b48e549b1e24666636045930d3da7c1")
    assert (tmp_path / "bag-info.txt").read_text() == "Payload-Oxum: 6.1\n"
    bagit.Bag(str(tmp_path)).validate()


def test_awkward_names_are_encoded_as_the_standard_says(tmp_path: Path) -> None:
    # RFC 8493, 2.1.3: only line feed, carriage return and the percent sign are encoded.
    (tmp_path / "data").mkdir()
    for name in ("100 %.txt", "größe.txt", "two\nlines.txt"):
        (tmp_path / "data" / name).write_bytes(name.encode())
    bag.write(tmp_path, [("Contact-Name", "two\nlines")])
    text = (tmp_path / "manifest-sha256.txt").read_text(encoding="utf-8")
    assert "  data/100 %25.txt\n" in text
    assert "  data/two%0Alines.txt\n" in text
    assert "  data/größe.txt\n" in text
    assert "Contact-Name: two lines\n" in (tmp_path / "bag-info.txt").read_text()


def test_the_zip_is_the_same_each_time_and_can_hold_more_than_four_gigabytes(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "größe.txt").write_bytes(b"x" * 1000)
    stamp = datetime(2026, 3, 27, 11, 29, 31, tzinfo=UTC)
    for name in ("a.zip", "b.zip"):
        packing.write(tmp_path / "in", tmp_path / name, stamp, name="record")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip") as packed:
        info = packed.getinfo("record/größe.txt")
        assert info.date_time == (2026, 3, 27, 11, 29, 30)  # the format counts in steps of two seconds
        assert info.flag_bits & 0x800  # the name is UTF-8
    # A file whose size is known to be beyond 4 GiB gets the larger fields (extra field 1 of ZIP's APPNOTE, 4.5.3).
    # Measured once by hand, since it takes too long here: a record with a clip of 4.4 GB, packed in 84 s on a busy
    # machine, is listed and tested whole by Info-ZIP's unzip 6.00 and by Python's zipfile.
    large = zipfile.ZipInfo("large")
    large.file_size, large.CRC = 5 << 30, 0
    assert b"\x01\x00\x10\x00" in large.FileHeader(zip64=None)


def test_a_signature_needs_a_usable_key(tmp_path: Path) -> None:
    signed = tmp_path / "file"
    signed.write_bytes(b"x")
    with pytest.raises(UsageError, match="cannot be read"):
        signing.sign(signed, tmp_path / "none")
    (tmp_path / "wrong").write_text("no key")
    with pytest.raises(UsageError, match="is no private key"):
        signing.sign(signed, tmp_path / "wrong")


# ------------------------------------------------------------------------------------------------ metadata


_TEXT = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=60)


@settings(deadline=None, max_examples=60)
@given(title=_TEXT, description=_TEXT, words=st.lists(_TEXT.filter(bool), max_size=4))
def test_any_text_comes_back_from_the_packet(title: str, description: str, words: list[str]) -> None:
    described = metadata.Description("p1", title, description, "alt", "", tuple(words), "event", "S01", "thing", "de")
    body = metadata.packet(described)
    tree = ElementTree.fromstring(body)
    said = [node.text or "" for node in tree.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li")]
    for text in (title, description, *words):
        # XML 1.0 cannot hold controls, nor two code points that Unicode calls no characters (section 2.2).
        held = "".join(
            letter for letter in text if letter in "\t\n" or (ord(letter) >= 32 and letter not in "\ufffe\uffff")
        )
        assert not held or held in said


@pytest.mark.parametrize("letter", ["&", "\U00010330", "a"])
def test_a_copy_with_more_words_than_a_segment_holds_is_written_all_the_same(tmp_path: Path, letter: str) -> None:
    many = letter * 2000  # the longest caption
    corners = tuple((index / 900, 0.5) for index in range(900))
    regions = (metadata.Region("W03", "W03 lamp feed", corners),)
    described = metadata.Description(
        "p1", many, many, f"Photo: {many}", many, ("run:W03",), "", "", "LV-40", "de", regions=regions
    )
    assert len(metadata.packet(described)) > 65_502
    metadata.save(Image.new("RGB", (64, 48)), tmp_path / "p1.jpg", described)
    done = subprocess.run(
        ["exiftool", "-j", "-XMP:all", "-validate", "-warning", str(tmp_path / "p1.jpg")],
        capture_output=True,
        check=True,
    )
    (told,) = json.loads(done.stdout)
    assert "Warning" not in told
    assert told["Subject"] == "run:W03"
    assert told["Description"].rstrip("…") in many
    assert len(told["Description"]) >= 250
    if letter == "a":  # the words fit when the many corners are left out
        assert told["Description"] == many


def jpeg(path: Path) -> bytes:
    return with_place(path, (10, 90, 40)).read_bytes()


def test_an_original_loses_all_that_names_place_and_owner(tmp_path: Path) -> None:
    data = jpeg(tmp_path / "one.jpg")
    assert OWNER.encode() in data
    clean = bare_photos.jpeg(data)
    assert OWNER.encode() not in clean
    assert SERIAL.encode() not in clean
    with Image.open(io.BytesIO(clean)) as image, Image.open(io.BytesIO(data)) as before:
        assert image.tobytes() == before.tobytes()
        assert image.getexif()[0x0112] == 6
    # What a phone appends behind the picture (a second one, a clip) is left behind as well.
    assert bare_photos.jpeg(data + b"moving picture " + OWNER.encode()) == clean
    assert bare_photos.jpeg(clean) == clean


def test_a_progressive_picture_with_its_many_scans_stays_whole(tmp_path: Path) -> None:
    held = io.BytesIO()
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    noise = Image.effect_noise((300, 200), 80).convert("RGB")
    noise.save(held, "JPEG", progressive=True, comment=OWNER.encode(), icc_profile=profile)
    clean = bare_photos.jpeg(held.getvalue())
    assert OWNER.encode() not in clean
    with Image.open(io.BytesIO(clean)) as image:
        assert image.info["icc_profile"] == profiles.bare(profile)
        with Image.open(io.BytesIO(held.getvalue())) as before:
            assert image.tobytes() == before.tobytes()


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=300))
def test_no_garbage_passes_as_a_clean_original(data: bytes) -> None:
    try:
        clean = bare_photos.jpeg(b"\xff\xd8" + data)
    except cleaning.NotCleanable:
        return
    assert clean.startswith(b"\xff\xd8")
    with pytest.raises(cleaning.NotCleanable):
        bare_photos.jpeg(b"\x89PNG" + data)


# ------------------------------------------------------------------------------------------------ previews and scope


def test_a_preview_says_what_goes_in_how_large_and_what_is_missing(lightship_archive: Archive, tmp_path: Path) -> None:
    options = Options(scope=Scope(("MAST",)), print_=True)
    with Store(lightship_archive) as store:
        seen = preview(store, options)
        assert not list(tmp_path.iterdir())
        written = write(store, options, tmp_path / "record")
    assert written.pictures == seen.photos + seen.stills
    assert 0.5 < written.size_bytes / seen.size_bytes < 2
    assert "Cleaning: not recorded" in seen.gaps
    # Of what is out of scope nothing is said to be missing.
    assert not [gap for gap in seen.gaps if gap.startswith(("HULL-", "W01", "W07", "P-TB"))]
    assert seen.content.scope == "MAST Lantern mast"


def test_scope_and_audience_choose_pictures(lightship_archive: Archive) -> None:
    with Store(lightship_archive) as store:
        every = preview(store, Options(audience=Audience.REPAIRER, print_=False))
        client = preview(store, Options(print_=False))
        mast = preview(store, Options(audience=Audience.REPAIRER, scope=Scope(("mast",)), print_=False))
        noon = datetime(2026, 3, 27, tzinfo=UTC)
        late = preview(store, Options(audience=Audience.REPAIRER, scope=Scope(since=noon), print_=False))
        own = preview(store, Options(audience=Audience.OWN, print_=False))
    assert set(client.content.pictures) < set(every.content.pictures)
    assert set(mast.content.pictures) < set(every.content.pictures)
    assert {run.id for run in mast.content.runs} == {"W03", "W04", "W05", "W06", "W10"}
    assert late.content.pictures
    assert all(entry.latest >= "2026-03-27" for entry in late.content.pictures.values())
    assert not any(entry.spoken or entry.camera for entry in every.content.pictures.values())
    assert any(entry.spoken for entry in own.content.pictures.values())
    assert any(entry.camera for entry in own.content.pictures.values())


def test_each_field_that_is_private_goes(lightship_archive: Archive, tmp_path: Path) -> None:
    made = lightship.copy(lightship_archive, tmp_path)
    with Store(made, by="Ann Builder") as store:
        stating.state(store, "clean", "Dry brush.", person="Ann Builder")
        before = json.dumps(_said(store))
        assert "Harbour museum" in before
        assert "Ann Builder" in before
        assert "IMG_2026" in before
        assert "Feed landed" in before
        stating.mark_private(store, fields=["client", "people", "file-names", "captions", "cameras", "spoken"])
        after = json.dumps(_said(store))
        for word in ("Harbour museum", "Ann Builder", "IMG_2026", "Feed landed", "Keelson"):
            assert word not in after, word
        assert "Dry brush." in after
        stating.mark_private(store, fields=["client"], private=False)
        assert "Harbour museum" in json.dumps(_said(store))
        with pytest.raises(UsageError, match="no field 'colour'"):
            stating.mark_private(store, fields=["colour"])


def _said(store: Store) -> list[object]:
    content = preview(store, Options(audience=Audience.OWN, print_=False)).content
    return [repr(content), tables.pictures(content), site._index(content)]


def test_letters_that_the_print_lacks_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fonts, "_of_machine", lambda letter, lacking: None)
    # U+E0F1 is private use, U+0378 not assigned: no font has them, and none may vanish without a word.
    found = fonts.look(["größte Ωμ кириллица", "\ue0f1 → \u0378"])
    assert found.missing == "\u0378\ue0f1"
    assert found.printable("a → \ue0f1 b\x00\u0378") == "a –> [?] b[?]"


# ------------------------------------------------------------------------------------------------ writing


def test_the_same_archive_gives_the_same_bytes(lightship_archive: Archive, tmp_path: Path) -> None:
    sums = []
    for name in ("one", "two"):
        with Store(lightship_archive) as store:
            out = tmp_path / name / "record"
            out.parent.mkdir()
            write(store, Options(scope=Scope(("DKH",)), language="de", zip_=True), out)
        found = sorted(path for path in out.parent.rglob("*") if path.is_file())
        sums.append(
            {str(path.relative_to(out.parent)): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}
        )
    assert sums[0] == sums[1]
    assert "record.zip" in sums[0]
    assert "record/data/record.pdf" in sums[0]


@pytest.mark.parametrize("stage", [Stage.PICTURES, Stage.PAGES, Stage.SUMS])
def test_an_interrupted_run_leaves_nothing(lightship_archive: Archive, tmp_path: Path, stage: Stage) -> None:
    def stop(progress: Progress) -> None:
        if progress.stage is stage:
            raise KeyboardInterrupt

    with Store(lightship_archive) as store:
        with pytest.raises(KeyboardInterrupt):
            write(store, Options(scope=Scope(("DKH",)), zip_=True), tmp_path / "record", report=stop)
        assert not list(tmp_path.iterdir())


def test_a_record_never_takes_the_place_of_something(lightship_archive: Archive, tmp_path: Path) -> None:
    (tmp_path / "record").mkdir()
    with Store(lightship_archive) as store:
        with pytest.raises(UsageError, match="is there already"):
            write(store, Options(), tmp_path / "record")
        # A refusal comes before the work, and alone: nothing of what would be missing is listed above it.
        with pytest.raises(UsageError, match="cannot be read"):
            check_target(store, Options(key=tmp_path / "none"), tmp_path / "new")
        refused = CliRunner().invoke(
            command, ["handover", str(tmp_path / "record"), "--archive", str(store.archive.root)]
        )
        assert (type(refused.exception), refused.output) == (UsageError, "")
        with pytest.raises(UsageError, match="cannot lie inside the archive"):
            write(store, Options(), lightship_archive.root / "record")
        with pytest.raises(UsageError, match="copies of 10 pixels"):
            preview(store, Options(edge=10))
        # What a killed run has left is cleared away by the next.
        (tmp_path / ".new.part" / "data").mkdir(parents=True)
        write(store, Options(scope=Scope(("DKH",)), print_=False), tmp_path / "new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["new", "record"]


@pytest.mark.parametrize("full", ["bag.write", "packing.write", "site.write", "metadata.copy"])
def test_a_full_disk_is_said_and_nothing_is_left(
    small: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, full: str
) -> None:
    place, name = full.split(".")
    error = OSError(errno.ENOSPC, "No space left on device")
    monkeypatch.setattr(
        {"bag": bag, "packing": packing, "site": site, "metadata": metadata}[place], name, Mock(side_effect=error)
    )
    out = tmp_path / "out"
    out.mkdir()
    with Store(small) as store, pytest.raises(ArchiveError, match="could not be written: no space left on device"):
        write(store, Options(audience=Audience.REPAIRER, zip_=True, print_=False), out / "record")
    assert not list(out.iterdir())


def test_a_name_no_disk_can_hold_is_refused_before_anything_is_done(small: Archive, tmp_path: Path) -> None:
    with Store(small) as store:
        for name in ("x" * 241, "ø" * 121):
            with pytest.raises(UsageError, match=r"has 24[12] bytes; 240 is the most"):
                write(store, Options(print_=False), tmp_path / name)
        with pytest.raises(UsageError, match="240 is the most"):
            approvals.send(store, tmp_path / f"{'x' * 300}.pdf", point="a", wording="b", picture_ids=["p0"])
        write(store, Options(audience=Audience.REPAIRER, zip_=True, print_=False), tmp_path / ("x" * 240))


def test_options_that_contradict_each_other_are_refused(lightship_archive: Archive) -> None:
    with Store(lightship_archive) as store, pytest.raises(UsageError, match="never carry"):
        preview(store, Options(keep_metadata=True))


# ------------------------------------------------------------------------------------------------ approvals, commands


def test_a_pack_goes_out_and_the_answer_is_kept_word_for_word(lightship_archive: Archive, tmp_path: Path) -> None:
    made = lightship.copy(lightship_archive, tmp_path)
    with Store(made, by="builder") as store:
        out = tmp_path / "pack.html"
        pack = approvals.send(store, out, point="colour", wording="Is this white right?", picture_ids=["p27ee"])
        page = out.read_bytes()
        assert hashlib.sha256(page).hexdigest() == pack.body["sha256"]
        assert b"Is this white right?" in page
        shown = pack.body["pictures"]
        assert isinstance(shown, list)
        assert str(shown[0]["sha256"]).encode() in page
        words = "Yes — but\n  warmer, please."
        approvals.answer(store, pack.uid[:8], "changes", words=words, person="A. Client", at="27 March 2026")
        (found,) = approvals.packs(store)
        assert found.answer is not None
        assert found.answer.body["words"] == words
        with pytest.raises(UsageError, match="is no pack"):
            approvals.answer(store, found.answer.uid, "yes", words="x", person="y")
        with pytest.raises(UsageError, match="neither a page nor a print"):
            approvals.send(store, tmp_path / "x.doc", point="a", wording="b", picture_ids=["p27ee"])
        stating.mark_private(store, picture_ids=["pdd87"])
        with pytest.raises(UsageError, match="is private"):
            approvals.send(store, tmp_path / "y.html", point="a", wording="b", picture_ids=["pdd87"])
        assert not (tmp_path / "y.html").exists()
        assert [one.kind for one in decisions.every(store.catalogue)][-1] == "private"


def test_the_commands_say_what_they_do(lightship_archive: Archive, tmp_path: Path) -> None:
    made = lightship.copy(lightship_archive, tmp_path)
    where = ["--archive", str(made.root)]

    def run(*arguments: str) -> str:
        done = CliRunner().invoke(command, [*arguments, *where], standalone_mode=False)
        assert done.exception is None, done.exception
        return done.stdout

    told = json.loads(run("state", "supply", "5 V DC", "--picture", "p27ee", "--json"))
    assert told["pictures"] == ["p27eeeba0644b"]
    assert "“5 V DC”" in run("state")
    assert json.loads(run("private", "pdd87", "--json"))["private"] is True
    assert "picture pdd872663494a" in run("private")
    seen = json.loads(run("handover", str(tmp_path / "out"), "--in", "DKH", "--preview", "--json"))
    assert seen["pictures"]
    assert not (tmp_path / "out").exists()
    told = json.loads(run("handover", str(tmp_path / "out"), "--in", "DKH", "--no-pdf", "--quiet", "--yes", "--json"))
    assert Path(told["folder"], "data", "index.html").is_file()
    shutil.rmtree(told["folder"])
    pack = json.loads(
        run("approval", "ask", str(tmp_path / "a.html"), "p27ee", "--point", "x", "--wording", "y", "--json")
    )
    run("approval", "answer", pack["pack"], "yes", "--words", "Yes.", "--person", "A")
    assert json.loads(run("approval", "list", "--json"))[0]["words"] == "Yes."


@pytest.mark.parametrize("year", [1, 1979, 2108, 9999])
def test_a_zip_is_written_whatever_the_clock_said(tmp_path: Path, year: int) -> None:
    (tmp_path / "bag").mkdir()
    (tmp_path / "bag" / "a.txt").write_text("a")
    packing.write(tmp_path / "bag", tmp_path / "a.zip", datetime(year, 6, 1, tzinfo=UTC), name="bag")
    with zipfile.ZipFile(tmp_path / "a.zip") as packed:
        assert packed.testzip() is None
        assert packed.namelist() == ["bag/a.txt"]
