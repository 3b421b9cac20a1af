"""`lastlook`: the command line's root. Errors become words and exit codes here and nowhere else.

Exit 0 fine · 1 finished with findings (files refused, gaps, damage, "no") · 2 cannot run as asked.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import entry_points

import click

from lastlook import __version__
from lastlook.errors import LastlookError, PlanError

FINE, FINDINGS, CANNOT = 0, 1, 2

# Modules are imported when their command is called: a question should not wait for the decoders to load.
COMMANDS = {
    "init": "setup:init",
    "plan": "setup:plan",
    "ingest": "taking:ingest",
    "still": "taking:still",
    "problems": "taking:problems",
    "find": "asking:find",
    "show": "asking:show",
    "timeline": "asking:timeline",
    "tag": "saying:tag",
    "untag": "saying:untag",
    "close": "saying:close",
    "reopen": "saying:reopen",
    "check": "closing_looking:check",
    "hidden": "closing_looking:hidden",
    "look": "closing_looking:look",
    "view": "closing_recording:view",
    "change": "closing_recording:change",
    "measure": "closing_recording:measure",
    "test": "closing_recording:test",
    "done": "closing_recording:done",
    "witness": "closing_recording:witness",
    "release": "closing_recording:release",
    "waive": "closing_recording:waive",
    "waivers": "closing_listing:waivers",
    "bond": "closing_bonds:bond",
    "adhesive": "closing_bonds:adhesive",
    "log": "closing_listing:log",
    "requirements": "closing_listing:show_requirements",
    "clock": "clocks:clock",
    "history": "saying:history",
    "undo": "saying:undo",
    "card": "cards:card",
    "session": "sessions_cmd:session",
    "listen": "listen_cmd:listen",
    "propose": "queue_cmd:propose",
    "mark": "drawing:mark",
    "tie": "drawing:tie",
    "known": "knowing:known",
    "locate": "locating:locate",
    "align": "comparing:align",
    "changes": "comparing:changes",
    "sameview": "comparing:sameview",
    "length": "comparing:length",
    "calibrate": "comparing:calibrate",
    "handover": "handing:handover",
    "state": "handing:state",
    "private": "handing:private",
    "approval": "approving:approval",
    "verify": "caring:verify",
    "backup": "keeping_cmd:backup",
    "restore": "keeping_cmd:restore",
    "relink": "keeping_cmd:relink",
    "care": "keeping_cmd:care",
    "rebuild": "caring:rebuild",
    "demo": "demonstrating:demo",
}
PLUGGED = "lastlook.commands"  # commands of packages above this one, such as the viewer's


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*COMMANDS, *sorted(point.name for point in entry_points(group=PLUGGED))]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in COMMANDS:
            module, _, name = COMMANDS[cmd_name].partition(":")
            found = getattr(import_module(f"lastlook.cli.{module}"), name)
        else:
            points = [point for point in entry_points(group=PLUGGED) if point.name == cmd_name]
            if not points:
                return None
            found = points[0].load()
        if not isinstance(found, click.Command):
            raise TypeError(f"{cmd_name} is no command")
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in self.list_commands(ctx):
            from lastlook.plan.ids import nearest

            like = nearest(args[0], self.list_commands(ctx))
            near = f" Did you mean {' or '.join(like)}?" if like else ""
            raise LastlookError(f"there is no command {args[0]!r}", f"See 'lastlook --help'.{near}")
        return super().resolve_command(ctx, args)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="lastlook")
def root() -> None:
    """What did it look like just before it was closed?

    lastlook takes in the photos and clips of a build, works out when and of what each is, and answers
    questions about past states.

    \b
    Example:
      lastlook init my-build --name LV-40 --zone Europe/Copenhagen
      cd my-build
      lastlook plan load ../plan.toml
      lastlook ingest /media/card
      lastlook find --run W03 --before-closing O4
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # File names may hold bytes that are no text; they are shown, never a reason to fail.
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    try:
        result = root.main(args=list(arguments) if arguments is not None else None, standalone_mode=False)
        sys.stdout.flush()
    except LastlookError as error:
        return say_error(error)
    except (click.exceptions.Abort, KeyboardInterrupt):
        click.echo("\nlastlook: stopped", err=True)
        return FINDINGS
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        return CANNOT
    except click.UsageError as error:
        where = error.ctx.command_path if error.ctx else "lastlook"
        return say_error(LastlookError(error.format_message().rstrip("."), f"See '{where} --help'."))
    except click.ClickException as error:
        return say_error(LastlookError(error.format_message(), ""))
    except BrokenPipeError:
        # Whoever read our output has gone; what is left to print has no reader.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE
    except OSError as error:
        # Whatever a disk, a folder or a full device refuses, wherever it was met.
        what = f"{error.filename}: " if error.filename is not None else ""
        why = (error.strerror or str(error) or type(error).__name__).lower()
        return say_error(LastlookError(f"{what}{why}", "Check the disk and the folder's permissions, then try again."))
    return result if isinstance(result, int) else FINE


def say_error(error: LastlookError) -> int:
    click.echo(f"lastlook: {error.message}", err=True)
    if isinstance(error, PlanError):
        for fault in error.faults:
            click.echo(f"  {fault}", err=True)
    if error.hint:
        click.echo(f"  {error.hint}", err=True)
    return error.exit_code


def script() -> None:
    """The installed command. A mistake of ours is told in words as well; with LASTLOOK_TRACEBACK=1 in full."""
    try:
        code = main()
    except Exception as error:
        if os.environ.get("LASTLOOK_TRACEBACK"):
            raise
        hint = "What was recorded before is kept. Please report it, with what LASTLOOK_TRACEBACK=1 shows."
        code = say_error(LastlookError(f"a mistake in lastlook itself ({type(error).__name__}: {error})", hint))
    sys.exit(code)
