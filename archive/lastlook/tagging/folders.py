"""Proposals from the names of the source's folders and from the file's own name. Pure.

The nearest folder counts most. Dates and counters in names never name anything of the plan.
"""

from __future__ import annotations

from pathlib import PurePath

from lastlook.records import Proposal, ProposalSource
from lastlook.tagging.context import Context
from lastlook.tagging.lexicon import Form, Match
from lastlook.tagging.mention import base, meaning
from lastlook.tagging.words import Word


def propose(context: Context) -> list[Proposal]:
    """What the folders and the file name of `context` name, one proposal a target and source."""
    best: dict[tuple[object, str, ProposalSource], Proposal] = {}
    weights = context.weights
    for above, folder in enumerate(reversed(context.folders)):
        words, matches = context.lexicon.in_name(folder)
        for match in matches:
            read = meaning(words, match, weights)
            confidence = base(weights.folder, match) * weights.folder_above**above * min(read.factor, 1.0)
            _keep(best, match, ProposalSource.FOLDER, confidence, _evidence("folder", folder, read.why), weights.floor)
    words, matches = context.lexicon.in_name(PurePath(context.file).stem)
    for match in matches:
        read = meaning(words, match, weights)
        confidence = base(weights.file_name, match) * min(read.factor, 1.0)
        if _may_be_serial(words, match):
            confidence *= weights.serial
        evidence = _evidence("file name", context.file, read.why)
        _keep(best, match, ProposalSource.FILE_NAME, confidence, evidence, weights.floor)
    return list(best.values())


def _may_be_serial(words: tuple[Word, ...], match: Match) -> bool:
    numbered = all(name.form is Form.NUMBERED for name in match.names)
    return numbered and match.last == len(words)


def _evidence(what: str, name: str, why: str) -> str:
    return f'{what} "{name}"' + (f" ({why})" if why else "")


def _keep(
    best: dict[tuple[object, str, ProposalSource], Proposal],
    match: Match,
    source: ProposalSource,
    confidence: float,
    evidence: str,
    floor: float,
) -> None:
    for name in match.names:
        if name.dimension is None or confidence < floor:
            continue
        key = (name.dimension, name.id, source)
        if key not in best or confidence > best[key].confidence:
            best[key] = Proposal(name.dimension, name.id, source, round(confidence, 4), evidence)
