"""Words of captions and of questions, cut and folded in one way for both.

`tokenise` gives the tokens of a text as they stand (the raw field: phrases, prefixes, spelling); `index_term` gives
what the ranked field holds for a token: its stem, or the token itself where it is an id, a number or a measure.

What is folded, so that a builder need not know how it was written:

    W-017 w_017 W017 W17     one id: letters, digits without leading zeros ("w17"); never stemmed, never cut
    0.5 mm 0,5mm .50 mm      one measure ("0.5mm"); a unit is never joined to the digits of an id
    AWG 30, 30 AWG           "30awg"
    1:48 1/48                one scale ("1/48")
    café cafe, ß ss          accents
    “ ” „ « » – — −          plain quotes and dashes
    colour color, grey gray  one spelling
    mast's                   mast

Parts of a split word ("HULL-F", "pre-drilled") follow each other, so that they are found as a phrase. A line break,
or a full stop standing alone, is a border that no phrase crosses. Pure; nothing here knows the index.
"""

from __future__ import annotations

import re
import threading
import unicodedata
from functools import cache, lru_cache
from typing import Any

BORDER = "\n"  # stands between the tokens of two lines
LONGEST = 64  # letters of a token that count; more is no word

# Longest first where one begins another. Units that are also words ("in", "a", "l") are joined only when nothing
# stands between, and so is "A"; the others also across one space.
_SPACED_UNITS = (
    "mm", "cm", "um", "km", "mah", "ma", "ua", "mv", "kv", "mw", "khz", "hz", "rpm", "kohm", "mohm", "ohm", "awg",
    "degc", "degf", "deg", "mm2", "kg", "mg", "ml", "lux", "nm", "ppm", "v", "w", "g", "h", "s", "m", "min", "pct",
)  # fmt: skip
_TIGHT_UNITS = ("a", "in", "ft", "l", "c", "x")
UNITS = (*_SPACED_UNITS, *_TIGHT_UNITS)

_UNIT_NAMES = {
    "millimetre": "mm", "millimeter": "mm", "centimetre": "cm", "centimeter": "cm", "metre": "m", "meter": "m",
    "micron": "um", "micrometre": "um", "micrometer": "um", "volt": "v", "millivolt": "mv", "milliamp": "ma",
    "milliampere": "ma", "amp": "a", "ampere": "a", "watt": "w", "milliwatt": "mw", "kilohm": "kohm", "hour": "h",
    "hr": "h", "minute": "min", "second": "s", "sec": "s", "gram": "g", "gramme": "g", "degree": "deg",
    "percent": "pct", "inch": "in", "inche": "in", "gauge": "awg",
}  # fmt: skip

_LETTERS = str.maketrans({
    "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i", "μ": "u", "µ": "u",
    "“": '"', "”": '"', "„": '"', "‟": '"', "«": '"', "»": '"', "″": '"', "＂": '"',
    "‘": "'", "’": "'", "‚": "'", "‛": "'", "′": "'", "`": "'", "´": "'",
    "‐": "-", "‑": "-", "‒": "-", "–": "-", "—": "-", "―": "-", "−": "-", "﹣": "-", "－": "-",
    "×": "x", "⁄": "/", "∕": "/", "÷": "/", "\u00ad": None, "\u200b": None, "\ufeff": None,
})  # fmt: skip

_BREAKS = re.compile(r"[\r\n\v\f\x1c-\x1e\x85\u2028\u2029]+")
_LONE_STOP = re.compile(r"(?<=\s)[.|](?=\s)")
_BLANKS = re.compile(r"[^\S\n]+")
_DECIMAL = r"(?:\d+(?:\.\d+)?|\.\d+)"
_NOT_IN_WORD = r"(?<![\w.,/:])(?<![a-z][-_])"
_THOUSANDS = re.compile(r"(?<![\w.,])([1-9]\d{0,2}),(\d{3})(?![\w,])(?!\.\d+,)")
_DECIMAL_COMMA = re.compile(r"(?<![\w.,])(\d+|(?<=\s)|^),(\d+)(?![\d,])")
_NUMBER_UNIT_NAME = re.compile(
    rf"{_NOT_IN_WORD}({_DECIMAL})[ -]?({'|'.join(sorted(_UNIT_NAMES, key=len, reverse=True))})s?(?!\w)"
)
_NUMBER_UNIT = re.compile(
    rf"{_NOT_IN_WORD}({_DECIMAL}) ({'|'.join(sorted(_SPACED_UNITS, key=len, reverse=True))})s?(?![\w'])"
)
_UNIT_FIRST = re.compile(r"(?<!\w)awg[ -]?(\d{1,2})(?!\w|[.,/:]\d| ?(?:mm|cm|m|v|ma|h)\b)")
_SCALE = re.compile(r"(?<![\w:.])1[:/](\d{1,4})(?![\w:])")
_POSSESSIVE = re.compile(r"(?<=\w)'s(?!\w)")
_IN_WORD_APOSTROPHE = re.compile(r"(?<=[a-z])'(?=[a-z])")
_AMPERE = re.compile(r"(?<![\w.,/:-])(\d+(?:[.,]\d+)?) A(?!\w)")

# In order: a date, a fraction or scale, a measure or number (with letters or not), an id, any other word.
_TOKEN = re.compile(
    r"""\d{4}-\d{2}-\d{2}(?!\d)
      | (?<![\w.])\d+/\d+(?!\w)
      | (?:(?<![\w.])\.\d+|\d+(?:\.\d+)?)(?:[^\W\d_]+\d*)*
      | [^\W\d_]+[-_.]?\d+(?:[^\W\d_]+\d*)*(?!\d)
      | [^\W\d_]+
      | \n""",
    re.VERBOSE,
)
_ID = re.compile(r"([^\W\d_]+)[-_.]?(\d+)(.*)\Z", re.DOTALL)
_NUMBER = re.compile(r"(\d*)(?:\.(\d+))?(.*)\Z", re.DOTALL)

_one_at_a_time = threading.Lock()

# Said in every sentence and never what is asked for. Words of order and place (before, after, under, off, no, not)
# are not among them: they are what this archive is about.
STOP_WORDS = frozenset({
    "a", "an", "and", "are", "as", "at", "be", "been", "being", "but", "by", "can", "could", "did", "do", "does",
    "doing", "for", "from", "had", "has", "have", "having", "he", "her", "his", "how", "i", "if", "in", "into", "is",
    "it", "its", "me", "my", "of", "on", "or", "our", "she", "should", "so", "some", "than", "that", "the", "their",
    "them", "then", "there", "these", "they", "this", "those", "to", "us", "was", "we", "were", "what", "when",
    "where", "which", "who", "why", "will", "with", "would", "you", "your",
})  # fmt: skip

_IRREGULAR = {
    "feet": "foot", "teeth": "tooth", "halves": "half", "leaves": "leaf", "ran": "run", "stuck": "stick",
    "drew": "draw", "drawn": "draw", "built": "build", "bent": "bend", "wound": "wind", "tore": "tear", "torn": "tear",
    "broke": "break", "broken": "break", "fed": "feed", "laid": "lay", "held": "hold", "hung": "hang", "lit": "light",
    "took": "take", "taken": "take", "made": "make", "came": "come", "went": "go", "gone": "go", "got": "get",
    "lost": "lose", "found": "find", "axes": "axis", "radii": "radius",
}  # fmt: skip
_SPELLINGS = {
    "color": "colour", "gray": "grey", "mold": "mould", "center": "centre", "aluminum": "aluminium", "meter": "metre",
    "fiber": "fibre", "plow": "plough", "mustache": "moustache", "caliber": "calibre", "labeled": "labelled",
    "labeling": "labelling", "vise": "vice", "jewelry": "jewellery", "armor": "armour", "liter": "litre",
}  # fmt: skip
_SPELLING = re.compile(rf"({'|'.join(_SPELLINGS)})(|s|ed|ing|less)\Z")


def normalise(text: str) -> str:
    """The text with letters, quotes, dashes, numbers and units in one form; words are not cut yet.

    Lower case, accents off; "0,5 mm" becomes "0.5mm", "AWG 30" "30awg", "1:48" "1/48". Line breaks become one "\\n".
    Quotes, brackets, "-" and "*" stay, for the reader of questions.
    """
    text = _AMPERE.sub(r"\1a", text)  # before the case is lost: "5 A" is a current, "5 a" hardly ever
    text = unicodedata.normalize("NFKC", text.translate(_LETTERS)).translate(_LETTERS).casefold()
    text = text.replace("ω", "ohm").replace("°", "deg").replace("%", "pct")
    if not text.isascii():
        text = "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.combining(c))
        text = "".join(str(unicodedata.decimal(c)) if c.isdecimal() else c for c in text)
    text = unicodedata.normalize("NFC", text).translate(_LETTERS)
    text = _BLANKS.sub(" ", _LONE_STOP.sub("\n", _BREAKS.sub("\n", text)))
    text = _POSSESSIVE.sub("", text)
    text = _IN_WORD_APOSTROPHE.sub("", text)
    text = _THOUSANDS.sub(r"\1\2", text)
    text = _DECIMAL_COMMA.sub(r"\1.\2", text)
    text = _NUMBER_UNIT_NAME.sub(lambda m: m[1] + _UNIT_NAMES[m[2]], text)
    text = _NUMBER_UNIT.sub(r"\1\2", text)
    text = _UNIT_FIRST.sub(r"\1awg", text)
    return _SCALE.sub(r"1/\1", text)


def tokens_of(normal: str) -> list[str]:
    """The tokens of a normalised text in order, with `BORDER` between lines (never first, last or doubled)."""
    found: list[str] = []
    for word in _TOKEN.findall(normal):
        if word != BORDER:
            found.append(_fold(word[:LONGEST]))
        elif found and found[-1] != BORDER:
            found.append(BORDER)
    if found and found[-1] == BORDER:
        found.pop()
    return found


def tokenise(text: str) -> list[str]:
    """The tokens of a text, in order: `tokens_of(normalise(text))`."""
    return tokens_of(normalise(text))


def fold_id(text: str) -> str:
    """The form in which ids are compared: "W-03", "w03" and "W3" are all "w3"; "HULL-F" is "hull-f".

    Letters followed by digits lose the dash between and leading zeros; other ids are only put in lower case.
    """
    normal = normalise(text).strip()
    match = _ID.match(normal)
    return _fold(normal) if match and not match[3] else normal


@lru_cache(maxsize=50_000)
def _fold(word: str) -> str:
    if word[0].isalpha():
        match = _ID.match(word)
        if match is None:
            spelt = _SPELLING.match(word)
            return _SPELLINGS[spelt[1]] + spelt[2] if spelt else word
        letters, digits, rest = match.groups()
        return f"{letters}{digits.lstrip('0') or '0'}{rest}"
    number = None if "-" in word or "/" in word else _NUMBER.match(word)
    if number is None:
        return word
    whole, part, unit = number.groups()
    part = (part or "").rstrip("0")
    return f"{(whole or '').lstrip('0') or '0'}{'.' + part if part else ''}{unit}"


def is_number(token: str) -> bool:
    """Whether a token is a number without a unit: "11", "0.5"."""
    return token.replace(".", "", 1).isdecimal()


def split_id(token: str) -> tuple[str, str] | None:
    """Letters and digits of a token with the shape of an id ("w3": "w", "3"), or None."""
    match = _ID.match(token)
    return (match[1], match[2]) if match and not match[3] else None


@lru_cache(maxsize=50_000)
def index_term(token: str) -> str:
    """What the ranked field holds for a token: its stem, or itself for ids, numbers, measures and other scripts.

    Stems are those of the Snowball project for English, after a short list of irregular forms of the workshop (feet,
    wound, bent, laid). (Whoosh's own stemmer misses a rule: it leaves "gyroscopic" as it is.)
    """
    if not token.isalpha() or not token.isascii() or len(token) < 3:
        return token
    return _stem(_IRREGULAR.get(token, token))


@cache
def _stemmer() -> Any:
    import snowballstemmer  # imported late: it costs more than the rest of this module

    return snowballstemmer.stemmer("english")


def _stem(word: str) -> str:
    with _one_at_a_time:  # a stemmer holds the word it works on
        return str(_stemmer().stemWord(word))
