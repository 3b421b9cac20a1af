"""A measured figure beside its target."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """`target` is "" (none), "≤ x" or "≥ x" in the same unit."""

    name: str
    value: float
    unit: str
    target: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the target is met; None without one."""
        if not self.target:
            return None
        sign, number = self.target.split()
        return self.value <= float(number) if sign == "≤" else self.value >= float(number)
