"""Group near-duplicates: bursts, stills of one held view. Never dropped: a moved wire changes few pixels."""

from __future__ import annotations

from lastlook.catalogue import Catalogue, grouped, pending
from lastlook.intake.likeness import group_near


def regroup(catalogue: Catalogue) -> None:
    """Give every picture its group again. Inside a transaction."""
    groups = group_near(grouped.for_grouping(catalogue))
    grouped.set_groups(catalogue, {rid: min(group) for group in groups if len(group) > 1 for rid in group})
    pending.done(catalogue, pending.GROUPING)
