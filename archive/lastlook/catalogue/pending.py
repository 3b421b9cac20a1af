"""What a run owes to the catalogue and has yet to do: said in the transaction that causes it, so that a run which is
killed in between is made good by the next one."""

from __future__ import annotations

from lastlook.catalogue.connection import Catalogue

GROUPING = "grouping"
NEIGHBOURS = "neighbours"  # clips with a container's time only, beside files that have come in since


def owe(catalogue: Catalogue, work: str) -> None:
    catalogue.execute("INSERT OR IGNORE INTO pending VALUES (?)", (work,))


def owed(catalogue: Catalogue, work: str) -> bool:
    return catalogue.row("SELECT 1 FROM pending WHERE work = ?", (work,)) is not None


def done(catalogue: Catalogue, work: str) -> None:
    catalogue.execute("DELETE FROM pending WHERE work = ?", (work,))
