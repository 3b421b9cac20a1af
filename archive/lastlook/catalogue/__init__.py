"""The system of record: the only place where SQL is written.

migrations.py   the schema, as named steps, each in one transaction
connection.py   open, transactions, change counters
decisions.py    the appended decisions
shapes.py       what the body of each kind of decision must hold
plain.py        the same decisions as plain text
media.py        photos, clips, captions, where they were met, and what could not be used
pictures.py     pictures of an archive: add, fetch, re-time
grouped.py      what near-duplicates are grouped by, and the groups
indexed.py      what the text index still has to learn
tags.py         proposals and a person's word, folded into the tags that stand
closings.py     openings closed and reopened
pending.py      what a stopped run has left to be done
columns.py      the few columns that questions filter by, as arrays
dump.py         the whole content in one comparable form
"""

from __future__ import annotations

from lastlook.catalogue.connection import Catalogue

__all__ = ["Catalogue"]
