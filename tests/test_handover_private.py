"""What never leaves: a word of its own in each kind of private thing, looked for in all that a record is made of; and
of a record about a part of the build, that what is about other parts stays."""

from __future__ import annotations

import shutil
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

from lastlook import approvals, bonding, deciding, ingest, marking, recording, stating
from lastlook.acts import Act
from lastlook.archive import Archive
from lastlook.catalogue import paths, pictures
from lastlook.deciding import Target
from lastlook.gathering import Scope
from lastlook.handing_over import Options, preview, write
from lastlook.handover import site, tables
from lastlook.handover.material import FIELDS, Audience
from lastlook.records import Dimension, TagState
from lastlook.store import Store
from tests import lightship
from tests.archives import Inline
from tests.handover_record import with_place

MAST = Scope(("MAST",))
EVERYTHING = Options(scope=MAST, audience=Audience.OWN, originals=True, zip_=True)


def said(store: Store, options: Options) -> str:
    """All that a record would say, as its forms are made from it."""
    content = preview(store, options).content
    return f"{content!r} {tables.pictures(content)} {site._index(content)}"


def everything(folder: Path) -> str:
    """All of a bag that can be read: names, bytes, what the print says, what the ZIP calls its files."""
    held: list[str] = []
    for path in sorted(folder.rglob("*")):
        held.append(str(path.relative_to(folder)))
        if path.suffix == ".pdf":
            for command in (["pdftotext", str(path), "-"], ["pdfinfo", "-meta", str(path)], ["pdfinfo", str(path)]):
                held.append(subprocess.run(command, capture_output=True, check=True).stdout.decode())
        elif path.is_file():
            held.append(path.read_bytes().decode("utf-8", errors="replace"))
    with zipfile.ZipFile(folder.with_name(folder.name + ".zip")) as packed:
        held += packed.namelist()
    return " ".join(" ".join(held).split()).casefold()


def notes(store: Store, shown: str) -> dict[str, str]:
    """A private word in each kind of note: the word, and the decision that holds it."""
    ann = Act(person="Ann Person", at="2026-03-20 10:00")
    bonding.adhesive(store, "EPOXY-5", {"kind": "epoxy"})
    tagged = [Target(Dimension.SUBASSEMBLY, "MAST"), Target(Dimension.RUN, "W03")]
    pack = approvals.send(
        store, store.archive.root.parent / "a.html", point="zqpoint", wording="zqwording", picture_ids=[shown]
    )
    asked = approvals.send(
        store, store.archive.root.parent / "b.html", point="colour", wording="Is it white?", picture_ids=[shown]
    )
    answered = approvals.answer(store, asked.uid, "yes", words="zqanswer", person="Zqclient Person")
    bonded = bonding.bond(
        store,
        "MAST",
        "EPOXY-5",
        "2026-03-20",
        words={"note": "zqbond", "batch": "zqbatch", "preparation": "zqprepared"},
    )
    tested = recording.record_test(store, "W03", "continuity", True, ann, text="zqtest", instrument="zqmeter")
    return {
        "zqcaption": deciding.tag(store, [shown], tagged, "The zqcaption.")[0].uid,
        "zqstatement": stating.state(store, "warranty", "Only the zqstatement.").uid,
        "zqchange": recording.change(store, "W03", "re-routed", ann, why="zqchange").uid,
        "zqruler": recording.measure(store, "W03", "route", 120, ann, instrument="zqruler").uid,
        "zqtest": tested.uid,
        "zqmeter": tested.uid,
        "zqdone": recording.done(store, "S04", ann, words="zqdone").uid,
        "zqwitness": recording.witness(store, "S04", ann, attended=True, words="zqwitness").uid,
        "zqwaiver": recording.waive(store, "O4", "W03", ann, reason="zqwaiver")[0].uid,
        "zqbond": bonded.uid,
        "zqbatch": bonded.uid,
        "zqprepared": bonded.uid,
        "zqpoint": pack.uid,
        "zqwording": pack.uid,
        "zqanswer": answered.uid,
    }


def _by_proposal_only(store: Store, ids: set[str]) -> set[str]:
    """Of these pictures those that are in a record of the mast by a proposal alone."""
    found = set()
    for id in ids:
        picture = pictures.find(store.catalogue, id)
        if not any(tag.state is TagState.SET for tag in picture.tags):
            found.add(id)
    assert found
    return found


_SILENT = {"zqdone", "zqwitness", "zqruler"}  # a record says these nowhere, private or not


def test_no_form_of_a_record_says_what_is_private(lightship_archive: Archive, tmp_path: Path) -> None:
    made = lightship.copy(lightship_archive, tmp_path)
    with Store(made, by="Zqpeople Builder") as store:
        named = [with_place(tmp_path / f"{name}.jpg", (len(name), 90, 20)) for name in ("zqname", "zqprivate")]
        ingest.ingest(store, named, executor=Inline())
        seen = paths.sightings(store.catalogue)
        shown, private = (pictures.of_medium(store.catalogue, seen[str(path)].sha256)[0].id for path in named)
        deciding.tag(store, [private], [Target(Dimension.SUBASSEMBLY, "MAST")], "The zqprivatecaption.")
        marking.mark(store, shown, "trace", [[100.0, 120.0], [600.0, 900.0]], "W03", "zqlabel")
        words = notes(store, shown)
        own = preview(store, EVERYTHING).content
        heard = next(one.spoken for one in own.pictures.values() if one.spoken)
        proposed = _by_proposal_only(store, set(own.pictures))
        secret = {*words, "zqname", "zqpeople", "keelson", "zqclient", "zqprivate", "harbour museum", heard, *proposed}
        before = said(store, EVERYTHING).casefold()
        assert {word for word in secret if word.casefold() not in before} == _SILENT  # else nothing would be tested
        fields = ["client", "people", "spoken", "file-names", "cameras", "proposals"]
        stating.mark_private(
            store, picture_ids=[private], notes=sorted(set(words.values())), fields=fields, reason="zqreason"
        )
        write(store, EVERYTHING, tmp_path / "one")
        stating.mark_private(store, fields=list(FIELDS))
        write(store, replace(EVERYTHING, originals=False, print_=False), tmp_path / "two")
    for name in ("one", "two"):
        whole = everything(tmp_path / name)
        assert "lantern mast" in whole
        secret |= {"zqlabel", "zqreason", "zqprivatecaption", private}
        found = {word for word in secret if word.casefold() in whole}
        assert not found, name
        shutil.rmtree(tmp_path / name)


def test_a_record_of_a_part_says_nothing_of_approvals_and_clips_of_others(
    lightship_archive: Archive, tmp_path: Path
) -> None:
    made = lightship.copy(lightship_archive, tmp_path)
    with Store(made, by="builder") as store:
        of = [preview(store, replace(EVERYTHING, scope=Scope((sub,)), print_=False)) for sub in ("MAST", "DKH")]
        mast, house = (next(iter(seen.content.pictures)) for seen in of)
        for number, (id, point) in enumerate(((mast, "mast foot"), (house, "deckhouse lamps"))):
            approvals.send(store, tmp_path / f"{number}.html", point=point, wording="Is it?", picture_ids=[id])
        seen = preview(store, replace(EVERYTHING, print_=False))
        chapter = repr(next(one for one in seen.content.chapters if one.id == "changes"))
        assert "mast foot" in chapter
        assert "deckhouse lamps" not in chapter
        whole = preview(store, replace(EVERYTHING, scope=Scope(), print_=False))
        assert "deckhouse lamps" in repr(whole.content.chapters)
        # A clip goes along whole or not at all: one that shows other parts too stays behind.
        reason = "parts of it lie outside of what this record is about"
        assert f"VID_20260309_111230.mp4: {reason}" in seen.left_out
        assert not whole.left_out
        assert "5 runs" in repr(seen.content.chapters[0])  # of ten in the plan
