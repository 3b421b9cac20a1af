"""`verify` and `rebuild`: look after the archive."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from lastlook.cli import progress
from lastlook.cli.common import archive_option, find_archive, json_option, plural, print_json
from lastlook.cli.taking import problem_json, problem_line
from lastlook.errors import UsageError
from lastlook.store import Store


@click.command()
@click.option("--quick", is_flag=True, help="Compare sizes only; read no original.")
@click.option(
    "--sample", default="", metavar="SHARE", help="Read a share of the originals, as in 5%: the longest unread."
)
@click.option("--all", "everything", is_flag=True, help="Read every original; this is so where nothing is said.")
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
@archive_option
def verify(archive_dir: Path | None, quick: bool, sample: str, everything: bool, quiet: bool, as_json: bool) -> int:
    """Compare disk, catalogue, decisions and text index.

    Lists every finding, with where a good copy is, and changes nothing; those that go away by themselves are
    no reason to fail. With --sample 5% once a week every original has been read after twenty weeks.

    \b
    Example:
      lastlook verify --sample 5%
    """
    from lastlook.care import check, share_of

    if sum((quick, bool(sample), everything)) > 1:
        raise UsageError("--quick, --sample and --all exclude each other", "Give one of them.")
    with progress.shown(quiet) as report:
        share = share_of(sample) if sample else None
        verified = check(find_archive(archive_dir), read_all=not quick, share=share, report=report)
    if as_json:
        print_json(
            {
                "files": verified.files,
                "size_bytes": verified.size_bytes,
                "findings": [
                    {
                        "kind": finding.fault.value,
                        "subject": finding.subject,
                        "what": finding.what,
                        "hint": finding.hint,
                        "heals": finding.heals,
                    }
                    for finding in verified.findings
                ],
            }
        )
    else:
        for finding in verified.findings:
            click.echo(f"{finding.subject}: {finding.what}. {finding.hint}")
        read = "looked at" if quick else "read whole"
        said = plural(len(verified.findings), "finding") if verified.findings else "all is well"
        said += ", nothing to do" if verified.findings and verified.well else ""
        click.echo(f"{plural(verified.files, 'original')} {read}, {verified.size_bytes / 1e6:.1f} MB: {said}.")
    return 0 if verified.well else 1


@click.command()
@click.option("--index", "only_index", is_flag=True, help="Make only the text index anew.")
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
@archive_option
def rebuild(archive_dir: Path | None, only_index: bool, quiet: bool, as_json: bool) -> int:
    """Make the catalogue anew from originals and decisions.jsonl alone. The old one is kept beside it.

    \b
    Example:
      lastlook rebuild
    """
    from lastlook.intake import guard
    from lastlook.rebuild import rebuild as make_anew

    archive = find_archive(archive_dir)
    if only_index:
        with Store(archive) as store:
            store.rebuild_index()
        if as_json:
            print_json({"index": True})
        else:
            click.echo("Made the text index anew.")
        return 0
    executor = ThreadPoolExecutor(os.cpu_count() or 2)
    try:
        with progress.shown(quiet) as report:
            rebuilt = make_anew(archive, executor=executor, report=report)
    finally:
        executor.shutdown(wait=False, cancel_futures=True)
        guard.stop()
    if as_json:
        print_json(
            {
                "files": rebuilt.files,
                "decisions": rebuilt.decisions,
                "problems": [problem_json(problem) for problem in rebuilt.problems],
            }
        )
    else:
        for problem in rebuilt.problems:
            click.echo(problem_line(problem))
        click.echo(f"Read {plural(rebuilt.files, 'original')} and replayed {plural(rebuilt.decisions, 'decision')}.")
    return 1 if rebuilt.problems else 0
