"""Times, places in a clip, sizes and states in a builder's words, for the templates."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any

from flask import Flask, url_for
from markupsafe import Markup, escape

from lastlook import plan_depths, times
from lastlook.plan import colours
from lastlook.records import (
    CaptureTime,
    Claim,
    ClaimSource,
    Closing,
    Decision,
    HoldKind,
    Opening,
    OpeningKind,
    ProposalSource,
    RunStatus,
)
from lastlook.telling import decision_words
from lastlook_web import ways

REFUSALS = {
    400: ("That cannot be read", "The address or the form holds something that makes no sense here.",
          "Go back and try again."),
    403: ("Not from here", "The request did not come from one of these pages.",
          "Go back, load the page again, and send it once more."),
    404: ("Not here", "There is no page with this address.", "Go to the build and ask for what you need there."),
    405: ("Not like that", "This address cannot be asked in that way.", "Go back and use the buttons of the page."),
    413: ("Too long", "What was sent is longer than anything these pages take.", "Shorten it."),
    416: ("Past the end", "That part of the file does not exist.", "Load the page again."),
    500: ("Something broke", "This page could not be made. What was recorded before is kept.",
          "Try again; if it happens again, check the archive on the page “Work” and look at the viewer's terminal."),
}  # fmt: skip
WRITTEN = (
    "Nothing of it was recorded. Copy what you need before you leave this page, then come in again and send it anew."
)
"""Instead of a hint, where a form is refused because its visit is over."""

_SOURCES = {
    ClaimSource.CREATION_DATE: "creation date with zone, in the clip",
    ClaimSource.EXIF_ORIGINAL: "camera's date of taking (Exif)",
    ClaimSource.EXIF_DIGITIZED: "camera's date of digitising (Exif)",
    ClaimSource.XMP: "date in an XMP note",
    ClaimSource.GPS: "satellite time (GPS)",
    ClaimSource.CONTAINER: "creation time in the clip",
    ClaimSource.EXIF_MODIFIED: "date of the last change (Exif)",
    ClaimSource.FILE_NAME: "date in the file's name",
    ClaimSource.FILE_SYSTEM: "date of the file on disk",
}
_BASES = {
    "said": "as it was said",
    "unknown": "nothing tells the time",
    **{source.value: words for source, words in _SOURCES.items()},
}
_ADDED = {
    "offset": "with its zone",
    "zone": "read in the build's zone",
    "clock": "clock corrected",
    "gps": "zone told by GPS",
    "name": "with the file's name",
    "date": "day only",
}
_PROPOSED_BY = {
    ProposalSource.FOLDER: "folder name",
    ProposalSource.FILE_NAME: "file name",
    ProposalSource.SPOKEN: "spoken words",
    ProposalSource.STEP: "another tag",
    ProposalSource.CARD: "card in view",
    ProposalSource.SESSION: "session",
    ProposalSource.NEIGHBOUR: "pictures beside it",
    ProposalSource.LIKENESS: "likeness",
    ProposalSource.HEARD: "heard in the sound",
}
_OPENINGS = {
    OpeningKind.BONDED: "bonded",
    OpeningKind.SCREWED: "screwed",
    OpeningKind.MAGNETIC: "held by magnets",
    OpeningKind.HATCH: "hatch",
}
_HOLDS = {
    HoldKind.HOLD: "hold point: stop until released",
    HoldKind.WITNESS: "witness point",
    HoldKind.REVIEW: "review point",
}
_STATUS = {
    RunStatus.DESIGNED: "designed",
    RunStatus.INSTALLED: "installed",
    RunStatus.CHANGED: "changed",
    RunStatus.SPARE: "spare",
    RunStatus.ABANDONED: "abandoned in place",
}
_FACTS = {"fnumber": "aperture", "iso": "ISO"}


def install(app: Flask) -> None:
    """Give the templates these words."""
    app.jinja_env.filters.update(
        {
            "position": position,
            "seconds": seconds,
            "size": size,
            "sentence": sentence,
            "on_page": ways.on_page,
            "number": number,
            "percent": percent,
            "linked": linked,
            "basis": basis,
            "claim_source": _SOURCES.__getitem__,
            "claim_said": claim_said,
            "proposed_by": proposed_by,
            "opening_kind": _OPENINGS.__getitem__,
            "hold": _HOLDS.get,
            "status": _STATUS.__getitem__,
            "colour": colours.spoken,
            "decided": decided,
            "decided_drawn": decision_words,
            "depth": plan_depths.words,
            "fact": lambda key: _FACTS.get(str(key).lower(), str(key)),
            "rfc3339": lambda instant: times.format_rfc3339(instant, "UTC"),
        }
    )
    app.jinja_env.globals.update(
        {
            "describe": describe,
            "day_of": day_of,
            "clock_of": clock_of,
            "spread_of": spread_of,
            "open_start": open_start,
            "opening_state": opening_state,
            "colour_label": colours.label,
            "swatch": swatch,
        }
    )


def position(clip_ms: int | None) -> str:
    """A place in a clip: "0:07", "12:31.5", "1:02:03"."""
    rest = max(0, clip_ms or 0)
    hours, rest = divmod(rest, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    whole, rest = divmod(rest, 1000)
    tail = f".{rest:03d}".rstrip("0") if rest else ""
    return f"{hours}:{minutes:02d}:{whole:02d}{tail}" if hours else f"{minutes}:{whole:02d}{tail}"


def seconds(clip_ms: int | None) -> str:
    """A place in a clip as an address gives it to a player (W3C Media Fragments, "t"): "751.5"."""
    return f"{(clip_ms or 0) / 1000:.3f}".rstrip("0").rstrip(".")


def size(count: int) -> str:
    """Bytes in words: "2.4 MB" (1 MB = 1,000,000 bytes)."""
    if count < 1000:
        return f"{count} bytes"
    value, unit = (count / 1e3, "kB") if count < 1e6 else (count / 1e6, "MB") if count < 1e9 else (count / 1e9, "GB")
    return f"{value:.0f} {unit}" if value >= 100 else f"{value:.1f} {unit}"


def number(count: int) -> str:
    """A number as it is read: "12 408" with a narrow space that does not break."""
    return f"{count:,}".replace(",", "\u202f")


def percent(share: float) -> str:
    return f"{share * 100:.0f} %"


def sentence(text: str) -> str:
    """A line as a sentence: a capital first, a full stop last."""
    text = text.strip()
    if not text:
        return text
    # An id or a file name keeps its own first letter.
    first = text.split(" ", 1)[0].rstrip(":,")
    if first.islower() and first.isalpha():
        text = text[0].upper() + text[1:]
    return text if text.rstrip("\"”’')")[-1:] in {*".!?:…"} else f"{text}."


_NAMED = re.compile(r"\b(p[0-9a-f]{12}|s[0-9a-f]{12}-[0-9]+)\b|\b(\d{4}-\d\d-\d\dT[\d:.]+(?:Z|[+-]\d\d:\d\d))")


def linked(line: str, zone: str) -> Markup:
    """A line in which every picture named is a link to it and every time is written as elsewhere on the pages."""
    parts = [escape("")]
    at = 0
    for match in _NAMED.finditer(line):
        parts.append(escape(line[at : match.start()]))
        if match[1]:
            parts.append(Markup('<a href="{}">{}</a>').format(url_for("pictures.page", id=match[1]), match[1]))
        else:
            instant = times.parse_rfc3339(match[2])
            parts.append(escape(times.describe_interval(instant, instant, zone)))
        at = match.end()
    return Markup("").join([*parts, escape(line[at:])])


def basis(code: str) -> str:
    """What a time rests on, in words."""
    first, *more = code.split("+")
    return ", ".join([_BASES.get(first, first), *(_ADDED.get(each, each) for each in more)])


def claim_said(claim: Claim) -> str:
    """What a source says of the time, as it says it."""
    if claim.wall is None:
        return claim.text or "nothing"
    text = claim.wall.strftime("%Y-%m-%d" if claim.resolution_ms >= 86_400_000 else "%Y-%m-%d %H:%M:%S")
    if claim.offset_min is None:
        return text
    sign, rest = "−" if claim.offset_min < 0 else "+", abs(claim.offset_min)
    return f"{text} {'UTC' if rest == 0 else f'{sign}{rest // 60:02d}:{rest % 60:02d}'}"


def proposed_by(source: str) -> str:
    try:
        return _PROPOSED_BY[ProposalSource(source)]
    except ValueError:
        return source


def day_of(instant: datetime, zone: str) -> str:
    """ "12 Mar 2026" in the build's zone."""
    local = instant.astimezone(times.zone_named(zone))
    return f"{local.day} {_MONTHS[local.month - 1]} {local.year}"


def clock_of(instant: datetime, zone: str) -> str:
    return f"{instant.astimezone(times.zone_named(zone)):%H:%M:%S}"


def spread_of(time: CaptureTime) -> str:
    """How sure a time is, short: "± 2 s", "− 61 min" (that much earlier it may be), "+ 3 days"; '' where it is sure to
    the second."""
    if time.instant is None or time.earliest is None or time.latest is None:
        return ""
    if open_start(time):
        return "or earlier"
    earlier, later = time.instant - time.earliest, time.latest - time.instant
    spread = max(earlier, later)
    if spread < timedelta(seconds=1):
        return ""
    sign = "−" if earlier > 3 * later else "+" if later > 3 * earlier else "±"
    for unit, word in ((timedelta(days=1), "days"), (timedelta(hours=1), "h"), (timedelta(minutes=1), "min")):
        if spread >= 3 * unit:
            return f"{sign} {-(-spread // unit)} {word}"
    return f"{sign} {-(-spread // timedelta(seconds=1))} s"


def describe(time: CaptureTime, zone: str) -> str:
    """A time in words, with how sure it is."""
    if open_start(time) and time.latest is not None:
        return times.describe_interval(times.OPEN_START, time.latest, zone)
    return times.describe(time, zone)


def open_start(time: CaptureTime) -> bool:
    """Whether nothing says how old a picture may be, only that it is not newer."""
    # A still lies some seconds behind its clip's own beginning.
    return time.earliest is not None and time.earliest < times.OPEN_START + timedelta(days=2)


def opening_state(opening: Opening, acts: tuple[Closing, ...], zone: str) -> str:
    """Where an opening stands: "closed 12 Mar 2026 …", "open again since …", "open"."""
    if not acts:
        return "open"
    last = acts[-1]
    if last.reopened is not None:
        return f"open again since {times.describe(last.reopened, zone)}"
    return f"closed {times.describe(last.time, zone)}"


def decided(decision: Decision) -> str:
    """A decision about a picture in a line, without who and when."""
    body: Any = decision.body
    if decision.kind == "undo":
        return "took the decision before it back"
    if decision.kind == "still":
        return "kept this moment"
    if decision.kind == "view":
        shows = f", {', '.join(body['shows']).replace(':', ' of ')}" if body["shows"] else ""
        return f"said it is a {body['view']} view of {', '.join(target for _, target in body['items'])}{shows}"
    if decision.kind == "mark":
        return f"drew a {body['shape']}{' of ' + body['of'] if body['of'] else ''}"
    if decision.kind == "known":
        return "said a size" if body["what"] != "length" else f"said a length of {body['mm']:g} mm"
    if decision.kind == "tie":
        return "tied places of two pictures"
    if decision.kind != "tag":
        return decision.kind
    parts = [f"{word} {', '.join(target for _, target in body.get(key, ()))}"
             for key, word in (("set", "shows"), ("reject", "does not show")) if body.get(key)]  # fmt: skip
    caption = body.get("caption")
    if caption is not None:
        parts.append(f"caption “{caption}”" if caption else "caption taken off")
    return "; ".join(parts)


def swatch(code: str) -> str:
    """The name of a colour's class for drawings, '' for what is no code."""
    return f"wire-{code.lower()}" if colours.is_code(code) else ""


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
