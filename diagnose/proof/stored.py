"""Results that take too long to be run afresh, where they have been measured and stored."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from diagnose.advice.coverage import SOUND, load_coverage, mark_of
from diagnose.knowledge.load import KnowledgeBase, knowledge_root, stored_result
from diagnose.model.errors import KnowledgeError
from diagnose.render.text import percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading with texts, then a table: ``heads`` name the cells of each row, the last is its detail.

    ``bullets`` are separate remarks; ``svg`` is a picture for the page.
    """

    title: str
    texts: tuple[str, ...] = ()
    bullets: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    svg: str = ""


MODULE = "diagnose.proof.calibrate"
#: the panel of which details are shown
STANDARD_PANEL = "single_pump"
SPEED, REVIEWS, ADVICE = "evidence/speed.json", "evidence/review.json", "evidence/advice.json"
FLOWN = "evidence/recordings.json"
STORIES = "evidence/stories.json"
KEPT_BACK = "evidence/kept_back.json"


def stored_sections(kb: KnowledgeBase) -> Iterator[Section]:
    """Sections of the stored results that there are; a section that says so where there is none."""
    yield from _kept_back()
    yield from _coverage(kb)
    yield from _calibration()
    yield from _reviews()
    yield from _flown()
    yield from _stories()
    yield from _advice()
    yield from _speed()


def _coverage(kb: KnowledgeBase) -> Iterator[Section]:
    """What can be told apart at all, with every gauge of a panel read once in one maneuver."""
    try:
        stored = load_coverage()
    except KnowledgeError:
        return
    now = "" if stored.mark == mark_of(kb) else " The knowledge has changed since: run it again."
    plain = next(panel for panel in stored.panels if panel.panel == STANDARD_PANEL)
    names = {SOUND: "nothing failed", **{f.id: f.name for f in kb.failures.values()}}
    hidden = [names[one.failure] for one in plain.failures if not one.detectable]
    pairs = {
        frozenset((one.failure, other)): f"{names[one.failure]}: like {names[other]}"
        for one in plain.failures
        if one.detectable
        for other in one.looks_like
        if other != SOUND
    }
    rows = []
    for panel in stored.panels:
        shown = sum(bool(one.detectable) for one in panel.failures)
        apart = sum(bool(one.isolable) for one in panel.failures)
        rows.append(
            (
                f"{shown} of {len(panel.failures)}",
                str(apart),
                kb.panels[panel.panel].name,
                f"in at least one of {len(panel.groups)} maneuvers",
            )
        )
    yield Section(
        title="What can be told at all",
        texts=(
            "Every failure was put against a healthy airplane and against every other failure, with every gauge "
            "read once in one maneuver. Several moments, a switch or a check on the ground tell more. "
            f"Stored result of: {stored.command}.{now}",
            f"On the panel {plain.panel} these never show by one look: {'; '.join(hidden)}.",
            "Alike there in every maneuver:",
        ),
        bullets=tuple(f"{text}." for text in pairs.values()),
        heads=("show", "told from all", "panel", "where"),
        rows=tuple(rows),
    )


class AdviceRules(msgspec.Struct, frozen=True, kw_only=True):
    """The stored run of the rules of advice over random cases.

    ``rules``: number, what it says, cases tried, broken; ``premises``: rule, what it asks for, cases that met it.
    """

    command: str
    date: str
    panels: int
    cases: int
    rules: tuple[tuple[str, str, int, int], ...]
    premises: tuple[tuple[str, str, int], ...]


def _advice() -> Iterator[Section]:
    """Rules that no advice may break, over random cases of every panel."""
    file = knowledge_root() / ADVICE
    if not file.is_file():
        return
    stored = stored_result(file, AdviceRules, "rules of advice", "python -m tests.advice_rules")
    yield Section(
        title="Advice that cannot hurt",
        texts=(
            f"{stored.cases:,} random cases of {stored.panels} panels, with readings drawn from failures' own hidden "
            "states, a few of them replaced by anything; two flights of three are drawn to meet a rule's premise and "
            "are random in all else. Tried counts the cases in which a rule had something to say. "
            f"Stored result of {stored.date}: {stored.command}.",
            "Cases that met what a rule asks for:",
        ),
        bullets=tuple(
            f"rule {number}: "
            + ", ".join(f"{premise} {times:,}" for of, premise, times in stored.premises if of == number)
            for number, *_ in stored.rules
            if any(of == number for of, *_ in stored.premises)
        ),
        heads=("tried", "broken", "rule", "number"),
        rows=tuple((f"{tried:,}", str(broken), says, number) for number, says, tried, broken in stored.rules),
    )


class KeptBack(msgspec.Struct, frozen=True):
    """Cases that nobody who wrote the knowledge has seen: how they were made, and (what, right, of) for each count."""

    says: str
    rows: tuple[tuple[str, int, int], ...]


def _kept_back() -> Iterator[Section]:
    """How the ranking fares on published events that were kept back."""
    file = knowledge_root() / KEPT_BACK
    if file.is_file():
        found = stored_result(file, KeptBack, "cases that were kept back", "those who keep them")
        yield Section(
            title="Published events that were kept back",
            texts=(found.says,),
            heads=("right", "what"),
            rows=tuple((f"{right} of {of}", what) for what, right, of in found.rows),
        )


class Batch(msgspec.Struct, frozen=True):
    """Stories of one batch: counts when it was new to the reader, then the class of each key now."""

    name: str
    stories: int
    met: int
    keys: int
    misread: int
    sentences: int
    same: int
    compared: int
    right: int
    asked: int
    not_used: int
    wrong: int
    misread_now: int


class Stories(msgspec.Struct, frozen=True):
    """How stories were heard, the short remarks by class, and the command that measured them."""

    command: str
    batches: tuple[Batch, ...]
    remarks: dict[str, int]


def _stories() -> Iterator[Section]:
    """How well a pilot's own words are heard."""
    file = knowledge_root() / STORIES
    if file.is_file():
        made = "python -m tests.benchmarks.story_table"
        yield stories_section(stored_result(file, Stories, "how stories were heard", made))


def stories_section(found: Stories) -> Section:
    """What the stored scores of stories say: fresh figures first, they are the ones that count."""

    def total(name: str) -> int:
        return sum(getattr(batch, name) for batch in found.batches)

    rows = [
        (f"{b.met} of {b.keys}", f"{b.misread} of {b.sentences}", f"{b.right}/{b.asked}/{b.not_used}/{b.wrong}",
         f"{b.name}, {b.stories} stories", f"first answer as from the case by hand: {b.same} of {b.compared}" if b.compared else "")
        for b in found.batches
    ]  # fmt: skip
    remarks = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in found.remarks.items())
    return Section(
        title="A pilot's own story",
        texts=(
            "Stories of our own, with keys (what was seen, done and flown) written before the reader saw them. Fresh: scored "
            "once, as the reader then stood; only this says how a new story fares. Misread: sentences from which something wrong "
            "was taken without a word. Now: right, asked, not used, wrong, after the reader was mended on that batch.",
            f"Fresh, {percent(total('met') / max(total('keys'), 1))} of the keys were taken in right and "
            f"{percent(total('misread') / max(total('sentences'), 1))} of the sentences misread; the first answer was that of the "
            f"case by hand in {total('same')} of {total('compared')}. Short remarks, now: {remarks}. "
            f"Stored result of: {found.command}.",
        ),
        heads=("fresh", "misread", "now", "batch", "first answer"),
        rows=tuple(rows),
    )


def _speed() -> Iterator[Section]:
    """Times of the engine and of two libraries on the same evidence, as measured once."""
    file = knowledge_root() / SPEED
    if not file.is_file():
        return
    stored = stored_result(file, Timed, "times", "python tests/benchmarks/speed.py")
    yield Section(
        title="Speed and growth",
        texts=(
            f"{stored.says} Measured on {stored.machine}; machines are noisy, ratios within one run are "
            f"what counts. Stored result of: {stored.command}.",
        ),
        heads=("snapshots", "engine", "what", "libraries"),
        rows=stored.rows,
    )


class Timed(msgspec.Struct, frozen=True):
    """The stored times of one run, and the command that measured them."""

    command: str
    machine: str
    says: str
    rows: tuple[tuple[str, ...], ...]


def _reviews() -> Iterator[Section]:
    """Reviews of simulated recordings."""
    file = knowledge_root() / REVIEWS
    if file.is_file():
        made = "python tests/benchmarks/review_table.py"
        yield review_section(stored_result(file, Reviewed, "reviews", made))


def _flown() -> Iterator[Section]:
    """Reviews of flights that an independent library has flown."""
    file = knowledge_root() / FLOWN
    if file.is_file():
        yield flown_section(
            stored_result(file, Flown, "reviews of independent flights", "python -m tests.independent")
        )


def _calibration() -> Iterator[Section]:
    if importlib.util.find_spec(MODULE) is not None:
        calibrate = importlib.import_module(MODULE)
        try:
            yield calibration_section(calibrate.load_result(), calibrate.reliability_svg)
            return
        except KnowledgeError:
            pass
    yield Section(
        title="Calibration",
        texts=("Whether failures given 70 % are there in 7 flights of 10 has not been measured here.",),
    )


def calibration_section(result: Any, draw: Any) -> Section:
    """What the stored calibration says; ``result`` and ``draw`` as ``diagnose.proof.calibrate`` gives them."""
    rows = []
    for scores in result.scores:
        done = [tally for tally in scores.by_snapshots if tally.flights]
        flights = sum(tally.flights for tally in done)
        first = percent(sum(tally.top1 for tally in done) / max(flights, 1))
        three = percent(sum(tally.top3 for tally in done) / max(flights, 1))
        rows.append(
            (
                f"{scores.flights:,}",
                f"{scores.ece:.3f}",
                f"setting {scores.setting}: truth first in {first}, among the first three in {three}",
                f"Brier score {scores.brier:.3f} ({scores.brier_prior:.3f} without readings), log score "
                f"{scores.log_score:.2f} ({scores.log_score_prior:.2f})",
            )
        )
    alarms = tuple(
        f"Healthy flights, {healthy.kind}, setting {healthy.setting}: a failure above 50 % in "
        f"{healthy.alarms} of {healthy.flights:,}."
        for healthy in result.healthy
    )
    return Section(
        title="Calibration on simulated flights",
        texts=(
            f"{result.flights:,} simulated flights with known truth. They are simulated by the same physics, "
            "drawn otherwise than for the tables: this shows that the chances mean what they say if the "
            f"physics is right, no more. Stored result of: {result.command}.",
        ),
        bullets=alarms,
        heads=("flights", "calibration error", "how often right", "scores"),
        rows=tuple(rows),
        svg=draw(result),
    )


# ------------------------------------------------------------------ recorded flights


class Total(msgspec.Struct, frozen=True):
    """Counts of one rate, with or without GPS; ``near``: dated within a minute; ``told``: said to have been there."""

    hz: int
    gps: bool
    failing: int
    first: int
    isolable: int
    first_of_isolable: int
    told_apart: int
    first_of_told_apart: int
    sudden: int
    sudden_near: int
    sudden_inside: int
    sharp: int
    sharp_near: int
    from_start: int
    from_start_told: int
    sound: int
    sound_above_half: int

    @property
    def name(self) -> str:
        """Rate and equipment in words: "1 Hz with GPS"."""
        return f"{self.hz} Hz {'with' if self.gps else 'without'} GPS"


class ByFailure(msgspec.Struct, frozen=True):
    """Counts of one failure at one rate."""

    hz: int
    gps: bool
    failure: str
    flights: int
    isolable: int
    first: int
    first_of_isolable: int
    onset_off_s: tuple[int, ...]
    instead: tuple[str, ...]


class Sound(msgspec.Struct, frozen=True):
    """Counts of healthy flights of one kind."""

    hz: int
    gps: bool
    kind: str
    flights: int
    above_half: int
    named: tuple[str, ...]


class Reviewed(msgspec.Struct, frozen=True):
    """The stored table of simulated recordings and the command that made it."""

    command: str
    totals: tuple[Total, ...]
    sound: tuple[Sound, ...]
    failures: tuple[ByFailure, ...]


class FlownFault(msgspec.Struct, frozen=True):
    """Counts of one kind of fault, of flights and of the instruments that were recorded in them."""

    fault: str
    flights: int
    lied: int
    named: int
    sound_gauges: int
    condemned: int
    second: int
    found: int
    timed: int
    within_60s: int


class Flown(msgspec.Struct, frozen=True):
    """The stored table of flights of an independent library, and the command that made it."""

    command: str
    library: str
    faults: tuple[FlownFault, ...]


def flown_section(found: Flown) -> Section:
    """What the stored reviews of independent flights say."""
    failed = [f for f in found.faults if f.fault != "sound"]
    sound = [f for f in found.faults if f.fault == "sound"]

    def total(name: str, of: Sequence[FlownFault]) -> int:
        return sum(getattr(f, name) for f in of)

    rows = [
        (str(f.flights), f"{f.named}/{f.lied}", f"{f.condemned}/{f.sound_gauges}", str(f.second), f"{f.within_60s}/{f.timed}", f.fault, "")
        for f in found.faults
    ]  # fmt: skip
    return Section(
        title="Recorded flights of an independent model",
        texts=(
            f"Half an hour each, flown closed loop by the flight dynamics library {found.library} in wind and turbulence; the "
            "faults are lines of arithmetic on its pressures, attitudes and rates and share nothing with our physics. Lied: "
            "some recorded instrument was off by more than the tolerances of the trade (5 kt, 75 ft, 200 fpm, 5 degrees of "
            "attitude, 10 of heading, 1 degree a second) for 45 s. These seeds were not looked at while building.",
            "For each fault: flights; those with all that lied named, of those in which one lied; good instruments condemned, of "
            "all good ones; flights with a second failure that was not there; dated within 60 s, of those that were dated.",
            f"Stored result of: {found.command}.",
        ),
        bullets=(
            f"Of the flights in which an instrument lied, all that lied are named in {total('named', failed)} of {total('lied', failed)}.",
            f"Good instruments condemned: {total('condemned', found.faults)} of {total('sound_gauges', found.faults)}.",
            f"A failure in {total('found', sound)} of {total('flights', sound)} healthy flights; a second failure that was not there in {total('second', found.faults)} of {total('flights', found.faults)}.",
            f"It first showed from a minute before it came to a minute after an instrument lied: in {total('within_60s', failed)} of {total('timed', failed)} in which a failure was found.",
        ),
        heads=("flights", "named", "condemned", "second", "dated", "fault", ""),
        rows=tuple(rows),
    )


def review_section(found: Reviewed) -> Section:
    """What the stored reviews of simulated recordings say."""
    bullets = [
        f"{t.name}: the cause comes first in {t.first_of_isolable} of {t.isolable} isolable flights, {t.first_of_told_apart} of {t.told_apart} where that observer is sure ({t.first} of all {t.failing}); "
        f"sudden failures dated within 60 s in {t.sudden_near} of {t.sudden}, of those that showed at once in {t.sharp_near} of {t.sharp}, "
        f"the stated interval holds the onset in {t.sudden_inside}; what cannot begin in flight is said to have been there from the start in {t.from_start_told} of {t.from_start}; a failure above 50 % in {t.sound_above_half} of {t.sound} healthy flights."
        for t in found.totals
    ]
    alarms = [f"{s.kind} ({s.hz} Hz{'' if s.gps else ' without GPS'}): {', '.join(s.named)}" for s in found.sound if s.above_half]  # fmt: skip
    bullets.append(f"False alarms by kind of flight: {'; '.join(alarms) or 'none'}.")
    by_key = {(r.failure, r.hz, r.gps): r for r in found.failures}
    rows = [
        (
            *(_cell(by_key.get((name, t.hz, t.gps))) for t in found.totals),
            name.replace("_", " "),
            ", ".join(sorted({wrong for r in found.failures if r.failure == name for wrong in r.instead})).replace("_", " "),
        )
        for name in dict.fromkeys(r.failure for r in found.failures)
    ]  # fmt: skip
    return Section(
        title="Recorded flights, simulated",
        texts=(
            "Flights of half an hour with one failure, or none, as a recorder would have written them; parameters reach a "
            "quarter of their range beyond those of the tables. What cannot begin in flight (a cover, a nest, tape) is there from the start. Isolable: an observer who reads the truth on the recorded "
            "channels ranks it first; sure: with 80 % or more. A cell gives: first, of isolable flights, of flights.",
            f"Stored result of: {found.command}.",
        ),
        bullets=tuple(bullets),
        heads=(*(f"{t.hz} Hz{' GPS' if t.gps else ''}" for t in found.totals), "failure", "named instead"),
        rows=tuple(rows),
    )


def _cell(row: ByFailure | None) -> str:
    return "" if row is None else f"{row.first}/{row.isolable}/{row.flights}"
