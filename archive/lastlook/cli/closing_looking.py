"""`check`, `hidden`, `look`: what a closing needs, what it hides, and what that looked like just before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import click

from lastlook import closing_check, times
from lastlook.catalogue import pictures
from lastlook.cli.common import instant, json_option, needs_store, picture_line, plural, print_json
from lastlook.closing import bonds, cautions
from lastlook.closing.graph import Access, Shut, Sight
from lastlook.closing.look import CANDIDATE
from lastlook.closing.records import Check, Hold, Line, State
from lastlook.closing_check import Hidden, LastLook
from lastlook.records import CaptureTime, Picture
from lastlook.store import Store

MARKS = {
    State.PASSED: "ok",
    State.GAP: "GAP",
    State.STALE: "STALE",
    State.UNDETERMINED: "UNDETERMINED",
    State.WAIVED: "waived",
}


@click.command(no_args_is_help=True)
@click.argument("opening")
@click.option("--at", default="", metavar="T", help="Check for this time; else for now, or for when it was closed.")
@click.option("--open", "only_open", is_flag=True, help="Show only what stands open.")
@json_option
@needs_store
def check(store: Store, opening: str, at: str, only_open: bool, as_json: bool) -> int:
    """What stands open before an OPENING is closed: pictures, tests, steps, holds, cures.

    Each line is passed, a gap, stale (from before the last change), undetermined (times leave the order open) or
    waived. For an opening that is closed already, the same tests through the external connector are asked for.
    Exit code 0: ready. 1: not.

    \b
    Example:
      lastlook check O4
      lastlook check O4 --at "2026-03-27 11:00" --open
    """
    found = closing_check.check(store, opening, at)
    if as_json:
        print_json(check_json(store, found))
    else:
        for line in check_lines(store, found, only_open=only_open):
            click.echo(line)
    return 0 if found.ready else 1


def check_json(store: Store, found: Check) -> dict[str, object]:
    zone = store.zone
    return {
        **closing_check.check_body(found, zone),
        "closed": found.shut,
        "retests": [closing_check.line_body(line) for line in found.retests],
        "holds": [hold_json(each, zone) for each in found.holds],
        "notes": [{"subject": note.subject, "text": note.text, "flagged": note.flagged} for note in found.notes],
        "cautions": list(found.cautions),
    }


def hold_json(each: Hold, zone: str) -> dict[str, object]:
    return {
        "target": each.bond.target,
        "adhesive": each.bond.adhesive,
        "over": each.over,
        "until_earliest": instant(each.until.earliest, zone) if each.until else None,
        "until_latest": instant(each.until.latest, zone) if each.until else None,
        "hours_left": None if each.hours is None else round(each.hours, 2),
        "reason": each.reason,
    }


def check_lines(store: Store, found: Check, *, only_open: bool = False) -> Iterator[str]:
    """A check for a terminal."""
    opening = next(one for one in store.plan.openings if one.id == found.opening)
    when = (
        "as it was closed" if found.shut else "now" if found.at.why == "now" else times.describe(found.at, store.zone)
    )
    yield f"{opening.id} {opening.title}, {opening.kind.value}: closing check, {when}"
    kept = closing_check.recorded(store, opening.id) if found.shut else None
    if kept is not None:
        counts = ", ".join(f"{count} {state}" for state, count in kept["counts"].items() if count)
        yield f"Recorded at the closing: {counts}{'' if kept['ready'] else '; closed with what stood open'}."
    hides = f"Closing it hides {', '.join(found.hides)}." if found.hides else "Closing it hides nothing of the plan."
    yield hides + (f" It shuts the joint line of {', '.join(found.crossed)}." if found.crossed else "")
    subject = ""
    offered: tuple[str, ...] = ()
    for line in found.lines:
        if only_open and not line.open:
            continue
        if line.subject != subject:
            yield ""
            yield line.subject
            subject, offered = line.subject, ()
        yield from line_words(line, offered)
        offered = line.candidates if line.open and line.candidates else offered
    if found.retests:
        yield ""
        yield "After closing"
        for line in found.retests:
            if not only_open or line.open:
                yield f"  {line.subject}"
                yield from line_words(line)
    if found.notes and not only_open:
        yield ""
        yield "For information"
        for note in found.notes:
            yield f"  {'! ' if note.flagged else '  '}{note.text}"
    yield ""
    for caution in found.cautions:
        yield f"Caution: {caution}"
    yield ""
    yield verdict_words(found)


def line_words(line: Line, offered: Sequence[str] = ()) -> Iterator[str]:
    """One line of a check. `offered`: candidates that stand with a line before it; they are not said again."""
    yield f"  {MARKS[line.state]:<12} {line.title}  [{line.what}]"
    yield f"               {line.reason}"
    if line.pictures:
        yield f"               pictures: {' '.join(line.pictures)}"
    if line.open and line.candidates and tuple(line.candidates) != tuple(offered):
        yield f"               look at first: {' '.join(line.candidates)}"
    if line.shoot:
        yield f"               to do: {line.shoot}"


def verdict_words(found: Check) -> str:
    counts = ", ".join(f"{found.count(state)} {state.value}" for state in State if found.count(state))
    open_ = sum(line.open for line in (*found.lines, *found.retests))
    if found.ready:
        return f"Ready: {counts or 'nothing is asked for'}." if not found.shut else f"Nothing stands open: {counts}."
    return f"Not ready: {plural(open_, 'line')} open ({counts})."


# ------------------------------------------------------------------------------------------------ hidden


@click.command()
@click.option("--at", default="", metavar="T", help="For this time; else for now.")
@json_option
@needs_store
def hidden(store: Store, at: str, as_json: bool) -> int:
    """What is open, what is shut, and what can no longer be seen, since when and behind what.

    \b
    Example:
      lastlook hidden --at 2026-04-01
    """
    found = closing_check.hidden(store, at)
    if as_json:
        print_json(hidden_json(found, store.zone))
    else:
        for line in hidden_lines(found, store.zone):
            click.echo(line)
    return 0


def hidden_json(found: Hidden, zone: str) -> dict[str, object]:
    return {
        "at": interval_json(found.at, zone),
        "openings": [
            {
                "opening": each.opening.id,
                "state": each.shut.value,
                "closed": interval_json(each.closing.time, zone) if each.closing else None,
                "method": each.closing.method if each.closing else None,
            }
            for each in found.openings
        ],
        "items": [
            {
                "id": item.id,
                "kind": item.kind.value,
                "state": item.sight.value,
                "through": list(item.through),
                "behind": [closing.opening for closing in item.behind],
                "since": interval_json(item.since.time, zone) if item.since else None,
                "reach": item.reach.value,
                "reach_through": list(item.reach_through),
                "replace": item.replace.value,
                "replace_through": list(item.replace_through),
            }
            for item in found.items
        ],
        "holds": [hold_json(each, zone) for each in found.holds],
    }


def interval_json(time: CaptureTime, zone: str) -> dict[str, str | None]:
    return {"earliest": instant(time.earliest, zone), "latest": instant(time.latest, zone)}


def hidden_lines(found: Hidden, zone: str) -> Iterator[str]:
    when = "now" if found.at.why == "now" else times.describe(found.at, zone)
    if not found.openings:
        yield "The plan has no openings, so nothing is hidden by one. Load a plan: 'lastlook plan load FILE'."
        return
    yield f"Openings, {when}"
    for each in found.openings:
        words = {Shut.OPEN: "open", Shut.SHUT: "shut", Shut.UNDETERMINED: "open or shut, the time leaves it open"}
        since = f" since {times.describe(each.closing.time, zone)}" if each.closing else ""
        since = since if each.shut is not Shut.OPEN else ""
        yield f"  {each.opening.id:<8} {words[each.shut]}{since}  {each.opening.title}"
        for hold in each.holds:
            yield f"           {hold_words(hold, zone)}"
    for sight, head in (
        (Sight.HIDDEN, "Hidden"),
        (Sight.UNDETERMINED, "Hidden or not, the times leave it open"),
        (Sight.SEEN, "Can be seen"),
        (Sight.ALWAYS, "No opening hides"),
    ):
        items = [item for item in found.items if item.sight is sight]
        if not items:
            continue
        yield ""
        yield head
        for item in items:
            more = ""
            if sight is Sight.SEEN:
                more = f"  through {', '.join(item.through)}"
            elif item.behind:
                more = f"  behind {', '.join(closing.opening for closing in item.behind)}"
            if item.since is not None:
                more += f", since {times.describe(item.since.time, zone)}"
            yield f"  {item.id:<10} {item.title}{more}{_access('reached', item.reach, item.reach_through)}" + _access(
                "replaced", item.replace, item.replace_through
            )
    loose = [hold for hold in found.holds if not any(hold in each.holds for each in found.openings)]
    if loose:
        yield ""
        yield "No-load holds"
        for hold in loose:
            yield f"  {hold.bond.target:<10} {hold_words(hold, zone)}"
    if found.holds:
        yield ""
        yield f"Caution: {cautions.UNCURED}"


def _access(word: str, access: Access, through: tuple[str, ...]) -> str:
    if access is Access.NOT_SAID:
        return ""
    if access is Access.NO:
        return f"; cannot be {word}"
    sure = "can be" if access is Access.YES else "may be"
    return f"; {sure} {word} through {', '.join(through)}"


def hold_words(hold: Hold, zone: str) -> str:
    if hold.until is None:
        return f"no load, end not known: {hold.reason}"
    if hold.over:
        return f"cured since {times.describe(hold.until, zone)}"
    left = f", {bonds.left_words(hold.hours)} left" if hold.hours is not None else ""
    return f"no load until {times.describe(hold.until, zone)}{left}: {hold.reason}"


# ------------------------------------------------------------------------------------------------ the last look


@click.command(no_args_is_help=True)
@click.argument("what", metavar="OPENING|RUN|PART|SUB")
@json_option
@needs_store
def look(store: Store, what: str, as_json: bool) -> int:
    """The last look: what it looked like just before it was closed in.

    \b
    Example:
      lastlook look W03
      lastlook look O4
    """
    found = closing_check.last_look(store, what)
    if as_json:
        print_json(look_json(found, store.zone))
    else:
        for line in look_lines(store, found):
            click.echo(line)
    return 0 if any(one.pictures for one in found.looks) else 1


def look_json(found: LastLook, zone: str) -> dict[str, object]:
    return {
        "id": found.id,
        "hidden_by": found.closing.opening if found.closing else None,
        "closed": interval_json(found.closing.time, zone) if found.closing else None,
        "frozen": found.frozen,
        "plan": found.plan or None,
        "gaps": list(found.gaps),
        "looks": [closing_check.look_body(one) for one in found.looks],
        "rule": found.rule,
    }


def look_lines(store: Store, found: LastLook) -> Iterator[str]:
    if found.closing is None:
        yield f"{found.id} {found.title}: can still be seen; this is the newest on record."
    else:
        shut = f"{found.closing.opening}, {times.describe(found.closing.time, store.zone)}, by {found.closing.by}"
        kept = "kept at the closing" if found.frozen else "taken from what is on record now: no check was kept"
        yield f"{found.id} {found.title}: last look before {shut} ({kept})"
    known = {picture.id: picture for picture in _pictures(store, found)}
    for one in found.looks:
        yield ""
        yield one.item
        if not one.pictures:
            yield "  no picture on record"
        for each in one.pictures:
            picture = known.get(each.picture)
            where = picture_line(picture, store.zone) if picture else f"{each.picture} (no longer in the archive)"
            if each.role == CANDIDATE:
                yield f"  {each.role:<12} {each.why}"
            else:
                yield f"  {MARKS[each.state]:<12} {each.role}: {each.why}"
            yield f"               {where}"
    if found.gaps:
        yield ""
        yield f"Closed with {plural(len(found.gaps), 'line')} open:"
        for gap in found.gaps:
            yield f"  {gap}"
    if not found.looks:
        yield "It hid nothing of the plan."
    yield ""
    yield f"Rule: {found.rule}"


def _pictures(store: Store, found: LastLook) -> list[Picture]:
    ids = list({each.picture for one in found.looks for each in one.pictures})
    return pictures.by_rids(store.catalogue, list(pictures.rids_of_ids(store.catalogue, ids).values()))
