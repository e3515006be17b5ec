"""What to tell maintenance so that it is found, and what to keep for oneself: from a case or a review.

Findings and repairs are for licensed technicians; the write-up says what was seen, in which order, what was
tried and what it changed, what the causes are likely to be, and which tests on the ground would tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable, with_doubt
from diagnose.model import CaseRecord, GroundTest, SnapshotRecord
from diagnose.model.answer import Answer
from diagnose.network.engine import Engine
from diagnose.network.readings import reading_of
from diagnose.render.pages.findings import apart_words, at, onset_words, unread
from diagnose.render.pages.timeline import clock
from diagnose.render.pictures.panel import dials_svg
from diagnose.render.text import CAUTION, fill, names, percent
from diagnose.review.causes import GAUGE_CHANNELS, gauges_of
from diagnose.review.findings import Review
from diagnose.review.motion import mean_over

#: causes that are named, down to this chance
MOST_CAUSES, LEAST_CHANCE = 5, 0.02
#: a reading that a healthy panel shows with less than this chance is not normal
ODD_BELOW = 0.2
#: facts that make a fault reproducible: what is asked of the pilot, the channels that would tell, what is left then
ASKED: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("date and aircraft", (), ""),
    ("altitude and altimeter setting", ("altimeter_ft",), "altimeter setting"),
    ("outside temperature, visible moisture, ice", ("outside_c",), "visible moisture, ice"),
    ("power, flaps, gear", ("rpm", "manifold_inhg"), "flaps, gear"),
    ("cabin vents, heater, windows", (), ""),
    ("breakers and switches found out of place", (), ""),
    ("attempts in flight not listed above, and what they changed", (), ""),
)
#: channels that say where, how high and how cold it was, and what the systems stood at
CIRCUMSTANCES = (
    "altimeter_ft", "gps_height_ft", "airspeed_kt", "outside_c", "rpm", "manifold_inhg", "suction_inhg", "volts",
    "amps", "latitude_deg", "longitude_deg",
)  # fmt: skip
#: they are means over this, up to the moment
MOMENT_S = 10
DEFER = (
    "To be examined and signed off by a licensed technician by the maintenance manual of the aircraft, whose limits "
    "beat those quoted here. Causes are ranked by chance from what was seen; none has been established."
)
RULES = (
    "Inoperative equipment: 14 CFR 91.213; instruments required for IFR: 14 CFR 91.205(d).",
    "Altimeter and static system: tested within 24 calendar months, and again after the static system was opened (14 CFR 91.411).",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One snapshot in words: minutes from the start, its time in words, what was flown, switches, what the gauges did."""

    minutes: float
    when: str
    flown: str
    switches: tuple[str, ...]
    showed: tuple[str, ...]
    odd: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteUp:
    """The discrepancy. ``recorded``: what a recording tells of the circumstances; ``asked``: what is left to fill in;
    ``tests`` ordered by the chance of the causes that ask for them; ``told_by``: for each cause the test that separates it
    from the others. ``pictures``: the panel as recorded before, when and after it showed (caption, SVG).
    """

    title: str
    panel: str
    conditions: tuple[str, ...]
    recorded: tuple[str, ...]
    asked: tuple[str, ...]
    moments: tuple[Moment, ...]
    tried: tuple[str, ...]
    onset: str
    causes: tuple[tuple[tuple[str, ...], str, float], ...]
    inspect: tuple[str, ...]
    tests: tuple[GroundTest, ...]
    disbelieved: tuple[str, ...]
    source: str
    told_by: tuple[str, ...] = ()
    pictures: tuple[tuple[str, str], ...] = ()


def write_up_case(engine: Engine, case: CaseRecord, answer: Answer, review: Review | None = None) -> WriteUp:
    """Write up a case, or a review's."""
    network = engine.network
    sound = [network.sound_chances(s.manoeuvre, s.switches) for s in case.snapshot]
    return write_up(case, answer, network.kb, sound, review)


def write_up(
    case: CaseRecord,
    answer: Answer,
    kb: KnowledgeBase,
    sound: Sequence[Mapping[str, Mapping[str, float]]],
    review: Review | None = None,
) -> WriteUp:
    """Write up a case or a review. ``sound``: for each snapshot facet -> reading -> chance with a healthy panel."""
    moments = _moments(case, kb, sound, review)
    chances = {
        name: chance
        for name, chance in sorted(answer.failures.items(), key=lambda item: -item[1])
        if chance >= LEAST_CHANCE
    }
    ranked = [r for r in answer.ranking if r.failures][:MOST_CAUSES]
    causes = [
        (r.failures, names(kb, r.failures), r.posterior)
        for r in ranked
        if r.posterior >= LEAST_CHANCE or r is ranked[0]
    ]
    if review is not None and review.found:
        # what the recording cannot tell from the leading cause stands beside it, to the last page
        leading = review.causes[0]
        told = [(leading.failures, leading.chance), *(((a,), answer.failures.get(a, 0.0)) for a in leading.alike)]
        causes = [(ids, names(kb, ids), chance) for ids, chance in sorted(told, key=lambda one: -one[1])]
    blamed = [name for name in dict.fromkeys([n for c in causes for n in c[0]]) if name in kb.failures]
    weight = {
        test.id: sum(chances.get(name, 0.0) for name in test.failures if name in blamed)
        for test in kb.ground_tests.values()
    }
    tests = sorted(
        (t for t in kb.ground_tests.values() if any(name in blamed for name in t.failures)),
        key=lambda t: -weight[t.id],
    )

    def tells(ids: Sequence[str]) -> str:
        """The test that speaks of this cause and of the fewest others."""
        own = [t for t in tests if set(ids) & set(t.failures)]
        return min(own, key=lambda t: len(set(blamed) & set(t.failures))).name if own else ""

    if review is None:
        doubted = [kb.gauges[t.gauge].name for t in answer.trust if t.now < kb.review.disbelieve]
        onset = ""
    else:
        doubted = [f"{kb.gauges[d.gauge].name} from {at(d.since, review.recording)}" for d in review.doubted]
        onset = "; ".join(
            f"{kb.failures[o.failure].name}: {onset_words(o, review.recording)}" for o in review.onsets
        )
    return WriteUp(
        title=case.title,
        panel=kb.panels[case.panel].name,
        conditions=tuple(kb.context[flag].name for flag in case.context),
        recorded=() if review is None else tuple(_recorded(review, moments, kb)),
        asked=tuple(_asked(review)),
        moments=moments,
        tried=tuple(_tried(case, kb)),
        onset=onset,
        causes=tuple(causes),
        inspect=tuple(dict.fromkeys(point for name in blamed for point in kb.failures[name].inspect)),
        tests=tuple(tests),
        disbelieved=tuple(doubted),
        source=case.source,
        told_by=tuple(tells(ids) for ids, *_ in causes),
        pictures=() if review is None or not review.onsets else tuple(_pictures(review)),
    )


def _asked(review: Review | None) -> Iterable[str]:
    """What only the pilot can fill in."""
    for text, channels, left in ASKED:
        known = review is not None and any(name in review.recording.channels for name in channels)
        yield left if known else text


def _recorded(review: Review, moments: Sequence[Moment], kb: KnowledgeBase) -> Iterable[str]:
    """The clock, and what the channels stood at when it began or first showed."""
    recording = review.recording
    if said := unread(review):
        yield said.rstrip(". ")
    if ":" in recording.start_text:
        yield f"first row of the recording: {recording.start_text}"
    odd = [moment.minutes * 60.0 for moment in moments if moment.odd]
    begun = [onset.worst for onset in review.onsets if onset.before_start <= 0.5]
    when = min(begun or odd, default=None)
    if when is None:
        return
    values = []
    for name in CIRCUMSTANCES:
        part = recording.channels.get(name, np.zeros(0))[max(0, round(when) - MOMENT_S) : round(when) + 1]
        part = part[np.isfinite(part)]
        if len(part):
            channel = kb.recorded[name]
            digits = 4 if name.endswith("tude_deg") else 1 if abs(part.mean()) < 100.0 else 0
            values.append(f"{channel.name} {part.mean():.{digits}f} {channel.unit}")
    if values:
        yield f"at {at(when, recording)}: {', '.join(values)}"
    yield from _worst(review)


def _worst(review: Review) -> Iterable[str]:
    """When each recorded instrument that is not believed was farthest from what another source says, and by how much."""
    for doubted in review.doubted:
        channels = GAUGE_CHANNELS.get(doubted.gauge, ())
        own = [r for r in review.residuals if r.changes and set(channels) & set(r.relation.speaks_of)]
        if own and doubted.recorded:
            most = max(own, key=lambda r: max(abs(c.size) for c in r.changes) / float(r.noise.mean()))
            size = np.abs(np.nan_to_num(mean_over(most.values, MOMENT_S)))
            size[: round(doubted.since)] = 0.0
            when = int(size.argmax())
            apart = replace(most.changes[0], size=float(np.nan_to_num(mean_over(most.values, MOMENT_S))[when]))
            yield f"{most.relation.name}: farthest apart at {at(when, review.recording)}, {apart_words(apart, most.relation)}"


#: channel -> name of what a picture of the panel reads
DRAWN = {
    "airspeed_kt": "airspeed_kt", "altimeter_ft": "altitude_ft", "vertical_speed_fpm": "vertical_speed_fpm",
    "bank_deg": "bank_deg", "pitch_deg": "pitch_deg", "heading_deg": "heading_deg", "turn_dps": "turn_rate_dps",
    "compass_deg": "compass_deg", "suction_inhg": "suction_inhg", "amps": "ammeter_a", "rpm": "engine_rpm",
}  # fmt: skip
#: so long before it showed stands the first picture, s
BEFORE_S = 60.0
#: dials of one picture on the sheet
MOST_DIALS = 2


def recorded_moments(review: Review) -> Iterator[tuple[float, str, dict[str, float], list[str]]]:
    """Second, caption, the panel's state and the dials that were recorded: before it showed, when it did, at its worst."""
    recording, onset = review.recording, review.onsets[0]
    drawn = {channel for channel in DRAWN if channel in recording.channels}
    gauges = [g for g in review.network.dial_gauges if drawn & set(GAUGE_CHANNELS.get(g, ()))]
    for second, says in ((onset.showed - BEFORE_S, "before"), (onset.showed, "when it first showed"), (onset.worst, "at its worst")):
        moment = round(max(0.0, min(second, float(recording.seconds - 1))))
        state = {DRAWN[channel]: float(recording.channels[channel][moment]) for channel in drawn}
        yield float(moment), f"{at(moment, recording)}, {says}", state, gauges


def _pictures(review: Review) -> Iterator[tuple[str, str]]:
    """The recorded dials that are doubted most, as they stood then: few enough to be read on paper."""
    doubted = [d.gauge for d in review.doubted if d.recorded]
    for place, (_, caption, state, gauges) in enumerate(recorded_moments(review)):
        shown = [g for g in (*doubted, *gauges) if g in gauges][:MOST_DIALS]
        shown = [g for g in gauges if g in shown]
        yield caption, dials_svg(state, review.network.kb.dials, shown, title=f"the dials at {caption}", key=f"w{place}-")


def _moments(case: CaseRecord, kb: KnowledgeBase, sound: Sequence[Mapping[str, Mapping[str, float]]], review: Review | None) -> tuple[Moment, ...]:  # fmt: skip
    """The snapshots; of a recording only the first, and those where something first went out of the way."""
    found, minutes = [], 0.0
    # where no time was told there is an order only
    usual = SnapshotRecord(manoeuvre="")
    timed = any(s.minutes != usual.minutes or s.minutes_before != usual.minutes_before for s in case.snapshot)
    told: set[str] = set()
    concerns = set[str]()
    if review is not None and review.found:
        concerns = {d.gauge for d in review.doubted}.union(*(gauges_of(review.network, n) for n in review.causes[0].failures))
    for place, (snapshot, healthy) in enumerate(zip(case.snapshot, sound, strict=True)):
        minutes += snapshot.minutes_before
        start = minutes if review is None else review.windows[place].first / 60.0
        minutes += snapshot.minutes
        said = {name: (reading, 1.0) for name, reading in snapshot.readings.items()} | dict(snapshot.unsure)
        showed: list[str] = []
        odd: list[str] = []
        for name, (reading, sure) in said.items():
            text = _says(kb, name, reading, sure)
            # a reading that is unlikely to be what it says is no sign of anything by itself
            strange = healthy.get(name, {}).get(reading_of(kb.facet(name), reading), 1.0) < ODD_BELOW
            # what satellites tell is no gauge that could be wrong
            strange = strange and not (review is not None and name.startswith("gps_"))
            # nor is what a sound dial shows beside the failure that was found
            strange = strange and (not concerns or name.partition(".")[0] in concerns)
            (odd if strange == (sure >= 0.5) else showed).append(text)
        for first, second in snapshot.disagree:
            odd.append(f"{kb.gauges[first].name} disagreed with {kb.gauges[second].name}")
        if review is not None and place:
            odd, showed = [text for text in odd if text not in told], []
            if not odd:
                continue
        told.update(odd)
        switches = tuple(
            f"{kb.switches[name].name} {position.replace('_', ' ')}"
            for name, position in snapshot.switches.items()
        )
        found.append(
            Moment(
                minutes=start, when=at(60.0 * start, review.recording) if review is not None else clock(start) if timed else f"{place + 1}.", flown=kb.manoeuvres[snapshot.manoeuvre].name, switches=switches,
                showed=tuple(showed), odd=tuple(odd), note=snapshot.note,
            )
        )  # fmt: skip
    return tuple(found)


def _says(kb: KnowledgeBase, name: str, reading: str, sure: float) -> str:
    facet = kb.facet(name)
    stands_for = reading_of(facet, reading)
    means = next((r.means for r in facet.readings if r.id == stands_for), "")
    means = means if stands_for == reading else f"{readable(stands_for)}: {means}"
    said = with_doubt(readable(reading), sure) if sure < 1.0 else readable(reading)
    return f"{kb.gauges[name.partition('.')[0]].name}: {said} ({means})"


def _tried(case: CaseRecord, kb: KnowledgeBase) -> Iterable[str]:
    """Switches that were moved, and what changed with them."""
    for before, after in zip(case.snapshot, case.snapshot[1:], strict=False):
        moved = {
            n: p
            for n, p in after.switches.items()
            if before.switches.get(n, kb.switches[n].positions[0]) != p
        }
        if not moved:
            continue
        same = before.readings.keys() & after.readings.keys()
        changed = [
            f"{kb.gauges[n.partition('.')[0]].name} {readable(before.readings[n])} -> {readable(after.readings[n])}"
            for n in after.readings
            if n in same and before.readings[n] != after.readings[n]
        ]
        what = " and ".join(f"{kb.switches[n].name} {p.replace('_', ' ')}" for n, p in moved.items())
        yield f"{what}: {'; '.join(changed) or 'nothing changed'}"


# ------------------------------------------------------------------ as text and as data


def write_up_text(up: WriteUp, width: int = 80) -> str:
    """The discrepancy as text."""
    lines = [f"Maintenance discrepancy: {up.title}", ""]

    def add(text: str, first: str = "  ", later: str = "    ") -> None:
        lines.append(fill(text, width, first, later))

    add(f"Panel: {up.panel}.", "", "")
    add(f"Conditions: {', '.join(up.conditions) or 'none stated'}.", "", "")
    if up.onset:
        add(f"Onset: {up.onset}.", "", "")
    for text in up.recorded:
        add(f"Recorded: {text}.", "", "")
    lines += ["", "What was seen, in order"]
    for moment in up.moments:
        set_to = f" ({', '.join(moment.switches)})" if moment.switches else ""
        add(f"{moment.when} {moment.flown}{set_to}")
        for text in moment.odd:
            add(f"NOT NORMAL  {text}", "      ", "        ")
        if moment.showed:
            add(
                f"normal: {', '.join(text.partition(' (')[0] for text in moment.showed)}",
                "      ",
                "        ",
            )
        if moment.note:
            add(f"note: {moment.note}", "      ", "        ")
    lines += ["", "What was tried, and its effect"]
    for text in up.tried or ("nothing recorded",):
        add(text)
    lines += ["", "To be filled in by the pilot"]
    for text in up.asked:
        add(f"{text}: ______")
    lines += ["", "Likely causes"]
    for _, name, chance in up.causes:
        add(f"{percent(chance):>7}  {name}", "  ", " " * 11)
    lines += ["", "Tests on the ground that would tell"]
    for test in up.tests:
        add(f"- {test.name}: {test.how}")
        if test.limit:
            add(f"limit: {test.limit}", "    ", "      ")
        if test.rule:
            add(f"rule: {test.rule}", "    ", "      ")
    if up.inspect:
        lines += ["", "To look at"]
        for text in up.inspect:
            add(f"- {text}")
    lines += [""]
    for text in (*RULES, DEFER, CAUTION):
        add(text, "", "")
    return "\n".join(lines) + "\n"


def write_up_data(up: WriteUp) -> dict[str, Any]:
    """The discrepancy as data for JSON."""
    return {
        "title": up.title,
        "panel": up.panel,
        "conditions": list(up.conditions),
        "recorded": list(up.recorded),
        "onset": up.onset,
        "sequence": [
            {"minutes": m.minutes, "flown": m.flown, "switches": list(m.switches), "not_normal": list(m.odd), "normal": list(m.showed), "note": m.note}
            for m in up.moments
        ],
        "tried": list(up.tried),
        "to_fill_in": list(up.asked),
        "causes": [{"failures": list(ids), "name": name, "chance": chance} for ids, name, chance in up.causes],
        "ground_tests": [
            {"id": t.id, "name": t.name, "how": t.how, "limit": t.limit, "rule": t.rule, "source": t.source, "from_memory": t.from_memory}
            for t in up.tests
        ],
        "inspect": list(up.inspect),
        "disbelieved": list(up.disbelieved),
        "rules": list(RULES),
        "defer": DEFER,
        "caution": CAUTION,
    }  # fmt: skip


def incident_text(up: WriteUp, width: int = 80) -> str:
    """A record for the pilot's own notes: what happened, what to know next time, what to fill in."""
    lines = [f"For my own notes: {up.title}", ""]

    def add(text: str, first: str = "  ", later: str = "    ") -> None:
        lines.append(fill(text, width, first, later))

    if up.onset:
        add(f"Began: {up.onset}", "", "")
    first_odd = next((m for m in up.moments if m.odd), None)
    lines.append("What showed first")
    add("nothing out of the ordinary" if first_odd is None else f"{first_odd.when} {first_odd.flown}: {'; '.join(text.partition(' (')[0] for text in first_odd.odd)}")  # fmt: skip
    lines.append("Not to be believed")
    add(", ".join(up.disbelieved) or "no instrument")
    lines.append("Most likely")
    add("; ".join(f"{name} ({percent(chance)})" for _, name, chance in up.causes[:3]) or "nothing failed")
    lines.append("To fill in")
    for text in ("when did I notice, and from what", "what did I believe, and what should I have covered", "what did I do, tell ATC, decide", "what would I look at first next time", "written up on, answer of maintenance"):  # fmt: skip
        add(f"{text}: ______")
    lines.append("")
    add(CAUTION, "", "")
    return "\n".join(lines) + "\n"
