"""Bench cards: what their code says, where things lie on them, the printed sheet, and the plane they give. Pure but for
the sheet's bytes."""

from lastlook.cards.payload import Card, decode, encode, is_ours

__all__ = ["Card", "decode", "encode", "is_ours"]
