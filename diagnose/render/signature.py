"""A failure's page, the comparison of failures and the list of all, as text and as data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from diagnose.advice.coverage import SOUND
from diagnose.advice.explain.contrast import Comparison, Parting
from diagnose.advice.explain.pictures import Condition, Difference, Shown
from diagnose.advice.explain.signature import LookAlike, Picture, Signature
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable
from diagnose.model import Failure, FailureKind, Panel
from diagnose.render.layout import chance_words
from diagnose.render.text import NARROWEST, fill, percent, table

#: facets that need no name, because their readings say it
SAID_BY_READING = ("trend", "value", "rate", "state", "behaviour", "turn", "position", "pitch")
#: most maneuvers that "all flight except" names
MOST_EXCEPTIONS = 2
#: most looks listed in a comparison
MOST_LOOKS = 8


# ------------------------------------------------------------------ words


def gauge_words(kb: KnowledgeBase, facet: str) -> str:
    """The gauge of a facet, by its shortest usual name."""
    gauge = kb.gauges[facet.split(".")[0]]
    return gauge.words[0] if gauge.words else gauge.name


def reading_words(shown: Shown) -> str:
    """What a facet shows: "steady", "falling or steady", "bank left or right"."""
    facet = shown.facet.split(".")[1]
    which = "" if facet in SAID_BY_READING else f"{readable(facet)} "
    return which + " or ".join(readable(reading) for reading, _ in shown.readings)


def manoeuvre_words(kb: KnowledgeBase, manoeuvres: Sequence[str]) -> str:
    """Name maneuvers, whole families by one name: "all climbs, all level flight, takeoff"."""
    rest = dict.fromkeys(manoeuvres)
    if set(kb.manoeuvres) <= set(rest):
        return "everywhere"
    air = {name: m for name, m in kb.manoeuvres.items() if m.phase == "air"}
    straight = {name for name, m in air.items() if m.expected["turn"] == "straight"}
    families = {
        "all flight": set(air),
        "all straight flight": straight,
        "all turns in flight": set(air) - straight,
    }
    for name, vertical in (("all climbs", "up"), ("all descents", "down"), ("all level flight", "level")):
        families[name] = {n for n, m in air.items() if m.expected["vertical"] == vertical}
    families["on the ground"] = {name for name, m in kb.manoeuvres.items() if m.phase == "ground"}
    said = []
    missing = [name for name in air if name not in rest]
    if 0 < len(missing) <= MOST_EXCEPTIONS:
        said.append(f"all flight except {' and '.join(_short(kb, name) for name in missing)}")
        rest = {name: None for name in rest if name not in air}
    for name, family in families.items():
        if family and family <= set(rest):
            said.append(name)
            rest = {n: None for n in rest if n not in family}
    return ", ".join([*said, *(_short(kb, name) for name in rest)])


def _short(kb: KnowledgeBase, manoeuvre: str) -> str:
    words = kb.manoeuvres[manoeuvre].words
    return words[0] if words else readable(manoeuvre)


def condition_words(kb: KnowledgeBase, conditions: Sequence[Condition]) -> str:
    """Name conditions that show the same: switches, trapped pressures and maneuvers."""
    parts = [f"{kb.switches[name].name} {position}" for name, position in conditions[0].switches.items()]
    for memory, state in dict.fromkeys(item for c in conditions for item in c.memories.items()):
        parts.append(kb.memories[memory].states[state])
    return ", ".join([*parts, manoeuvre_words(kb, list(dict.fromkeys(c.manoeuvre for c in conditions)))])


def difference_rows(
    differences: Iterable[Difference], kb: KnowledgeBase, between: str = ""
) -> Iterator[tuple[str, str]]:
    """One row for each gauge: what its facets show and what they would show otherwise."""
    rows: dict[str, list[str]] = {}
    for d in differences:
        # what a healthy panel shows as well is one of several here
        usual = " or ".join(readable(r) for r, _ in d.usual.readings)
        only = "only " if d.usual.named < d.shows.named else ""
        other = f", {between} {usual}" if between else f" (usually {only}{usual})"
        told = f"{reading_words(d.shows)}{other}"
        rows.setdefault(gauge_words(kb, d.shows.facet), []).append(told)
    for gauge, told_of in rows.items():
        yield gauge, "; ".join(told_of)


# ------------------------------------------------------------------ a failure's page


def failure_page(
    failure: Failure,
    found: Signature | None,
    kb: KnowledgeBase,
    panel: Panel,
    width: int = 80,
    chance: tuple[float, float] | None = None,
    drawn: str = "",
) -> str:
    """Give the page of a failure; without a signature the panel does not have the part.

    ``chance``: of the failure in the case at hand, before any reading and with them. ``drawn``: the diagram of
    its plumbing.
    """
    width = max(width, NARROWEST)
    about = list(_about(failure, kb))
    if chance is not None:
        about.append(
            ("  chance", f"{chance_words(chance[0], kb)} before the readings, {chance_words(chance[1], kb)} with them")
        )
    lines = [fill(f"{failure.name} ({failure.id})", width), table(about, width)]
    if found is None:
        lines.append(fill(f"Not on this panel ({panel.name}): it does not have the part.", width))
    elif found.motion_only:
        lines += _motions(failure, kb, width)
    else:
        lines += [fill(f"On the panel: {panel.name}.", width), *([drawn] if drawn else [])]
        lines += _gauges(found, kb, width)
        lines += _tell_tale(found, kb, width)
        lines += list(_look_alikes(found, kb, width))
    return "\n".join([*lines, *_after(failure, kb, width)])


def _motions(failure: Failure, kb: KnowledgeBase, width: int) -> list[str]:
    """What the aircraft does, where it is no gauge that misleads."""
    lines = [
        fill(
            "All gauges tell the truth, so they agree. What the aircraft does instead of what was meant:",
            width,
        )
    ]
    for variation in kb.variations.values():
        if failure.acts.get(variation.part) != variation.condition:
            continue
        meant = f"meant to go {' or '.join(variation.meant)}" if variation.meant else "whatever was meant"
        lines.append(f"  {meant}")
        rows = []
        for outcome in variation.outcomes:
            told = ", ".join(f"{readable(axis)} {readable(value)}" for axis, value in outcome.motion.items())
            rows.append((f"    {percent(outcome.chance)}", told or "as meant"))
        lines.append(table(rows, width))
    return lines


def _about(failure: Failure, kb: KnowledgeBase) -> Iterator[tuple[str, str]]:
    """What the failure is."""
    acts = "; ".join(f"{kb.parts[p].name}: {kb.parts[p].conditions[c]}" for p, c in failure.acts.items())
    if failure.kind is FailureKind.LOOK_ALIKE:
        yield "  what it is", f"no failure, but looks like one ({failure.system.value}). {acts}"
    else:
        yield "  what it is", f"failure of the {failure.system.value} system. {acts}"
    yield "  how it shows", failure.mechanism
    comes = {"sudden": "at once", "gradual": "gradually", "either": ""}[failure.onset]
    goes = (
        f"it comes and goes: it acts in {percent(failure.acting)} of the time" if failure.acting < 1 else ""
    )
    if comes or goes:
        yield "  begins", "; ".join(filter(None, (comes, goes)))
    if failure.silent:
        alike = failure.kind is FailureKind.LOOK_ALIKE
        yield (
            ("  known", "obvious to everyone aboard: never the anomaly that was noticed")
            if alike
            else ("  hidden", "shows nothing until it is needed")
        )


def _gauges(found: Signature, kb: KnowledgeBase, width: int) -> list[str]:
    """What the gauges show, then trapped pressures and switches."""
    if not found.mostly.conditions and not found.trapped and not found.switched:
        return [fill("Shows nothing by itself on this panel, whatever is flown.", width)]
    lines = [fill("What the gauges show after a few minutes (and what they usually show):", width)]
    if found.mostly.changed:
        lines += _picture(found.mostly, kb, width)
    for picture in found.pictures:
        lines += _picture(picture, kb, width)
    if found.silent:
        lines.append(fill(f"looks normal: {manoeuvre_words(kb, found.silent)}", width, "  ", "    "))
    for picture in found.trapped:
        if picture.changed:
            lines += _picture(picture, kb, width)
    if found.switched:
        lines.append("What a switch changes:")
        for picture in found.switched:
            lines += _picture(picture, kb, width, "after")
    return lines


def _picture(picture: Picture, kb: KnowledgeBase, width: int, between: str = "") -> list[str]:
    head = fill(condition_words(kb, picture.conditions), width, "  ", "    ")
    rows = ((f"    {gauge}", told) for gauge, told in difference_rows(picture.changed, kb, between))
    return [head, table(rows, width)]


def _tell_tale(found: Signature, kb: KnowledgeBase, width: int) -> list[str]:
    tale = found.tell_tale
    if tale is None:
        return []
    text = (
        f"Tell-tale: {gauge_words(kb, tale.facet)} {reading_words(tale.shown)} "
        f"({manoeuvre_words(kb, tale.manoeuvres)}): {chance_words(tale.chance, kb)} with it, "
        f"{chance_words(tale.others, kb)} on average with anything else on this panel."
    )
    return [fill(text, width, "", "  ")]


def _look_alikes(found: Signature, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """Who looks like it, joined where one look parts several."""
    if not found.mostly.conditions:
        return
    if not found.look_alikes:
        yield fill("Not confused with anything else on this panel if you read the right gauges.", width)
        return
    yield "Often confused with:"
    groups: dict[str, list[LookAlike]] = {}
    for alike in found.look_alikes:
        groups.setdefault(_parted(alike.parting, kb), []).append(alike)
    for parted, members in groups.items():
        listed = "; ".join(kb.failures[member.failure].name for member in members)
        yield fill(listed, width, "  ", "    ")
        yield fill(parted, width, "    ")


def _parted(parting: Parting | None, kb: KnowledgeBase) -> str:
    if parting is None:
        return "no single look on this panel tells them apart well: only an inspection can"
    this, other = (reading_words(shown) for shown in parting.shows)
    return (
        f"told apart by {gauge_words(kb, parting.facet)} ({condition_words(kb, parting.conditions)}): "
        f"{this} with this one, {other} with the other; right: {_told(parting, kb)}"
    )


def _told(parting: Parting, kb: KnowledgeBase) -> str:
    """How often a look is right, as people say it: "about 9 in 10", or from one to another by the maneuver."""
    least, most = chance_words(parting.least, kb), chance_words(parting.told, kb)
    return most if least == most else f"{least.removeprefix('about ')} to {most.removeprefix('about ')}"


def _after(failure: Failure, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """What to inspect, and sources."""
    if failure.inspect:
        yield fill(f"To inspect, by a licensed technician: {'; '.join(failure.inspect)}.", width, "", "  ")
    document = kb.documents.get(failure.source)
    source = failure.source
    if document:
        source = ", ".join(filter(None, (document.title, document.publisher, document.edition)))
    memory = "; from memory" if failure.from_memory else ""
    note = f" ({failure.note})" if failure.note else ""
    yield fill(f"Source: {source}{memory}{note}.", width, "", "  ")


# ------------------------------------------------------------------ the list, the comparison


def failure_list(failures: Iterable[Failure], panel: str = "", width: int = 80) -> str:
    """List failures by system with their ids; ``panel`` is the name of the one that can have them."""
    systems: dict[str, list[Failure]] = {}
    for failure in failures:
        alike = failure.kind is FailureKind.LOOK_ALIKE
        systems.setdefault("no failure, but looks like one" if alike else failure.system.value, []).append(
            failure
        )
    left = max((len(f.id) for group in systems.values() for f in group), default=0) + 4
    head = f"What this panel can have: {panel}." if panel else "All failures, on any panel."
    lines = [fill(f"{head} A name after the command gives its page.", width)]
    for system, group in systems.items():
        lines.append(system)
        lines += [fill(f.name, width, f"  {f.id:<{left - 2}}", " " * left) for f in group]
    return "\n".join(lines)


def list_data(failures: Iterable[Failure]) -> list[dict[str, Any]]:
    """Give the list of failures as plain data."""
    return [
        {"failure": f.id, "name": f.name, "kind": f.kind.value, "system": f.system.value} for f in failures
    ]


def comparison(found: Comparison, kb: KnowledgeBase, panel: Panel, width: int = 80) -> str:
    """Give a comparison as text."""
    width = max(width, NARROWEST)
    letters = dict(zip(found.failures, "ABCDEFGHIJKLMNOPQRSTUVWXYZ", strict=False))
    lines = [fill(f"On the panel: {panel.name}.", width)]
    for name, letter in letters.items():
        lines.append(fill(_name(kb, name), width, f"  {letter}  ", "     "))
    if found.side_by_side:
        lines.append(f"Side by side: {kb.manoeuvres[found.manoeuvre].name}")
        for row in found.side_by_side:
            told = [f"{letter} {reading_words(s)}" for letter, s in zip(letters.values(), row, strict=False)]
            told.append(f"sound {reading_words(row[-1])}")
            lines.append(fill("; ".join(told), width, f"  {gauge_words(kb, row[0].facet):<20}", " " * 22))
    lines += _lines_of_partings(found, kb, letters, width)
    for (a, b), manoeuvres in found.alike.items():
        pair = f"{letters[a]} and {letters[b]}"
        if manoeuvres:
            where = manoeuvre_words(kb, manoeuvres)
            lines.append(fill(f"{pair} look alike, switches as usual: {where}.", width, "", "  "))
    return "\n".join(lines)


def _name(kb: KnowledgeBase, failure: str) -> str:
    return "nothing failed" if failure == SOUND else kb.failures[failure].name


def _lines_of_partings(
    found: Comparison, kb: KnowledgeBase, letters: dict[str, str], width: int
) -> Iterator[str]:
    if not found.partings:
        yield fill(
            "No single look on this panel tells them apart"
            + (" in this maneuver." if found.manoeuvre else ", in any maneuver: only an inspection can."),
            width,
        )
        return
    yield fill(
        "What tells them apart, best first (in brackets: how often that look picks the right one "
        "of these):",
        width,
    )
    for parting in found.partings[:MOST_LOOKS]:
        where = condition_words(kb, parting.conditions)
        yield fill(f"{gauge_words(kb, parting.facet)} ({_told(parting, kb)}): {where}", width, "  ", "    ")
        told = "; ".join(
            f"{letter} {reading_words(shown)}"
            for letter, shown in zip(letters.values(), parting.shows, strict=False)
        )
        yield fill(told, width, "      ")
    if len(found.partings) > MOST_LOOKS:
        yield f"  and {len(found.partings) - MOST_LOOKS} more that tell less"


def alike(
    groups: Sequence[Sequence[str]], manoeuvre: str, kb: KnowledgeBase, panel: Panel, width: int = 80
) -> str:
    """Give the groups of failures that look alike in a maneuver (``coverage.ambiguity_groups``) as text."""
    width = max(width, NARROWEST)
    lines = [
        fill(f"On the panel: {panel.name}.", width),
        fill(
            f"With every gauge read once in '{kb.manoeuvres[manoeuvre].name}', switches as usual, no two of a "
            f"group are told apart {kb.limits.decided * 100:.0f} times in 100:",
            width,
        ),
    ]
    for number, group in enumerate(groups, 1):
        lines.append(fill("; ".join(_name(kb, name) for name in group), width, f"{number:>4}  ", " " * 6))
    if not groups:
        lines.append("  none: every failure of this panel is told from every other")
    return "\n".join(lines)


# ------------------------------------------------------------------ data


def _shown_data(shown: Shown) -> dict[str, Any]:
    return {"facet": shown.facet, "readings": dict(shown.readings)}


def _condition_data(condition: Condition) -> dict[str, Any]:
    return {
        "manoeuvre": condition.manoeuvre,
        "switches": dict(condition.switches),
        "memories": dict(condition.memories),
    }


def _picture_data(picture: Picture, usual: str = "sound") -> dict[str, Any]:
    return {
        "conditions": [_condition_data(condition) for condition in picture.conditions],
        "changed": [
            {"facet": d.shows.facet, "shows": dict(d.shows.readings), usual: dict(d.usual.readings)}
            for d in picture.changed
        ],
    }


def _parting_data(parting: Parting, failures: Sequence[str]) -> dict[str, Any]:
    return {
        "facet": parting.facet,
        "told": parting.told,
        "told_at_least": parting.least,
        "conditions": [_condition_data(condition) for condition in parting.conditions],
        "shows": {name: dict(shown.readings) for name, shown in zip(failures, parting.shows, strict=True)},
    }


def page_data(failure: Failure, found: Signature | None, kb: KnowledgeBase, panel: Panel) -> dict[str, Any]:
    """Give a failure's page as plain data; ``signature`` is null if the panel cannot have it."""
    document = kb.documents.get(failure.source)
    data: dict[str, Any] = {
        "failure": failure.id,
        "name": failure.name,
        "kind": failure.kind.value,
        "system": failure.system.value,
        "panel": panel.id,
        "acts": dict(failure.acts),
        "mechanism": failure.mechanism,
        "onset": failure.onset,
        "acting": failure.acting,
        "silent": failure.silent,
        "inspect": list(failure.inspect),
        "source": document.title if document else failure.source,
        "note": failure.note,
        "signature": None,
    }
    if found is None:
        return data
    tale = found.tell_tale
    data["signature"] = {
        "mostly": _picture_data(found.mostly),
        "beside": [_picture_data(picture) for picture in found.pictures],
        "looks_sound": list(found.silent),
        "trapped": [_picture_data(picture) for picture in found.trapped],
        "switched": [_picture_data(picture, "before") for picture in found.switched],
        "tell_tale": None
        if tale is None
        else {
            "facet": tale.facet,
            "reading": tale.reading,
            "manoeuvres": list(tale.manoeuvres),
            "chance": tale.chance,
            "others": tale.others,
        },
        "look_alikes": [
            {
                "failure": alike.failure,
                "manoeuvres": list(alike.manoeuvres),
                "parted_by": None
                if alike.parting is None
                else _parting_data(alike.parting, (failure.id, alike.failure)),
            }
            for alike in found.look_alikes
        ],
    }
    return data


def comparison_data(found: Comparison, panel: Panel) -> dict[str, Any]:
    """Give a comparison as plain data."""
    return {
        "panel": panel.id,
        "failures": list(found.failures),
        "manoeuvre": found.manoeuvre,
        "parted_by": [_parting_data(parting, found.failures) for parting in found.partings],
        "side_by_side": [[_shown_data(shown) for shown in row] for row in found.side_by_side],
        "alike": [
            {"failures": [a, b], "manoeuvres": list(manoeuvres)} for (a, b), manoeuvres in found.alike.items()
        ],
    }
