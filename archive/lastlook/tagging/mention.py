"""How a name is meant where it stands: shown, denied, put off, or only mentioned. Pure.

A few words to either side inside one clause decide; captions made by machines have no commas, so the windows are short.
This is no grammar of English: where it is wrong, the builder's word wins, and the evidence shows the words heard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lastlook.tagging.lexicon import Form, Match
from lastlook.tagging.weights import FormWeights, Weights
from lastlook.tagging.words import Word


@dataclass(frozen=True, slots=True)
class Meaning:
    """`factor` multiplies the confidence; `why` is '' or the reason in a few words ("'not' stands before it")."""

    factor: float
    why: str = ""


# The plan's folding drops apostrophes.
# fmt: off
_CONTRACTED = frozenset((
    "isnt", "arent", "wasnt", "werent", "dont", "doesnt", "didnt", "hasnt", "havent", "hadnt", "wont", "cant",
    "couldnt", "wouldnt", "shouldnt", "aint",
))
# fmt: on
_NEGATORS = _CONTRACTED | {"not", "no", "never", "without", "except", "nor", "cannot", "neither"}
_HARMLESS = frozenset(
    {"only", "problem", "doubt", "forget", "worry", "just", "number"}
)  # "not only W03", "don't forget W03"
_LATER = frozenset({"later", "tomorrow", "eventually", "afterward", "someday"})
_NEXT = frozenset({"time", "week", "day", "month", "session", "video", "clip", "evening"})
_BEFOREHAND = frozenset({"before", "until", "till"})
_CONDITIONS = frozenset({"once", "when", "unless", "if"})  # only close by: "when I push W03 through" shows it
_AFTERWARD = frozenset({"after", "since"})
_TO = frozenset({"to", "toward", "for", "from"})
_ARTICLES = frozenset({"the", "a", "an", "my", "our", "its"})
_BE = frozenset({"is", "are", "was", "were", "be", "has", "have", "will", "it"})
_POINTING = frozenset({"here", "this", "these", "look", "see", "now"})


def meaning(words: Sequence[Word], match: Match, weights: Weights) -> Meaning:
    """How `match` is meant among `words`. The strongest reason against it decides; pointing words help only alone."""
    clause = words[match.first].clause
    before = _near(words[max(0, match.first - 6) : match.first], clause)
    after = _near(words[match.last : match.last + 9], clause)
    here = words[match.first].text  # so that a "next" before the name does not look like the end of a clause
    found: list[Meaning] = []

    negator = next((word for at, word in _last(before, 4) if _negates(before, at)), "")
    if negator:
        found.append(Meaning(weights.negated, f"'{negator}' stands before it"))
    instead = next((word for at, word in _last(before, 3) if _compares(before, at)), "")
    if instead:
        found.append(Meaning(weights.compared, f"only compared: '{instead}'"))
    denial = next((word for at, word in enumerate(after[:3]) if _denies(after, at)), "")
    if denial:
        found.append(Meaning(weights.denied, f"'{denial}' follows it"))
    later = _later([*before[-5:], here]) or _later(after)
    if later:
        found.append(Meaning(weights.postponed, f"put off: '{later}'"))
    when = next((word for _, word in _last(before, 4) if word in _BEFOREHAND), "")
    when = when or next((word for _, word in _last(before, 2) if word in _CONDITIONS), "")
    if when:
        found.append(Meaning(weights.beforehand, f"only mentioned: '{when}'"))
    since = next((word for _, word in _last(before, 4) if word in _AFTERWARD), "")
    if since:
        found.append(Meaning(weights.afterward, f"only mentioned: '{since}'"))
    past = _past(before[-4:]) or _past(after)
    if past:
        found.append(Meaning(weights.past, f"about the past: '{past}'"))
    plain_before = [word for word in before if word not in _ARTICLES]
    if plain_before and plain_before[-1] in _TO:
        found.append(Meaning(weights.leads_to, f"'{plain_before[-1]}' stands before it"))
    if match.inside and all(name.form is not Form.CODE for name in match.names):
        found.append(Meaning(weights.inside_other, "part of a longer name"))

    if found:
        return min(found, key=lambda one: one.factor)
    if _POINTING & {*before[-4:], *after[:3]}:
        return Meaning(weights.shown, "")
    return Meaning(1.0)


def base(form_weights: FormWeights, match: Match) -> float:
    """The confidence of `match` by the form of its name, shared out where the plan uses the name for several things."""
    value: float = max(getattr(form_weights, name.form.value) for name in match.names)
    return value / len(match.names)


def _near(words: Sequence[Word], clause: int) -> list[str]:
    return [word.text for word in words if word.clause == clause]


def _last(words: Sequence[str], count: int) -> list[tuple[int, str]]:
    """The last `count` words with their index, the nearest first."""
    return [(at, words[at]) for at in range(len(words) - 1, max(-1, len(words) - 1 - count), -1)]


def _negates(words: Sequence[str], at: int) -> bool:
    word = words[at]
    if word not in _NEGATORS:
        return False
    return at + 1 >= len(words) or words[at + 1] not in _HARMLESS


def _compares(words: Sequence[str], at: int) -> bool:
    pair = tuple(words[at : at + 2])
    return words[at] in ("unlike", "than") or pair in (
        ("instead", "of"),
        ("rather", "than"),
        ("same", "as"),
        ("similar", "to"),
    )


def _denies(words: Sequence[str], at: int) -> bool:
    word = words[at]
    return word in _CONTRACTED or (word in ("not", "never") and at > 0 and words[at - 1] in _BE)


def _later(words: Sequence[str]) -> str:
    for at, word in enumerate(words):
        if word in _LATER:
            return word
        following = words[at + 1] if at + 1 < len(words) else ""
        if word == "next" and not following:
            return word  # "I check next"
        if word in ("next", "another", "other") and following in _NEXT:
            return f"{word} {following}"
    return ""


def _past(words: Sequence[str]) -> str:
    for at, word in enumerate(words):
        following = words[at + 1] if at + 1 < len(words) else ""
        if word == "yesterday" or (word == "last" and following in _NEXT):
            return f"{word} {following}".strip() if word == "last" else word
    return ""
