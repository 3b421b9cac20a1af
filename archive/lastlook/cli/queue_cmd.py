"""`propose`: go through what needs a person, in groups."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from lastlook import times
from lastlook.catalogue.pictures import from_ms
from lastlook.cli.common import by_option, clock, find_archive, json_option, needs_store, plural, print_json
from lastlook.cli.sessions_cmd import named, session_json, span_words, words
from lastlook.errors import LastlookError
from lastlook.open_pictures import Need
from lastlook.queue import Choice, Group, Kind
from lastlook.records import Decision
from lastlook.store import Store

_NEEDS = {
    Need.CONFLICT: "evidence contradicts",
    Need.NOTHING: "nothing is known",
    Need.UNSURE: "not sure enough",
    Need.APPLIED: "proposed, not looked at",
}


@click.group(invoke_without_command=True)
@click.option("--all", "everything", is_flag=True, help="Also what is proposed and sure.")
@click.option("--list", "only_list", is_flag=True, help="List the groups and leave.")
@click.option("--limit", type=click.IntRange(1, 10000), default=20, show_default=True, help="Groups to list.")
@click.option("--archive", "archive_dir", type=click.Path(), metavar="DIR", help="The archive's folder.")
@click.option("--by", default="", metavar="NAME", help="Who says so. Else LASTLOOK_BY, else your login name.")
@json_option
@click.pass_context
def propose(
    context: click.Context,
    everything: bool,
    only_list: bool,
    limit: int,
    archive_dir: str | None,
    by: str,
    as_json: bool,
) -> int:
    """Go through what needs a person, the most useful first: one key settles a burst, a clip's stretch, a session.

    A group's picture ids and evidence are shown; 'lastlook serve' shows the pictures themselves on the page "To place".

    \b
    Example:
      lastlook propose
      lastlook propose --list
      lastlook propose accept g3f9a02c1
    """
    if context.invoked_subcommand is not None:
        if archive_dir or by or as_json:
            raise click.UsageError(f"give these options behind '{context.invoked_subcommand}'")
        return 0
    from lastlook import queue

    with Store(find_archive(Path(archive_dir) if archive_dir else None), by=by) as store:
        found = queue.groups(store, everything=everything)
        strange = queue.strange_cards(store)
        if as_json:
            print_json(
                {
                    "groups": [group_json(store, each) for each in found[:limit]],
                    "total": len(found),
                    "cards_not_used": [{"file": file, "reason": reason} for file, reason in strange],
                }
            )
            return 0
        for file, reason in strange:
            click.echo(f"{file} shows {reason}.")
        if not found:
            click.echo("Nothing waits for you: every picture is placed, or proposed surely. (--all shows those too.)")
            return 0
        if only_list or not sys.stdin.isatty():
            for each in found[:limit]:
                click.echo(group_line(store, each))
            if len(found) > limit:
                click.echo(f"… and {plural(len(found) - limit, 'group')} more (--limit).")
            return 0
        _walk(store, everything)
    return 0


@propose.command("accept", no_args_is_help=True)
@click.argument("group")
@click.option("--choice", type=click.IntRange(1, 9), default=1, show_default=True, help="Which of the group's choices.")
@click.option("--as", "ids", multiple=True, metavar="ID", help="Something else that it shows instead.")
@by_option
@json_option
@needs_store
def accept_group(store: Store, group: str, choice: int, ids: tuple[str, ...], as_json: bool) -> int:
    """Put all pictures of a GROUP to its first choice, another one, or what you name.

    \b
    Example:
      lastlook propose accept g3f9a02c1
      lastlook propose accept g3f9a02c1 --as MAST --as S09
    """
    from lastlook import queue

    found = queue.find(store, group)
    decision = queue.settle(store, found, named(store, ids)) if ids else queue.accept(store, found, choice)
    _tell(found, decision, as_json)
    return 0


@propose.command("reject", no_args_is_help=True)
@click.argument("group")
@click.option("--choice", type=click.IntRange(1, 9), default=1, show_default=True, help="Which of the group's choices.")
@click.option("--all", "every", is_flag=True, help="Everything that is proposed for it.")
@by_option
@json_option
@needs_store
def reject_group(store: Store, group: str, choice: int, every: bool, as_json: bool) -> int:
    """Say that a GROUP does not show what is proposed; it is not proposed again.

    \b
    Example:
      lastlook propose reject g3f9a02c1
    """
    from lastlook import queue

    found = queue.find(store, group)
    decision = queue.reject_all(store, found) if every else queue.reject(store, found, choice)
    _tell(found, decision, as_json)
    return 0


@propose.command("session", no_args_is_help=True)
@click.argument("id", metavar="SESSION")
@click.option("--accept", "go", is_flag=True, help="Do it. Without, only what it would do is shown.")
@by_option
@json_option
@needs_store
def whole_session(store: Store, id: str, go: bool, as_json: bool) -> int:
    """Show what accepting all of a SESSION would do; with --accept, do it.

    \b
    Example:
      lastlook propose session 3f9a02c1
      lastlook propose session 3f9a02c1 --accept
    """
    from lastlook import queue, sessions

    shown = queue.preview(store, sessions.find(store, id))
    decision = queue.accept_session(store, shown) if go else None
    if as_json:
        print_json(
            {
                **session_json(store, shown.session),
                "sets": [[dimension.value, target] for dimension, target in shown.sets],
                "pictures": [one.id for one in shown.pictures],
                "differing": [{"picture": one.id, "says": other} for one, other in shown.differing],
                "decision": decision.uid if decision else None,
            }
        )
        return 0
    click.echo(f"Session on {words(shown.session)}, {span_words(store, shown.session)}")
    what = " ".join(target for _, target in shown.sets)
    done = "is put" if go else "would be put"
    click.echo(f"  {plural(len(shown.pictures), 'picture')} {done} to {what}")
    for one, other in shown.differing[:20]:
        click.echo(f"  left out: {one.id}  {one.file}: other evidence says {other}")
    if len(shown.differing) > 20:
        click.echo(f"  … and {len(shown.differing) - 20} more left out")
    if decision:
        click.echo(f"Take it back with 'lastlook undo {decision.uid[:8]}'.")
    elif shown.pictures:
        click.echo(f"Do it with 'lastlook propose session {shown.session.uid[:8]} --accept'.")
    return 0


@propose.command("alike")
@click.option("--anew", is_flag=True, help="Forget what was found before, and look at everything again.")
@click.option("--jobs", type=click.IntRange(1, 64), default=None, help="How many pictures to look at at once.")
@json_option
@needs_store
def find_alike(store: Store, anew: bool, jobs: int | None, as_json: bool) -> int:
    """Hold pictures against those you have tagged, and propose the same where they look alike.

    What was compared is remembered: the next time only new pictures, and newly tagged ones, are looked at. Colours play
    no part, and a cutting mat that lies under everything is told from what lies on it.

    \b
    Example:
      lastlook propose alike
    """
    import os
    from concurrent.futures import ThreadPoolExecutor

    from lastlook import resembling
    from lastlook.cli.progress import shown

    with ThreadPoolExecutor(jobs or min(8, os.cpu_count() or 1)) as executor, shown(quiet=as_json) as report:
        done = resembling.compare(store, executor=executor, report=report, anew=anew)
    if as_json:
        print_json({"looked_at": done.looked_at, "links": done.links, "unreadable": done.unreadable})
        return 0
    if not done.looked_at:
        click.echo("Nothing new to compare: tag some pictures first, or take more in.")
    else:
        click.echo(
            f"{plural(done.looked_at, 'picture')} looked at, {plural(done.links, 'likeness', 'likenesses')} found."
        )
    if done.unreadable:
        click.echo(f"{plural(done.unreadable, 'picture')} could not be looked at: 'lastlook verify' says why.")
    return 0


# ------------------------------------------------------------------------------------------------ at the terminal


def _walk(store: Store, everything: bool) -> None:
    """One group after the other; what is left for later does not come again in this walk."""
    from lastlook import deciding, queue

    later: set[str] = set()
    done: list[str] = []
    while True:
        found = [group for group in queue.groups(store, everything=everything) if group.id not in later]
        if not found:
            click.echo("Nothing more waits for you." if not later else f"{plural(len(later), 'group')} left for later.")
            return
        group = found[0]
        click.echo()
        for line in group_lines(store, group, len(found)):
            click.echo(line)
        try:
            answer = click.prompt(
                "1-9 choose · n no to the first · x none of these · an id · l later · u undo · q leave",
                default="l",
                show_default=False,
            ).strip()
        except click.Abort:
            click.echo()
            return
        try:
            if answer in {"q", "quit"}:
                return
            if answer in {"l", ""}:
                later.add(group.id)
            elif answer == "u":
                if not done:
                    click.echo("Nothing was decided in this walk yet.")
                    continue
                deciding.undo(store, done.pop())
                click.echo("Taken back.")
            elif answer == "n":
                done.append(queue.reject(store, group).uid)
            elif answer == "x":
                done.append(queue.reject_all(store, group).uid)
            elif answer.isdigit() and len(answer) == 1:
                done.append(queue.accept(store, group, int(answer)).uid)
            else:
                done.append(queue.settle(store, group, named(store, tuple(answer.split()))).uid)
        except LastlookError as error:
            click.echo(f"{error.message}. {error.hint}")


def group_lines(store: Store, group: Group, waiting: int) -> list[str]:
    lines = [f"{group_line(store, group)}   ({plural(waiting, 'group')} waiting)"]
    for one in group.pictures[:8]:
        place = f" at {clock(one.clip_ms)}" if one.clip_ms is not None else ""
        lines.append(f"    {one.id:<24} {one.file}{place}")
    if len(group.pictures) > 8:
        lines.append(f"    … and {len(group.pictures) - 8} more")
    for number, choice in enumerate(group.choices, start=1):
        lines.append(f"  {number}  {choice_words(choice)}")
    if not group.choices:
        lines.append("  Nothing is proposed: type what it shows (an id or a name of the plan).")
    return lines


def choice_words(choice: Choice) -> str:
    return f"{choice.words}  ({choice.confidence * 100:.0f} %: {choice.evidence})"


def group_line(store: Store, group: Group) -> str:
    first = group.pictures[0]
    when = ""
    if (instant := from_ms(first.taken_ms)) is not None:
        when = times.format_rfc3339(instant.replace(microsecond=0), store.zone)
    kind = group.kind.value if group.kind is not Kind.CLIP else f"clip {first.file}"
    count = plural(len(group.pictures), "picture")
    best = f"  1: {group.choices[0].words} {group.choices[0].confidence * 100:.0f} %" if group.choices else ""
    return f"{group.id[:9]}  {when or 'time not known'}  {count}, {kind}: {_NEEDS[group.need]}{best}"


def group_json(store: Store, group: Group) -> dict[str, object]:
    instants = [from_ms(one.taken_ms) for one in group.pictures if one.taken_ms is not None]
    known = [instant for instant in instants if instant is not None]
    return {
        "group": group.id,
        "kind": group.kind.value,
        "need": group.need.value,
        "worth": group.worth,
        "session": group.session or None,
        "first": times.format_rfc3339(min(known), store.zone) if known else None,
        "last": times.format_rfc3339(max(known), store.zone) if known else None,
        "pictures": group.ids,
        "choices": [
            {
                "targets": [[dimension.value, target] for dimension, target in choice.targets],
                "confidence": choice.confidence,
                "evidence": choice.evidence,
            }
            for choice in group.choices
        ],
    }


def _tell(group: Group, decision: Decision, as_json: bool) -> None:
    if as_json:
        print_json({"decision": decision.uid, "pictures": group.ids})
        return
    click.echo(
        f"{plural(len(group.pictures), 'picture')} settled. Take it back with 'lastlook undo {decision.uid[:8]}'."
    )
