"""A pack for one decision of the client: pictures and wording go out, the answer comes back and is kept word for word.

What was shown is kept by checksum: of each original, of each picture as it was shown, and of the file that went out.
"""

from __future__ import annotations

import base64
import hashlib
import html
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from lastlook import derived_again, times
from lastlook.catalogue import decisions, pictures
from lastlook.errors import ArchiveError, UsageError
from lastlook.gathering import Scope, material
from lastlook.handover import fonts, metadata, printed
from lastlook.handover.compose import LABELS, Entries
from lastlook.handover.content import Chapter, Content, Figure, PictureEntry, Section, Statement
from lastlook.handover.material import Audience
from lastlook.handover.words import N_, Words, words_of
from lastlook.naming_targets import check_name
from lastlook.projecting import project
from lastlook.records import Decision
from lastlook.store import Store

ANSWERS = ("yes", "no", "changes")
MOST_PICTURES = 40
WORDS_LIMIT = 4000
EDGE = 1280
POINTS = ("breakdown", "first light", "before closing", "colour", "completion")
"""Points at which clients usually approve: common practice, no source; any other words serve as well."""


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack that went out, and the answer where there is one."""

    decision: Decision
    answer: Decision | None


def packs(store: Store) -> list[Pack]:
    """Every pack that stands, oldest first, with its last answer."""
    answers = {str(one.body["pack"]): one for one in decisions.live(store.catalogue, "approval")}
    return [Pack(one, answers.get(one.uid)) for one in decisions.live(store.catalogue, "approval-pack")]


def send(
    store: Store, out: Path, *, point: str, wording: str, picture_ids: Sequence[str], language: str = "en", to: str = ""
) -> Decision:
    """Write a pack as one page (`out` ends in .html) or for printing (.pdf), and record that it went out.

    Raises UsageError, NoSuchId, ArchiveError; then nothing is recorded and no file is left.
    """
    words = words_of(language, store.zone)
    asked, said = " ".join(point.split()), " ".join(wording.split())
    if not said or not asked:
        raise UsageError("a pack needs its point and its wording", "Give --point and --wording.")
    if len(said) > WORDS_LIMIT:
        raise UsageError(f"the wording has {len(said)} letters; {WORDS_LIMIT} is the most", "Shorten it.")
    if out.suffix.lower() not in {".html", ".pdf"}:
        raise UsageError(f"{out.name} is neither a page nor a print", "End its name in .html or .pdf.")
    check_name(out)
    if out.exists():
        raise UsageError(f"{out} is there already", "Choose another name.")
    ids = list(dict.fromkeys(pictures.find(store.catalogue, typed).id for typed in picture_ids))
    if not 1 <= len(ids) <= MOST_PICTURES:
        raise UsageError(f"a pack shows 1 to {MOST_PICTURES} pictures; {len(ids)} are named", "Name pictures by id.")
    found = material(store, Scope(), Audience.CLIENT)
    private = [id for id in ids if id not in found.pictures]
    if private:
        raise UsageError(f"{private[0]} is private or cannot be shown", "Let it go first: 'lastlook private --not'.")
    entries: Mapping[str, PictureEntry] = Entries(found, words, ids)
    part = out.with_name(f".{out.name}.part")
    try:
        with tempfile.TemporaryDirectory(prefix="lastlook-pack-") as held:
            folder = Path(held)
            content = _content(words, found.plan.build.name, found.issued, asked, said, entries)
            for id in ids:
                source = derived_again.ensure(store, found.pictures[id], "page")
                metadata.copy(source, folder / f"{id}.jpg", EDGE, _described(entries[id], content))
            shown = {id: _digest((folder / f"{id}.jpg").read_bytes()) for id in ids}
            if out.suffix.lower() == ".pdf":
                letters = fonts.look(printed.texts(content))
                if letters.missing:  # nobody shall approve a wording that shows question marks
                    raise UsageError(
                        f"the print has no letters for {letters.missing}",
                        f"End its name in .html. {' '.join(fonts.hints(letters.missing))}",
                    )
                printed.write(content, part, folder, found.issued)
            else:
                page = metadata.clean(_page(words, content, asked, said, entries, folder))
                part.write_text(page, encoding="utf-8")
        body = {
            "point": asked,
            "wording": said,
            "language": words.language,
            "person": to.strip(),
            "pictures": [
                {"picture": id, "sha256": entries[id].sha256, "shown_sha256": shown[id], "caption": entries[id].caption}
                for id in ids
            ],
            "sha256": _digest(part.read_bytes()),
            "file": out.name,
        }
        with store.deciding():
            decision = decisions.append(store.catalogue, "approval-pack", body, by=store.by)
            project(store, decision)
        part.replace(out)
    except OSError as error:
        raise ArchiveError(
            f"{out} cannot be written: {(error.strerror or 'error').lower()}", "Check the folder and its room."
        ) from error
    finally:
        part.unlink(missing_ok=True)
    return decision


def answer(
    store: Store, pack: str, verdict: str, *, words: str, person: str, at: str = "", now: datetime | None = None
) -> Decision:
    """Record the client's answer to a pack, in the client's own words."""
    uid = decisions.complete_uid(store.catalogue, pack)
    asked = decisions.by_uid(store.catalogue, uid)
    if asked is None or asked.kind != "approval-pack" or decisions.is_undone(store.catalogue, uid):
        raise UsageError(f"{pack!r} is no pack that went out", "List packs with 'lastlook approval list'.")
    if verdict not in ANSWERS:
        raise UsageError(f"{verdict!r} is no answer", f"Give one of {', '.join(ANSWERS)}.")
    said = words.strip()
    if not said or not person.strip():
        raise UsageError("an answer needs its words and who gave it", "Give --words and --person.")
    if len(said) > WORDS_LIMIT:
        raise UsageError(
            f"the words have {len(said)} letters; {WORDS_LIMIT} is the most", "Keep the letter itself, too."
        )
    when = times.parse_when(at.strip() or "now", store.zone, now or datetime.now(UTC))
    body = {
        "pack": uid,
        "answer": verdict,
        "words": said,  # as they were written, line ends and all
        "person": person.strip(),
        "at": times.format_rfc3339(when.capture_time().instant or when.earliest, "UTC"),
        "earliest": times.format_rfc3339(when.earliest, "UTC"),
        "latest": times.format_rfc3339(when.latest, "UTC"),
        "said": when.text,
    }
    with store.deciding():
        decision = decisions.append(store.catalogue, "approval", body, by=store.by)
        project(store, decision)
    return decision


def pack_json(pack: Pack, zone: str) -> dict[str, object]:
    """A pack as `lastlook approval list --json` tells it."""
    body: Mapping[str, Any] = pack.decision.body
    said: Mapping[str, Any] = pack.answer.body if pack.answer else {}
    return {
        "pack": pack.decision.uid,
        "point": body["point"],
        "wording": body["wording"],
        "sent": times.format_rfc3339(pack.decision.at, zone),
        "sha256": body["sha256"],
        "pictures": [dict(one) for one in body["pictures"]],
        "answer": said.get("answer"),
        "words": said.get("words"),
        "person": said.get("person"),
        "answered": said.get("at"),
    }


# ------------------------------------------------------------------------------------------------ what goes out


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _described(shown: PictureEntry, content: Content) -> metadata.Description:
    return metadata.Description(
        shown.id, shown.title, shown.caption, shown.alt, "", (), "", "", content.build, content.language
    )


def _content(
    words: Words, build: str, issued: datetime, point: str, wording: str, entries: Mapping[str, PictureEntry]
) -> Content:
    boxes = f"[  ] {words(N_('yes'))}     [  ] {words(N_('no'))}     [  ] {words(N_('yes, with changes'))}"
    line = "." * 70
    sections = (
        Section("asked", point, (Statement(wording),), figures=tuple(Figure(id, "") for id in entries)),
        Section(
            "answer",
            words(N_("Answer")),
            (
                Statement(boxes),
                Statement(line, words(N_("In your own words"))),
                Statement(line, words(N_("Name, date, signature"))),
            ),
        ),
    )
    title = words(N_("For approval: {build}"), build=build)
    return Content(
        language=words.language,
        title=title,
        subtitle=point,
        build=build,
        client="",
        issued=words.date(issued),
        issued_on=times.format_rfc3339(issued, "UTC"),
        scope="",
        chapters=(Chapter("approval", point, "", sections),),
        pictures=entries,
        runs=(),
        gaps=(),
        labels={key: words(text) for key, text in LABELS.items()},
    )


def _page(
    words: Words, content: Content, point: str, wording: str, entries: Mapping[str, PictureEntry], folder: Path
) -> str:
    """One file with its pictures inside: what a client can open from a letter."""
    shown = []
    for id, one in entries.items():
        data = base64.b64encode((folder / f"{id}.jpg").read_bytes()).decode()
        caption = " · ".join(part for part in (one.caption, one.time, id) if part)
        shown.append(
            f'<figure><img src="data:image/jpeg;base64,{data}" alt="{html.escape(one.alt)}">'
            f"<figcaption>{html.escape(caption)}<br><small>SHA-256 {one.sha256}</small></figcaption></figure>"
        )
    choices = ", ".join(words(text) for text in (N_("yes"), N_("no"), N_("yes, with changes")))
    reply = words(N_("Please answer in your own words: {choices}; with your name and the date."), choices=choices)
    style = (
        ":root{color-scheme:light dark}body{font:1rem/1.5 system-ui,sans-serif;max-width:60rem;margin:2rem auto;"
        "padding:0 1rem;overflow-wrap:anywhere}img{max-width:100%;height:auto}"
        "figure{margin:1.5rem 0;break-inside:avoid}"
        "blockquote{font-size:1.2rem;border-left:4px solid;margin:1rem 0;padding:.2rem 1rem}"
    )
    return (
        f'<!DOCTYPE html>\n<html lang="{content.language}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{html.escape(content.title)}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>\n"
        f"<h1>{html.escape(content.title)}</h1>\n<h2>{html.escape(point)}</h2>\n"
        f"<blockquote><p>{html.escape(wording)}</p></blockquote>\n<p>{html.escape(reply)}</p>\n"
        + "\n".join(shown)
        + "\n</main>\n</body>\n</html>\n"
    )
