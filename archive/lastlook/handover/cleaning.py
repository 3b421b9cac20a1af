"""What is done to an original so that it can go along, and why another cannot."""

from __future__ import annotations

from enum import StrEnum

from lastlook.handover.words import N_


class How(StrEnum):
    """What was done to an original; the value is a fixed text of the record."""

    AS_IT_WAS = N_("as it was, with all its metadata")
    STRIPPED = N_("its metadata taken out, every byte of the picture as it was")
    REPACKED = N_("pictures and sound as they were, in a new file without metadata")
    SILENT = N_("pictures as they were, without sound and metadata, in a new file")
    LOSSLESS = N_("written anew without loss, since its kind cannot be cleaned otherwise")
    ENCODED = N_("encoded anew in high quality, since its kind cannot be cleaned otherwise")


class NotCleanable(Exception):
    """An original that cannot go along: its metadata cannot be taken out, or it is not there as it was taken in. The
    message is a fixed text of the record."""


NO_KIND = N_("its place, camera and owner cannot be taken out of this kind of file")
DAMAGED = N_("it is damaged, so that what it says of itself cannot be found")
DEEP = N_("it has more than 8 bits a colour or several pages, which would be lost")
CODEC = N_("its pictures may each carry metadata, which cannot be taken out")
GONE = N_("its original is not where it was")
UNREAD = N_("its original cannot be read")
ANOTHER = N_("its original is not the file that was taken in")
