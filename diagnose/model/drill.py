"""What the drill works with."""

from __future__ import annotations

from diagnose.model.record import Cited


class DrillNumber(Cited, frozen=True, kw_only=True):
    """A number that the drill works with."""

    id: str
    value: float
    unit: str


class ScanPattern(Cited, frozen=True, kw_only=True):
    """A customary order of looking at the instruments, gone round and round."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    gauges: tuple[str, ...]
    says: str
