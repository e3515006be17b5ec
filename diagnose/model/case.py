"""Cases: what was flown and what the gauges showed; and rows of published tables, which say the same."""

from __future__ import annotations

from typing import Literal

from diagnose.model.record import Cited, Record


class SnapshotRecord(Record, frozen=True, kw_only=True):
    """A snapshot as it stands in a case file.

    ``readings``: facet ("airspeed.trend") -> reading. ``unsure``: the same with "reading" and how
    sure (0 to 1; 0 says that it was any other reading than this). ``disagree``: pairs of gauges said to
    disagree, no more. ``filled``: facets whose reading was filled in by "rest as expected": it counts, but
    yields to what is said later.
    """

    manoeuvre: str
    minutes: float = 1.0
    minutes_before: float = 0.0
    switches: dict[str, str] = {}
    readings: dict[str, str] = {}
    unsure: dict[str, tuple[str, float]] = {}
    disagree: tuple[tuple[str, str], ...] = ()
    filled: tuple[str, ...] = ()
    note: str = ""


class TruthRecord(Record, frozen=True, kw_only=True):
    """What had really failed, and how strongly that is known.

    ``strength``: T1 found by inspection, T2 shown by the response in flight, T3 inferred, T4
    never established, "invented" for a case of our own. ``failures``: any one of these answers
    is right (each a tuple of failure ids; the empty tuple is "nothing failed").
    """

    strength: Literal["T1", "T2", "T3", "T4", "invented"]
    failures: tuple[tuple[str, ...], ...]
    says: str = ""


class CaseRecord(Record, frozen=True, kw_only=True):
    """A case file. Latitude (south negative), true airspeed and bank serve the numbers of partial panel."""

    title: str
    panel: str
    setting: str = "anomaly"
    context: tuple[str, ...] = ()
    minutes_since_start: float = 30.0
    latitude_deg: float | None = None
    true_airspeed_kt: float | None = None
    bank_deg: float | None = None
    snapshot: tuple[SnapshotRecord, ...] = ()
    truth: TruthRecord | None = None
    source: str = ""
    note: str = ""


class HandbookRow(Cited, frozen=True, kw_only=True):
    """A row of a published failure table: failures, conditions of flight, what the gauges show.

    ``shows`` lists for each snapshot what the row states; silent gauges are not stated.
    ``finding`` explains in writing where our physics contradicts the row.
    """

    id: str
    says: str
    panel: str
    failures: tuple[str, ...]
    section: str
    shows: tuple[SnapshotRecord, ...]
    context: tuple[str, ...] = ()
    finding: str = ""
