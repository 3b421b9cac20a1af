"""The text index: words of captions, of what was said, and of the plan, and which rows hold them.

The only room of Whoosh. It answers with row ids (and scores), nothing else; the catalogue filters and sorts. Importing
this package does not import Whoosh: that happens at the first question.
"""

from lastlook.textindex.match import Together, WordCount
from lastlook.textindex.query import ParsedQuery, parse
from lastlook.textindex.store import Document, Explanation, Matches, TextIndex

__all__ = [
    "Document",
    "Explanation",
    "Matches",
    "ParsedQuery",
    "TextIndex",
    "Together",
    "WordCount",
    "parse",
]
