"""What the simulated flights of a calibration are flown with."""

from __future__ import annotations

from diagnose.model.record import Cited, Record


class DayRecord(Record, frozen=True, kw_only=True):
    """Conditions of the day that go together, and the chance of a day with them."""

    chance: float
    flags: tuple[str, ...]


class World(Cited, frozen=True, kw_only=True):
    """The world of simulated flights, as far as it differs from that of the tables; see ``calibration.toml``."""

    wider_share: float
    sound_by_definition: tuple[str, ...]
    careless_times: tuple[float, float]
    sloppy_times: tuple[float, float]
    vague_power: tuple[float, float]
    late: float
    seen_beginning: float
    attention: tuple[float, float]
    gap_memory_times: tuple[float, float]
    gaps_min: tuple[float, ...]
    most_snapshots: int
    just_started: float
    switch_moved: float
    rough_times: float
    sloppier_times: float
    flown: tuple[tuple[str, ...], ...]
    days: tuple[DayRecord, ...]
