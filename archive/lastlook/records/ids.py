"""Ids of pictures and clips: by content, so that the same bytes have the same id in every archive."""

from __future__ import annotations


def photo_id(sha256: str) -> str:
    """The id of a photo's picture: 'p' and the first 12 hex digits of its content."""
    return f"p{sha256[:12]}"


def still_id(sha256: str, clip_ms: int) -> str:
    """The id of a still: 's', 12 hex digits of its clip's content, and its place in milliseconds.

    The id alone is enough to take the same still again from the clip, so that a decision about it survives a rebuild
    even where a later version would choose other stills.
    """
    return f"s{sha256[:12]}-{clip_ms}"


def clip_id(sha256: str) -> str:
    """The id of a clip: 'c' and the first 12 hex digits of its content."""
    return f"c{sha256[:12]}"
