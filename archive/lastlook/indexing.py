"""What the text index learns of a picture, and keeping it in step with the catalogue.

The catalogue keeps a queue of pictures whose words have changed. The queue empties in the same order of events:
index first, then the queue; a process that dies between the two indexes the same words once more, which changes
nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path, PurePath

from lastlook.catalogue import Catalogue, indexed, pictures
from lastlook.errors import TextIndexError
from lastlook.plan import structure
from lastlook.plan.colours import BY_CODE
from lastlook.progress import Progress, Report, Stage, silent
from lastlook.records import Plan
from lastlook.textindex import Document, TextIndex

_SLICE = 5000


def open_or_rebuild(folder: Path, catalogue: Catalogue, plan: Plan) -> TextIndex:
    """The text index in `folder`; where it is missing, damaged or not ours, a new one made from the catalogue."""
    try:
        return TextIndex.open(folder)
    except TextIndexError:
        return rebuild(folder, catalogue, plan)


def rebuild(folder: Path, catalogue: Catalogue, plan: Plan) -> TextIndex:
    """Make the index anew from the catalogue."""
    with catalogue.writing():
        rids = pictures.every_rid(catalogue)
        pictures.mark_all_unindexed(catalogue)
    index = TextIndex.create(folder)
    try:
        index.rebuild(documents(catalogue, plan, rids))
        with catalogue.writing():
            indexed.mark_indexed(catalogue, rids)
    except BaseException:
        index.close()
        raise
    return index


def catch_up(index: TextIndex, catalogue: Catalogue, plan: Plan, report: Report = silent) -> int:
    """Let the index learn what is queued; returns how many pictures that were."""
    learned = 0
    waiting = 0
    while rids := indexed.unindexed(catalogue, _SLICE):
        if len(rids) == _SLICE and not waiting:
            waiting = len(indexed.unindexed(catalogue, -1))
        if waiting:
            report(Progress(Stage.INDEX, learned, max(waiting, learned + len(rids))))
        index.replace(documents(catalogue, plan, rids))
        gone = set(rids) - pictures.present(catalogue, rids)
        if gone:
            index.remove(sorted(gone))
        with catalogue.writing():
            indexed.mark_indexed(catalogue, rids)
        learned += len(rids)
    return learned


def documents(catalogue: Catalogue, plan: Plan, rids: Sequence[int]) -> Iterator[Document]:
    """The words of pictures: caption, what was said, the file's name, and the plan's words for what they show."""
    words = PlanWords(plan)
    for rid, file, caption, spoken, targets in indexed.words_of(catalogue, rids):
        parts = [caption, spoken, PurePath(file).stem, *(words.of(target) for _, target in targets)]
        # Lines of their own, so that a phrase cannot match across two parts.
        yield Document(rid, _lines(parts))


class PlanWords:
    """Id, title, aliases and colour of every item of a plan, as text."""

    def __init__(self, plan: Plan) -> None:
        self._words: dict[str, str] = {}
        for item in structure.items(plan).values():
            self._words[item.id] = _lines((item.id, item.title, *item.aliases))
        for run in plan.runs:
            colours = [word for code in (run.colour, run.tracer) if code in BY_CODE for word in BY_CODE[code].words]
            self._words[run.id] = _lines((run.id, run.title, *run.aliases, *colours, run.source, run.target))

    def of(self, target: str) -> str:
        return self._words.get(target, target)


def _lines(parts: Iterable[str]) -> str:
    return "\n".join(part for part in parts if part)
