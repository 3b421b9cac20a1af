"""What is private stays behind in whole originals as well; names any system can hold; where a record may lie."""

from __future__ import annotations

import io
import json
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms

from lastlook import archive, ingest, stating
from lastlook.archive import Archive
from lastlook.catalogue import media, pictures
from lastlook.closing.records import Waiver
from lastlook.errors import UsageError
from lastlook.gathering import Scope, material
from lastlook.handing_over import Options, preview, write
from lastlook.handover import bare_photos, chapters_behind, profiles, stripping
from lastlook.handover.chapters import Desk
from lastlook.handover.material import Audience
from lastlook.handover.words import words_of
from lastlook.previewing import _name
from lastlook.records import Picture
from lastlook.store import Store
from tests.archives import Inline
from tests.archives import photo as bench_photo

EVERYTHING = Options(audience=Audience.REPAIRER, originals=True, print_=False)


@pytest.fixture
def small(tmp_path: Path) -> Archive:
    """A build of two photos, one under an awkward name, and a clip of two scenes with sound."""
    source = tmp_path / "phone"
    bench_photo(source / "one.jpg", 1)
    bench_photo(source / f"{'𐌰' * 62}.jpg", 2)  # 252 bytes: as long as a name may be
    subprocess.run(
        ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=160x120:d=24:r=5", "-f", "lavfi", "-i",
         "smptebars=s=160x120:d=24:r=5", "-f", "lavfi", "-i", "sine=d=48", "-filter_complex", "[0][1]concat=n=2[v]",
         "-map", "[v]", "-map", "2:a", "-pix_fmt", "yuv420p", "-g", "5", str(source / "talk.mp4")],
        check=True,
    )  # fmt: skip
    made = archive.create(tmp_path / "build", name="LV-40", zone="UTC")
    with Store(made, create=True) as store:
        ingest.ingest(store, [source], executor=Inline())
    return made


def stills(store: Store) -> list[Picture]:
    (clip,) = media.every(store.catalogue, "clip")
    return pictures.of_medium(store.catalogue, clip.sha256)


def test_a_clip_with_a_private_still_does_not_leave_whole(small: Archive) -> None:
    with Store(small, by="builder") as store:
        first, *others = stills(store)
        assert others
        assert not preview(store, EVERYTHING).left_out
        stating.mark_private(store, picture_ids=[first.id])
        for options in (EVERYTHING, replace(EVERYTHING, keep_metadata=True)):
            seen = preview(store, options)
            assert {one.id for one in others} <= set(seen.content.pictures)
            assert seen.left_out == ("talk.mp4: a picture of it is private",)
            assert seen.originals == 2


@pytest.mark.parametrize("keep_metadata", [False, True])
def test_an_original_that_is_another_file_by_now_does_not_go_along(
    small: Archive, tmp_path: Path, keep_metadata: bool
) -> None:
    options = replace(EVERYTHING, keep_metadata=keep_metadata)
    with Store(small, by="builder") as store:
        known = {one.file: small.original(one.stored, one.in_place) for one in media.every(store.catalogue)}
        one, talk = known.pop("one.jpg"), known.pop("talk.mp4")
        (gone,) = known.values()
        gone.unlink()
        overwritten = bench_photo(tmp_path / "other.jpg", 3).read_bytes()
        length = one.stat().st_size
        for path, data in (one, overwritten[:length].ljust(length, b"\0")), (talk, overwritten):
            path.chmod(0o600)
            path.write_bytes(data)
        another = "its original is not the file that was taken in"
        foreseen = {f"{gone.name}: its original is not where it was", f"talk.mp4: {another}"}
        assert set(preview(store, options).left_out) == foreseen
        # Of the same length: that it is another is seen when it is read.
        assert set(write(store, options, tmp_path / "record").left_out) == {*foreseen, f"one.jpg: {another}"}
    assert not list((tmp_path / "record" / "data" / "originals").iterdir())
    limits = (tmp_path / "record" / "data" / "limits.html").read_text(encoding="utf-8")
    assert f"Original not in this record: one.jpg: {another}." in limits


def test_words_that_are_private_are_not_heard_in_a_clip(small: Archive, tmp_path: Path) -> None:
    with Store(small, by="builder") as store:
        stating.mark_private(store, fields=["spoken"])
        write(store, EVERYTHING, tmp_path / "record")
        assert preview(store, replace(EVERYTHING, keep_metadata=True)).left_out == (
            "talk.mp4: what is spoken in it is private",
        )
    (clip,) = (tmp_path / "record" / "data" / "originals").glob("*.mp4")
    probe = ["ffprobe", "-v", "error", "-show_entries", "stream=codec_type", "-of", "json"]
    told = subprocess.run([*probe, str(clip)], capture_output=True, check=True).stdout
    assert [one["codec_type"] for one in json.loads(told)["streams"]] == ["video"]
    listed = next((tmp_path / "record" / "data" / "picture").glob("s*.html")).read_text(encoding="utf-8")
    assert "pictures as they were, without sound and metadata" in listed


@pytest.mark.parametrize("field", ["people", "cameras", "captions", "file-names"])
def test_private_fields_hold_for_originals_as_they_are(small: Archive, field: str) -> None:
    with Store(small, by="builder") as store:
        stating.mark_private(store, fields=[field])
        assert not preview(store, EVERYTHING).left_out
        left = preview(store, replace(EVERYTHING, keep_metadata=True)).left_out
        assert len(left) == 3
        assert all(line.endswith("its metadata may hold what is private") for line in left)


def test_names_of_originals_fit_any_system(small: Archive, tmp_path: Path) -> None:
    with Store(small, by="builder") as store:
        write(store, EVERYTHING, tmp_path / "record")
        medium = media.every(store.catalogue, "photo")[0]
    names = [path.name for path in (tmp_path / "record" / "data" / "originals").iterdir()]
    assert len(names) == 3
    # ext4 and NTFS hold 255, of bytes and of UTF-16 units; Windows drops a dot at the end (Microsoft, "Naming Files,
    # Paths, and Namespaces").
    assert all(len(name.encode()) <= 255 and name.endswith((".jpg", ".mp4")) for name in names)
    assert _name(replace(medium, file="mast.jpg..."), hidden=False) == "-mast.jpg"
    assert _name(replace(medium, file="a<b>|c?.jpg"), hidden=False) == "-a_b__c_.jpg"
    assert _name(replace(medium, file="mast.JPG"), hidden=True) == ".jpg"
    assert _name(replace(medium, file="mast.of Otto Ownername"), hidden=True) == ""


def test_a_record_is_not_put_into_the_archive_by_another_way(small: Archive, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(small.originals)
    (tmp_path / "nowhere").symlink_to(tmp_path / "gone")
    with Store(small) as store:
        for out in (tmp_path / "way" / "record", tmp_path / "phone" / ".." / "build" / "record"):
            with pytest.raises(UsageError, match="cannot lie inside the archive"):
                write(store, Options(print_=False), out)
        with pytest.raises(UsageError, match="is there already"):
            write(store, Options(print_=False), tmp_path / "nowhere")


def test_words_between_the_scans_of_a_picture_go_too() -> None:
    """Comments and segments of applications may stand before any scan (ITU-T T.81, B.2.4)."""
    held = io.BytesIO()
    Image.linear_gradient("L").convert("RGB").save(held, "JPEG", progressive=True, quality=90)
    plain = held.getvalue()
    scans = plain.split(b"\xff\xda")
    assert len(scans) > 4
    said = b"\xff\xfe\x00\x0bOwnername" + b"\xff\xe1\x00\x0aExif\x00\x00SN" + b"\xff\xf5\x00\x06Otto"
    marked = b"\xff\xda".join([*scans[:3], scans[3] + said, *scans[4:]])
    clean = bare_photos.jpeg(marked)
    assert clean == bare_photos.jpeg(plain)
    for secret in (b"Ownername", b"Exif", b"Otto"):
        assert secret in marked
        assert secret not in clean


def test_waivers_that_are_private_are_not_counted_either(lightship_archive: Archive) -> None:
    with Store(lightship_archive) as store:
        found = material(store, Scope(), Audience.REPAIRER)
        words = words_of("en", store.zone)
    shut = next(id for id, acts in found.closings.items() if acts and acts[-1].reopened is None)
    moment = found.closings[shut][-1].time
    waiver = Waiver(shut, "W03", "", moment, "no room", "Ann", "u1")
    found = replace(found, facts=replace(found.facts, waivers={shut: (waiver,)}))
    assert "1 waiver stands" in repr(chapters_behind.behind(Desk(found, words)))
    found = replace(found, fields=frozenset({"waivers"}))
    assert "waiver" not in repr(chapters_behind.behind(Desk(found, words))).lower()


def test_letters_that_no_page_can_hold_are_left_out(small: Archive, tmp_path: Path) -> None:
    with Store(small, by="builder") as store:
        stating.state(store, "clean", "Dry \x00\x01brush\ufffe\uffff.")
        write(store, replace(EVERYTHING, originals=False), tmp_path / "record")
        with pytest.raises(UsageError, match="bytes that are no letters"):
            stating.state(store, "clean", "\udcff")
    page = (tmp_path / "record" / "data" / "handling.html").read_text(encoding="utf-8")
    assert "Dry brush." in page
    html5lib.HTMLParser(strict=True).parse(page)


def screen_profile() -> bytes:
    """A profile of a screen: its name and whose it is, and a tag of its maker with its serial number."""
    plain = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    count = int.from_bytes(plain[128:132], "big")
    body = b"mmod" + bytes(4) + b"SN-4711-0815" + b"Otto Ownername".ljust(24)
    entries = plain[132 : 132 + 12 * count]
    moved = b"".join(
        name + struct.pack(">II", offset + 12, size) for name, offset, size in struct.iter_unpack(">4sII", entries)
    )
    added = b"mmod" + struct.pack(">II", len(plain) + 12, len(body))
    head = struct.pack(">I", len(plain) + 12 + len(body)) + plain[4:128]
    return head + struct.pack(">I", count + 1) + moved + added + plain[132 + 12 * count :] + body


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "AVIF"])
def test_a_profile_tells_colours_and_not_whose_screen_it_was(kind: str, tmp_path: Path) -> None:
    profile = screen_profile()
    picture = Image.radial_gradient("L").convert("RGB")
    source, target = tmp_path / "source", tmp_path / "target"
    picture.save(source, kind, icc_profile=profile)
    stripping.clean(source, target, "photo", kind)
    with Image.open(target) as opened:
        kept = opened.info["icc_profile"]
    for words in (b"4711", b"Owner", "sRGB built-in".encode("utf-16-be")):
        assert words in profile
        assert words not in kept
    # Colours come out as with the whole profile, by LittleCMS.
    lab = ImageCms.createProfile("LAB")
    shown = [
        ImageCms.profileToProfile(picture, ImageCms.ImageCmsProfile(io.BytesIO(one)), lab, outputMode="LAB")
        for one in (profile, kept)
    ]
    assert shown[0] is not None
    assert shown[1] is not None
    assert shown[0].tobytes() == shown[1].tobytes()
    assert profiles.bare(kept) == kept


@given(st.binary(max_size=400))
def test_no_garbage_passes_as_a_profile(data: bytes) -> None:
    assert profiles.bare(data) == b""
    head = bytes(36) + b"acsp" + bytes(88)
    assert len(profiles.bare(head + data)) < 1 << 20
