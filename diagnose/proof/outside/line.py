"""One line of the evidence: something from outside the project, and how we compare with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

#: what to install when a library to compare with is not there
INSTALL = "install diagnose-gauges[check]"


class Result(Enum):
    """How a comparison came out."""

    AGREES = "agrees"
    DIFFERS = "differs"
    NOT_RUN = "not run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A check against the outside, run afresh.

    ``values`` were compared and ``right`` of them agree; ``tolerance`` and ``worst`` (the largest
    difference found) are texts with their unit. ``misses`` says of each that differs, or is excused with a
    reason, what it is and why. ``expected_misses`` of them were known and are explained in writing.
    """

    group: str
    what: str
    source: str
    from_memory: bool = False
    values: int = 0
    right: int = 0
    tolerance: str = ""
    worst: str = ""
    misses: tuple[str, ...] = ()
    expected_misses: int = 0
    why_not: str = ""

    @property
    def result(self) -> Result:
        """Whether it agrees; a line differs as long as any of its values does."""
        if self.why_not:
            return Result.NOT_RUN
        return Result.AGREES if self.right == self.values else Result.DIFFERS

    @property
    def surprising(self) -> bool:
        """Whether more differs than is known and explained: a fault."""
        return self.result is Result.DIFFERS and self.values - self.right > self.expected_misses


def not_run(group: str, what: str, source: str, why: str = INSTALL) -> Line:
    """A line for a comparison that cannot be made here."""
    return Line(group=group, what=what, source=source, why_not=why)


def compared(
    group: str,
    what: str,
    source: str,
    found: Sequence[float],
    expected: Sequence[float],
    tolerance: float,
    unit: str,
    *,
    labels: Sequence[str] = (),
    from_memory: bool = False,
    misprints: dict[str, str] | None = None,
) -> Line:
    """A line for numbers within a tolerance; a value known to be misprinted stays a miss, with its reason."""
    misprints = misprints or {}
    names = labels or [str(place + 1) for place in range(len(expected))]
    gaps = [abs(one - other) for one, other in zip(found, expected, strict=True)]
    misses, known = [], 0
    for name, one, other, gap in zip(names, found, expected, gaps, strict=True):
        if not gap <= tolerance:
            reason = misprints.get(name, "")
            known += bool(reason)
            misses.append(f"{name}: {one:.6g}, not {other:g} {unit}" + (f" ({reason})" if reason else ""))
    return Line(
        group=group,
        what=what,
        source=source,
        from_memory=from_memory,
        values=len(gaps),
        right=len(gaps) - len(misses),
        tolerance=f"{tolerance:g} {unit}",
        worst=f"{max(gaps):.2g} {unit}",
        misses=tuple(misses),
        expected_misses=known,
    )
