"""What the square code of a bench card says.

    LL1:S:S03:84
    │   │ │   └ two check digits
    │   │ └ the id, as the plan writes it
    │   └ A subassembly, S step, R run, P part
    └ this form of text, version 1

The check digits are ISO/IEC 7064 MOD 97-10 (as an IBAN has them) over the hexadecimal bytes of all before the last
colon. The code's own error correction already guards against blur; the digits tell our text from any other that begins
alike, and a card written by hand with a slip from a right one: a wrong letter is found wherever it has as many digits
in the sum as the right one (but Z for M), and else but by a chance of one in 97.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from lastlook.records import Dimension

VERSION: Final = "LL1"
_LETTERS: Final = {Dimension.SUBASSEMBLY: "A", Dimension.STEP: "S", Dimension.RUN: "R", Dimension.PART: "P"}
_DIMENSIONS: Final = {letter: dimension for dimension, letter in _LETTERS.items()}
_FORM = re.compile(r"(LL1):([ASRP]):([A-Za-z0-9][A-Za-z0-9._+-]{0,31}):([0-9]{2})")
_OURS = re.compile(r"LL[0-9]+:[A-Z]:")


@dataclass(frozen=True, slots=True)
class Card:
    """What one bench card names."""

    dimension: Dimension
    id: str


def encode(card: Card) -> str:
    """The text of a card's code. Raises ValueError for what can be no id of a plan."""
    body = f"{VERSION}:{_LETTERS[card.dimension]}:{card.id}"
    text = f"{body}:{check_digits(body)}"
    if _FORM.fullmatch(text) is None:
        raise ValueError(f"{card.id!r} can be no id")
    return text


def decode(text: str) -> Card | None:
    """The card that a code's text names; None where it is no card of this version, or its check digits are wrong."""
    match = _FORM.fullmatch(text)
    if match is None:
        return None
    version, letter, id, digits = match.groups()
    if check_digits(f"{version}:{letter}:{id}") != digits:
        return None
    return Card(_DIMENSIONS[letter], id)


def is_ours(text: str) -> bool:
    """Whether a text means to be a bench card, of whatever version, right or damaged."""
    return _OURS.match(text) is not None


def check_digits(body: str) -> str:
    """ISO/IEC 7064 MOD 97-10 check digits over the hexadecimal bytes of `body`, letters counted as 10 to 35."""
    digits = "".join(str(int(letter, 36)) for letter in body.encode().hex())
    return f"{98 - int(digits + '00') % 97:02}"
