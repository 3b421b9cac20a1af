"""The shapes of a question's words: what is quoted or left out, before and after a closing, where a run goes, kinds of
pictures and their order. How people say it at the bench: common practice, no source.
"""

from __future__ import annotations

import re

from lastlook.question_words import RUN_NOUN
from lastlook.records import PictureKind, Sort

SHIELDED = re.compile(
    r"""["“„«][^"”“»]*["”“»]|(?<![^\s(])-[^\s]+|\bnot\s+[^\s]+""",
    re.IGNORECASE,
)
_FILL = (
    r"(?:\s+(?:the|a|an|we|i|you|they|it|its|our|have|had|has|closing|closure|close|closed|bonding|bonded|sealing|sealed|"
    r"shutting|shut|gluing|glued|joining|joined|fitting|fitted|screwing|screwed|of|off|down|up|was|is|on|opening))*"
)
ORDER_BEFORE = re.compile(
    rf"(?P<word>\b(?:before\s+and\s+(?:just\s+)?after|(?:just\s+|right\s+)?(?:before|after)|prior\s+to|until|till|since"
    rf"|following))(?P<fill>{_FILL})\s+$",
    re.IGNORECASE,
)
_SHUT = (
    r"(?:closed|shut|sealed|bonded|glued|joined|screwed(?:\s+(?:on|down|shut))?|fitted|covered|went\s+on|put\s+on"
    r"|goes\s+on|going\s+on|closes|closing|closure)"
)
SHUT_AFTER = re.compile(
    rf"\s+(?:(?:was|is|were|are|got|gets|has|have|had|been|being|itself)\s+)*{_SHUT}\b", re.IGNORECASE
)
LOOSE_CLOSING = re.compile(
    rf"\b(?P<word>before|after|prior\s+to|until|since)\s+(?:(?:the|our)\s+)?(?P<name>[^\W\d_][\w' -]{{1,40}}?)(?P<shut>"
    rf"{SHUT_AFTER.pattern})",
    re.IGNORECASE,
)
IT_CLOSED = re.compile(
    rf"\b(?P<word>before|after|until|since)\s+(?:it|this|that|they|everything|all)(?P<shut>{SHUT_AFTER.pattern})"
    r"(?:\s+(?:up|in|over))?",
    re.IGNORECASE,
)
END = re.compile(r"(?<![\w.-])[^\W_][\w-]*(?:\.[\w-]+)+[+-]?(?!\w)")
VERB = re.compile(r"\b(?:clos|bond|seal|shut|glu|join|fit|screw)\w*", re.IGNORECASE)
RUN_TO = re.compile(
    rf"\b{RUN_NOUN}\s+(?P<way>to|from|into|out\s+of|of|for|in|inside|at)\s+(?:(?:the|our|its)\s+)?$", re.IGNORECASE
)
TWO_COLOURS = re.compile(
    rf"\b(?P<one>[^\W\d_]+)\s+(?:or|and)\s+(?P<other>[^\W\d_]+)\s+(?P<noun>{RUN_NOUN})\b", re.IGNORECASE
)
OWNER = re.compile(r"['’]s?(?!\w)")
RUN_NOUN_AFTER = re.compile(rf"\s+{RUN_NOUN}\b", re.IGNORECASE)
LEADING = re.compile(
    r"(?:\b(?:in|on|at|of|to|from|through|into|inside|within|under|over|above|below|behind|by|for|with|near|along|"
    r"across|around|and|the|a|an|our|my|its|this|that|about|is|was|step|part|subassembly|section|run|wire|only)\s+)+$",
    re.IGNORECASE,
)
KINDS: tuple[tuple[PictureKind, re.Pattern[str]], ...] = (
    (
        PictureKind.PHOTO,
        # "photos" alone is how people call all pictures; only who says "only" means to leave the stills out.
        re.compile(r"(?<!\w)(?:photo(?:graph)?s\s+only|only\s+photo(?:graph)?s|no\s+stills)(?!\w)", re.IGNORECASE),
    ),
    (
        PictureKind.STILL,
        re.compile(
            r"(?<!\w)(?:(?:on|in|from)\s+)?(?:the\s+)?(?:video(?:\s+(?:moments?|stills?|frames?|clips?))?s?|clips?|films?"
            r"|footage|recordings?|stills|(?<=a )still|(?<=the )still|still\s+(?=of|from))(?:\s+only)?(?!\w)",
            re.IGNORECASE,
        ),
    ),
)
_PICTURE_NOUN = r"(?:look|view|picture|photo|photograph|still|shot|image|time|glimpse|one)s?"
_NEWEST = rf"\b(?:newest|latest|most\s+recent)(?:\s+first)?\b|\blast(?=\s+{_PICTURE_NOUN}\b)"
_OLDEST = rf"\b(?:oldest|earliest)(?:\s+first)?\b|\bfirst(?=\s+{_PICTURE_NOUN}\b)"
SORTS = ((Sort.NEWEST, re.compile(_NEWEST, re.IGNORECASE)), (Sort.OLDEST, re.compile(_OLDEST, re.IGNORECASE)))
