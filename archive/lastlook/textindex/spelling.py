"""Known words near one that nothing answers. They are offered, never put in its place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from lastlook.textindex import analysis

CUTOFF = 65.0  # of 100; below, a "near" word is a guess
OFFERED = 3


def nearest(word: str, known: Sequence[str], vocabulary: Iterable[str] = (), limit: int = OFFERED) -> tuple[str, ...]:
    """Up to `limit` words near `word`, best first.

    `known` are tokens of the index; `vocabulary` the plan's own words, as the plan writes them, which come first where
    they are as near. Likeness is the normalised Indel similarity of rapidfuzz (0..100); a shared first letter, which
    people rarely mistype, counts a little more.
    """
    from rapidfuzz import fuzz, process  # imported late: most questions have no unknown word

    # Before anything is compared letter by letter: file names give an index many words of digits, and nobody types a
    # word a third longer or shorter than he means.
    plain, spread = word.isalpha(), max(1, len(word) // 3)
    shortest, longest = len(word) - spread, len(word) + spread
    names: dict[str, str] = {
        token: token
        for token in known
        if shortest <= len(token) <= longest and token.isalpha() == plain and token != word
    }
    for name in vocabulary:
        folded = analysis.tokenise(name)
        if len(folded) == 1 and folded[0] != word:
            names[folded[0]] = name
    first = word[:1]
    rated = [
        (score + (4.0 if token[:1] == first else 0.0), names[token] != token, token)
        for token, score, _ in process.extract(word, list(names), scorer=fuzz.ratio, limit=40, score_cutoff=CUTOFF)
        if token[:1].isdigit() == first.isdigit()
    ]
    rated.sort(key=lambda entry: (-entry[0], not entry[1], entry[2]))
    offered: dict[str, str] = {}  # one form of each stem: "lanterns" beside "lantern" tells nothing new
    for _, _, token in rated:
        offered.setdefault(analysis.index_term(token), names[token])
    return tuple(offered.values())[:limit]
