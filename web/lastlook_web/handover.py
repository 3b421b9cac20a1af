"""What a hand-over record would hold, before it is written; and how well the archive itself is kept.

Nothing is written from here: the page says the command that writes it, which can be stopped and shows its progress.
"""

from __future__ import annotations

import shlex
from datetime import UTC, datetime

from flask import Blueprint, render_template, request

from lastlook import care, times
from lastlook.gathering import Scope
from lastlook.handing_over import EDGE, Options, preview
from lastlook.handover.material import Audience
from lastlook.handover.words import LANGUAGES
from lastlook.stating import what_is_private
from lastlook_web.app import store

pages = Blueprint("handover", __name__)

AUDIENCES = (
    (Audience.CLIENT, "The client: what is said, and the pictures that say it"),
    (Audience.REPAIRER, "A repairer: every picture in scope"),
    (Audience.OWN, "Your own file: that, and what was spoken, the cameras and the files' names"),
)


@pages.get("/handover")
def page() -> str:
    asked = request.args
    subs = tuple(id for id in asked.getlist("in") if id)
    audience = next((one for one, _ in AUDIENCES if one.value == asked.get("for")), Audience.CLIENT)
    language = asked.get("language", "en")
    since, until = (asked.get(name, "").strip()[:80] for name in ("since", "until"))
    zone, now = store().zone, datetime.now(UTC)
    scope = Scope(
        subs,
        times.parse_when(since, zone, now).earliest if since else None,
        times.parse_when(until, zone, now).latest if until else None,
    )
    options = Options(
        scope=scope,
        audience=audience,
        language=language,
        edge=EDGE,
        originals="originals" in asked,
        zip_="zip" in asked,
    )
    seen = preview(store(), options)
    ages = care.ages(store().archive, now)
    private = what_is_private(store())
    return render_template(
        "handover.html",
        plan=store().plan,
        seen=seen,
        chosen=set(subs),
        audience=audience.value,
        audiences=[(one.value, words) for one, words in AUDIENCES],
        language=language,
        languages=[(code, name) for code, (_, name) in LANGUAGES.items()],
        since=since,
        until=until,
        originals=options.originals,
        zipped=options.zip_,
        command=_command(options, since, until),
        ages=ages,
        private=private,
        megabytes=seen.size_bytes / 1e6,
    )


def _command(options: Options, since: str, until: str) -> str:
    """The command that writes what is shown."""
    parts = ["lastlook", "handover", "../record", "--for", options.audience.value, "--language", options.language]
    for sub in options.scope.subassemblies:
        parts += ["--in", sub]
    for name, value in (("--since", since), ("--until", until)):
        parts += [name, value] if value else []
    parts += ["--originals"] if options.originals else []
    parts += ["--zip"] if options.zip_ else []
    return shlex.join(parts)
