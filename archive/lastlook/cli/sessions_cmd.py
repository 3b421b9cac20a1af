"""`session`: say what is being worked on; the pictures of that time are put to it."""

from __future__ import annotations

import click

from lastlook import times
from lastlook.cli.common import by_option, instant, json_option, needs_store, plural, print_json
from lastlook.deciding import Target
from lastlook.records import Dimension
from lastlook.store import Store
from lastlook.tagging.sessions import Session


@click.group(no_args_is_help=True)
def session() -> None:
    """Say what is being worked on, from when to when. Pictures of that time are put to it, until you say otherwise.

    \b
    Example:
      lastlook session start S08
      lastlook session stop
    """


@session.command("start", no_args_is_help=True)
@click.argument("ids", metavar="SUB|STEP|RUN...", nargs=-1, required=True)
@click.option("--at", default="now", metavar="T", help="When it began, if not now.")
@click.option("--note", default="", metavar="TEXT", help="What is worth remembering.")
@by_option
@json_option
@needs_store
def start_session(store: Store, ids: tuple[str, ...], at: str, note: str, as_json: bool) -> int:
    """Begin a session on a subassembly or step; one that is under way ends with it.

    \b
    Example:
      lastlook session start MAST S08
      lastlook session start S09 --at "2026-03-24 13:20"
    """
    from lastlook import sessions

    _tell(store, sessions.start(store, named(store, ids), at, note), as_json)
    return 0


@session.command("stop")
@click.argument("id", metavar="[SESSION]", default="")
@click.option("--at", default="now", metavar="T", help="When it ended, if not now.")
@by_option
@json_option
@needs_store
def stop_session(store: Store, id: str, at: str, as_json: bool) -> int:
    """End the session that is under way, or the last one that nobody stopped, or SESSION.

    \b
    Example:
      lastlook session stop
      lastlook session stop --at "2026-03-24 17:05"
    """
    from lastlook import sessions

    ended = sessions.stop(store, at, id)
    _tell(store, ended, as_json, sessions.stopped_by(store, ended))
    return 0


@session.command("add", no_args_is_help=True)
@click.argument("ids", metavar="SUB|STEP|RUN...", nargs=-1, required=True)
@click.option("--from", "since", required=True, metavar="T", help="When it began.")
@click.option("--to", "until", required=True, metavar="T", help="When it ended.")
@click.option("--note", default="", metavar="TEXT", help="What is worth remembering.")
@by_option
@json_option
@needs_store
def add_session(store: Store, ids: tuple[str, ...], since: str, until: str, note: str, as_json: bool) -> int:
    """Record a session that was.

    \b
    Example:
      lastlook session add MAST S09 --from "2026-03-24 13:20" --to "2026-03-24 15:10"
    """
    from lastlook import sessions

    _tell(store, sessions.add(store, named(store, ids), since, until, note), as_json)
    return 0


@session.command("list")
@click.option("--limit", type=click.IntRange(1, 10000), default=20, show_default=True, help="How many are listed.")
@json_option
@needs_store
def list_sessions(store: Store, limit: int, as_json: bool) -> int:
    """List sessions, the newest first.

    \b
    Example:
      lastlook session list
    """
    from lastlook import sessions

    found = sessions.every(store)[::-1][:limit]
    going = sessions.under_way(store)
    if as_json:
        print_json({"sessions": [session_json(store, each) for each in found]})
        return 0
    if not found:
        click.echo("No session yet. Start one: 'lastlook session start SUB|STEP'.")
    for each in found:
        under_way = "  under way" if going is not None and each.uid == going.uid else ""
        unsure = "  (nobody stopped it)" if each.left_open and not under_way else ""
        note = f"  {each.note}" if each.note else ""
        click.echo(f"{each.uid[:8]}  {span_words(store, each)}  {words(each)}{under_way}{unsure}{note}")
    return 0


def named(store: Store, ids: tuple[str, ...]) -> list[Target]:
    """Items of the plan as they were typed, whichever kind they are. Raises NoSuchId."""
    from lastlook.errors import NoSuchId
    from lastlook.plan import structure
    from lastlook.plan.vocabulary import lookup_id

    found = []
    items = structure.items(store.plan)
    for typed in ids:
        id = lookup_id(store.plan, None, typed)
        kind = structure.kind_of(items[id])
        if not isinstance(kind, Dimension):
            raise NoSuchId("subassembly, step, run or part", typed)
        found.append(Target(kind, id))
    return found


def words(session: Session) -> str:
    return " ".join(target for _, target in session.targets)


def span_words(store: Store, session: Session) -> str:
    return times.describe_interval(session.start, session.end, store.zone)


def session_json(store: Store, session: Session) -> dict[str, object]:
    return {
        "session": session.uid,
        "subassemblies": list(session.ids(Dimension.SUBASSEMBLY)),
        "steps": list(session.ids(Dimension.STEP)),
        "runs": list(session.ids(Dimension.RUN)),
        "parts": list(session.ids(Dimension.PART)),
        "start": instant(session.start, store.zone),
        "end": instant(session.end, store.zone),
        "stopped": session.stopped,
        "by": session.by,
        "note": session.note,
    }


def _tell(store: Store, session: Session, as_json: bool, decision: str = "") -> None:
    """`decision` that was made, if not that which began the session."""
    from lastlook import sessions

    inside = len(sessions.pictures_of(store, session))
    if as_json:
        print_json({**session_json(store, session), "pictures": inside, "decision": decision or session.uid})
        return
    click.echo(f"Session on {words(session)}: {span_words(store, session)}.")
    if inside:
        click.echo(f"{plural(inside, 'picture')} of that time.")
    if not session.stopped:
        click.echo(f"It ends with 'lastlook session stop', with the next one, or after {sessions.LONGEST_HOURS} hours.")
    click.echo(f"Take it back with 'lastlook undo {(decision or session.uid)[:8]}'.")


__all__ = ["named", "session", "session_json", "span_words", "words"]
