"""Case files: read with all problems at once, written whole or not at all."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec

from diagnose.knowledge.load import (
    KnowledgeBase,
    cases_root,
    record_problems,
    unknown_entries,
    unknown_name,
    without_defaults,
)
from diagnose.model import CaseRecord, Facet, Panel, SnapshotRecord
from diagnose.model.errors import CaseError
from diagnose.model.files import escaped, toml_of, write_whole

#: nobody flies for longer than a day, and rates times endless hours would make every failure certain
LONGEST_MINUTES = 1440.0


# ------------------------------------------------------------------ reading files


def case_paths() -> dict[str, Path]:
    """Shipped cases by name."""
    return {p.stem: p for p in sorted(cases_root().rglob("*.toml")) if p.parent.name != "scenarios"}


def case_path(name: str) -> Path:
    """Give the file of a case: a file, or a shipped case by its name. Raises CaseError, UnknownName."""
    path = Path(name)
    shipped = case_paths()
    if "\0" not in name and path.is_file():
        return path
    if name in shipped:
        return shipped[name]
    if "\0" not in name and path.is_dir():
        raise CaseError("this is a folder, not a case file", name)
    if path.suffix or os.sep in name:
        raise CaseError(f"there is no file {name}", mend="check the path; shipped cases: diagnose cases")
    raise unknown_name("case", name, shipped)


def load_case(name: str, kb: KnowledgeBase) -> CaseRecord:
    """Read a case by shipped name or by file. Raises CaseError with all that is wrong."""
    path = case_path(name)
    try:
        data = path.read_bytes()
        content = toml_of(data)
    except OSError as error:
        raise CaseError(f"the case cannot be read ({error.strerror})", str(path)) from None
    except UnicodeDecodeError:
        raise CaseError("this is not a case file: it is not text in UTF-8", str(path)) from None
    except ValueError as error:
        twice = "overwrite" in str(error)
        raise CaseError(
            f"the case file is not valid TOML ({error})",
            str(path),
            "an entry stands there twice: keep one" if twice else "it may be cut off or mistyped there",
        ) from None
    if not data.strip(b"\xef\xbb\xbf \t\r\n"):
        raise CaseError("the case file is empty", str(path), "a case has title, panel and [[snapshot]]")
    return case_of(content, kb, str(path))


def case_of(content: Mapping[str, Any], kb: KnowledgeBase, where: str) -> CaseRecord:
    """Give the case that a file's content describes. Raises CaseError with all that is wrong."""
    problems = list(record_problems(content, CaseRecord))
    if not problems:
        case = msgspec.convert(content, CaseRecord)
        problems = case_problems(case, kb)
    if problems:
        raise CaseError("; ".join(problems), where, "correct what is named, and try again")
    return case


#: what the numbers of partial panel are computed for, and where the formulas hold
FLOWN_LIMITS = (("latitude_deg", -80.0, 80.0), ("true_airspeed_kt", 30.0, 400.0), ("bank_deg", 1.0, 45.0))


def case_problems(case: CaseRecord, kb: KnowledgeBase) -> list[str]:
    """Everything in a case that the knowledge base or the panel does not know."""
    problems = unknown_entries("setting", (case.setting,), kb.settings)
    problems += unknown_entries("context", case.context, kb.context)
    failures = {failure for answer in (case.truth.failures if case.truth else ()) for failure in answer}
    problems += unknown_entries("failure", sorted(failures), kb.failures)
    if not 0.0 <= case.minutes_since_start <= LONGEST_MINUTES:
        problems.append(f"minutes_since_start must be 0 or more{_up_to_a_day(case.minutes_since_start)}")
    for name, low, high in FLOWN_LIMITS:
        value = getattr(case, name)
        if value is not None and not low <= value <= high:
            problems.append(f"{name} must lie between {low:g} and {high:g}, not {value:g}")
    unknown = unknown_entries("panel", (case.panel,), kb.panels)
    if unknown:
        return [*problems, *unknown]
    panel = kb.panel(case.panel)
    for number, snapshot in enumerate(case.snapshot, 1):
        problems += [f"moment {number}: {what}" for what in _snapshot_problems(snapshot, kb, panel)]
    return problems


def _up_to_a_day(minutes: float) -> str:
    """The upper limit of a time, where that is what is wrong."""
    return f" and at most {LONGEST_MINUTES:g}, a day" if LONGEST_MINUTES < minutes < math.inf else ""


def _is_size(facet: Facet, said: str) -> bool:
    # numpy comes with it, and the prompt should be there before
    from diagnose.network.readings import size_of

    return size_of(facet, said) is not None


def _snapshot_problems(snapshot: SnapshotRecord, kb: KnowledgeBase, panel: Panel) -> Iterator[str]:
    on_panel = f"on the panel {panel.id}"
    yield from unknown_entries("maneuver", (snapshot.manoeuvre,), kb.manoeuvres)
    if not 0.0 < snapshot.minutes <= LONGEST_MINUTES:
        yield f"minutes must be above 0{_up_to_a_day(snapshot.minutes)}, not {snapshot.minutes:g}"
    if not 0.0 <= snapshot.minutes_before <= LONGEST_MINUTES:
        before = snapshot.minutes_before
        yield f"minutes_before must be 0 or more{_up_to_a_day(before)}, not {before:g}"
    for switch, position in snapshot.switches.items():
        unknown = unknown_entries(f"switch {on_panel}", (switch,), panel.switches)
        yield from unknown or unknown_entries(
            f"position of {switch}", (position,), kb.switches[switch].positions
        )
    facets = {f"{g}.{f.id}": f for g in panel.gauges for f in kb.gauges[g].facets}
    stated = [*snapshot.readings.items(), *((f, r) for f, (r, _) in snapshot.unsure.items())]
    for facet, reading in stated:
        unknown = unknown_entries(f"gauge {on_panel}", (facet,), facets)
        if unknown:
            yield from unknown
            continue
        no_reading = unknown_entries(
            f"reading of {facet}", (reading,), [r.id for r in facets[facet].readings]
        )
        if no_reading and not _is_size(facets[facet], reading):
            yield from no_reading
    for facet in snapshot.readings.keys() & snapshot.unsure.keys():
        yield f"{facet} stands both in readings and in unsure"
    for facet in snapshot.filled:
        if facet not in snapshot.readings and facet not in snapshot.unsure:
            yield f"{facet} stands in filled but has no reading"
    for facet, (_, sure) in snapshot.unsure.items():
        if not 0.0 <= sure <= 1.0:
            yield f"{facet}: how sure must lie between 0 and 1, not {sure:g}"
    compared = [
        {facet.split(".")[0] for facet in o.facets}
        for o in kb.oppositions.values()
        if all(facet in facets for facet in o.facets)
    ]
    for pair in snapshot.disagree:
        unknown = unknown_entries(f"gauge {on_panel}", pair, panel.gauges)
        yield from unknown
        if not unknown and set(pair) not in compared:
            yield f"{pair[0]} and {pair[1]} do not tell of one thing, so they cannot disagree"


# ------------------------------------------------------------------ writing files


def dump_case(case: CaseRecord) -> str:
    """Give a case as the text of its file."""
    import tomli_w

    return escaped(tomli_w.dumps(case_content(case)))


def case_content(case: CaseRecord) -> dict[str, Any]:
    """Give a case as plain data, without what need not be said."""
    return without_defaults(case)


def save_case(case: CaseRecord, path: Path, *, over: bool = False, sources: Iterable[Path] = ()) -> None:
    """Write a case by ``files.write_whole``, ``over`` a file only if told to. Raises CaseError."""
    write_whole(lambda: dump_case(case), path, "case", over=over, sources=sources)
