"""The words around a question that nobody means to find in a caption: "show me", "what did … look like", "which"."""

from __future__ import annotations

import re

RUN_NOUN = r"(?:wire\s+runs?|wiring|wires?|runs?|leads?|conductors?|cables?|cores?)"

_RUN_NOUNS = re.compile(rf"\b{RUN_NOUN}\b", re.IGNORECASE)
_QUESTION_TAIL = re.compile(r"[?!;:,.]+(?=\s|$)")
_TALK = re.compile(
    r"""\b(?:this|that|these|those)\s+(?:photo|picture|image|view|still)s?\b(?:\s+of\b)?
      |\b(?:what|how)\s+(?:did|does|do|is|was|were)\b|\blook(?:s|ed|ing)?\s+like\b|\b(?:can|could|would)\s+you\b
      |\b(?:please|show(?:s|n|ing)?|see|seen|find|give|tell|want|need|like\s+to)\b(?:\s+me\b)?
      |\b(?:pictures?|photos?|photographs?|snapshots?|images?|views?|shots?|looks?|glimpses?)\b(?:\s+of\b)?
      |\b(?:which|where|when|who|whose|why|what|how)\b
      |\b(?:did|does|do|any|all|every|there|me|this|that|it|looks?|looked)\b""",
    re.IGNORECASE | re.VERBOSE,
)

# Not looked for at the beginning or the end of what is left; a search drops most of them anyway.
_CONNECTING = frozenset(
    {
        "the", "a", "an", "of", "in", "on", "at", "to", "from", "for", "with", "and", "or", "by", "was", "is", "were",
        "are", "be", "been", "has", "have", "had", "into", "as", "i", "we", "you", "my", "our", "its", "s", "go",
        "goes", "get", "got", "then", "so", "first", "last", "only", "just", "right", "through", "inside", "between",
    }
)  # fmt: skip


def without_talk(text: str, about_runs: bool) -> str:
    """The text without talk and end-of-sentence signs; where runs are named already, also without "wire", "lead", …"""
    text = _TALK.sub(" ", _QUESTION_TAIL.sub(" ", text))
    return _RUN_NOUNS.sub(" ", text) if about_runs else text


def trimmed(text: str) -> str:
    """The words of a text without connecting words at either end, and without what is no word at all."""
    left = [word for word in text.split() if re.search(r"\w", word)]
    while left and left[0].casefold() in _CONNECTING:
        left.pop(0)
    while left and (left[-1].casefold() in _CONNECTING or left[-1].casefold() == "not"):
        left.pop()
    return " ".join(left)
