"""A failure's page, the comparison of failures and the list of all, as text and as data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from diagnose.explain.signature import (
    SOUND,
    Comparison,
    Condition,
    Difference,
    LookAlike,
    Parting,
    Picture,
    Shown,
    Signature,
)
from diagnose.knowledge import KnowledgeBase
from diagnose.model import Failure, FailureKind, Panel
from diagnose.text import NARROWEST, fill, percent, table
from diagnose.words import readable

#: most looks listed in a comparison
MOST_LOOKS = 10


# ------------------------------------------------------------------ words


def facet_words(kb: KnowledgeBase, facet: str) -> str:
    """A gauge in words, with the facet where the gauge has several: "attitude, bank"."""
    gauge_id, facet_id = facet.split(".")
    gauge = kb.gauges[gauge_id]
    name = gauge.words[0] if gauge.words else gauge.name
    return f"{name}, {readable(facet_id)}" if len(gauge.facets) > 1 else name


def shown_words(shown: Shown) -> str:
    """What a facet shows: "steady", "falling or steady"."""
    return " or ".join(readable(reading) for reading, _ in shown.readings)


def manoeuvre_words(kb: KnowledgeBase, manoeuvres: Sequence[str]) -> str:
    """Name manoeuvres, whole families by one name: "all climbs, level flight, take-off roll"."""
    rest = dict.fromkeys(manoeuvres)
    if set(kb.manoeuvres) <= set(rest):
        return "everywhere"
    air = {n: m.expected["vertical"] for n, m in kb.manoeuvres.items() if m.phase == "air"}
    families = {
        "all flight": set(air),
        "all climbs": {n for n, v in air.items() if v == "up"},
        "all descents": {n for n, v in air.items() if v == "down"},
        "all level flight": {n for n, v in air.items() if v == "level"},
        "all turns in the air": {n for n in air if kb.manoeuvres[n].expected["turn"] != "straight"},
        "on the ground": {n for n, m in kb.manoeuvres.items() if m.phase == "ground"},
    }
    said = []
    for name, family in families.items():
        if family and family <= set(rest):
            said.append(name)
            rest = {n: None for n in rest if n not in family}
    return ", ".join([*said, *(readable(name) for name in rest)])


def condition_words(kb: KnowledgeBase, conditions: Sequence[Condition]) -> str:
    """Name conditions that show the same: switches, trapped pressures and manoeuvres."""
    first = conditions[0]
    parts = [f"{kb.switches[name].name} {position}" for name, position in first.switches.items()]
    for memory, state in dict.fromkeys(item for c in conditions for item in c.memories.items()):
        parts.append(f"{kb.memories[memory].states[state]}")
    return ", ".join([*parts, manoeuvre_words(kb, list(dict.fromkeys(c.manoeuvre for c in conditions)))])


def difference_words(difference: Difference, between: str = "not") -> str:
    """What a facet shows and what it would show otherwise: "steady, not rising"."""
    return f"{shown_words(difference.shows)}, {between} {shown_words(difference.usual)}"


# ------------------------------------------------------------------ a failure's page


def failure_page(
    failure: Failure, found: Signature | None, kb: KnowledgeBase, panel: Panel, width: int = 80
) -> str:
    """Give the page of a failure; without a signature the panel does not have the part."""
    width = max(width, NARROWEST)
    lines = [fill(f"{failure.name} ({failure.id})", width), table(_about(failure, kb), width)]
    if found is None:
        lines.append(fill(f"The panel ({panel.name}) does not have the part, so nothing shows.", width))
    else:
        lines += _gauges(found, kb, width)
        lines += _tell_tale(found, kb, width)
        lines += list(_look_alikes(found, kb, width))
    lines.append(table(_after(failure, kb), width))
    return "\n".join(lines)


def _about(failure: Failure, kb: KnowledgeBase) -> Iterator[tuple[str, str]]:
    """What the failure is."""
    acts = "; ".join(f"{kb.parts[p].name}: {kb.parts[p].conditions[c]}" for p, c in failure.acts.items())
    if failure.kind is FailureKind.LOOK_ALIKE:
        yield "  what it is", f"no failure, but looks like one ({failure.system.value}). {acts}"
    else:
        yield "  what it is", f"failure of the {failure.system.value} system. {acts}"
    yield "  how it works", failure.mechanism
    comes = {"sudden": "at once", "gradual": "by and by", "either": ""}[failure.onset]
    goes = f"it comes and goes: it acts in {percent(failure.acting)} of the time" if failure.acting < 1 else ""
    if comes or goes:
        yield "  begins", "; ".join(filter(None, (comes, goes)))
    if failure.silent:
        yield "  hidden", "shows nothing until it is needed"


def _gauges(found: Signature, kb: KnowledgeBase, width: int) -> list[str]:
    """What the gauges show, then trapped pressures and switches."""
    if not found.mostly.conditions and not found.trapped and not found.switched:
        return [fill("Shows nothing by itself on this panel, whatever is flown.", width)]
    lines = ["What the gauges show (and not what a sound panel would):"]
    if found.mostly.changed:
        lines += _picture(found.mostly, kb, width)
    for picture in found.pictures:
        lines += _picture(picture, kb, width)
    if found.silent:
        lines.append(fill(f"looks sound: {manoeuvre_words(kb, found.silent)}", width, "  ", "    "))
    for picture in found.trapped:
        if picture.changed:
            lines += _picture(picture, kb, width)
    if found.switched:
        lines.append("What a switch changes:")
        for picture in found.switched:
            lines += _picture(picture, kb, width, "after")
    return lines


def _picture(picture: Picture, kb: KnowledgeBase, width: int, between: str = "not") -> list[str]:
    head = fill(condition_words(kb, picture.conditions), width, "  ", "    ")
    rows = [(f"    {facet_words(kb, d.shows.facet)}", difference_words(d, between)) for d in picture.changed]
    return [head, table(rows, width)]


def _tell_tale(found: Signature, kb: KnowledgeBase, width: int) -> list[str]:
    tale = found.tell_tale
    if tale is None:
        return []
    text = (
        f"Tell-tale: {facet_words(kb, tale.facet)} {readable(tale.reading)} "
        f"({manoeuvre_words(kb, tale.manoeuvres)}): {percent(tale.chance)} with it, "
        f"{percent(tale.others)} on average with all else that this panel can have."
    )
    return [fill(text, width, "", "  ")]


def _look_alikes(found: Signature, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """Who looks like it, joined where one look parts several."""
    if not found.look_alikes:
        yield "Looks like nothing else on this panel, if the right gauges are read."
        return
    yield "Looks like:"
    groups: dict[str, list[LookAlike]] = {}
    for alike in found.look_alikes:
        groups.setdefault(_parted(alike.parting, kb), []).append(alike)
    for parted, members in groups.items():
        listed = "; ".join(kb.failures[member.failure].name for member in members)
        yield fill(listed, width, "  ", "    ")
        yield fill(parted, width, "    ")


def _parted(parting: Parting | None, kb: KnowledgeBase) -> str:
    if parting is None:
        return "no single look on this panel parts them: inspection must"
    this, other = (shown_words(shown) for shown in parting.shows)
    return (
        f"parted by {facet_words(kb, parting.facet)} ({condition_words(kb, parting.conditions)}): "
        f"{this} with this one, {other} with the other; right in {percent(parting.told)}"
    )


def _after(failure: Failure, kb: KnowledgeBase) -> Iterator[tuple[str, str]]:
    """What to inspect, and sources."""
    if failure.inspect:
        yield "  to inspect", f"by a licensed technician: {'; '.join(failure.inspect)}"
    document = kb.documents.get(failure.source)
    source = failure.source
    if document:
        source = ", ".join(filter(None, (document.title, document.publisher, document.edition)))
    memory = "; from memory" if failure.from_memory else ""
    yield "  source", source + memory + (f" ({failure.note})" if failure.note else "")


# ------------------------------------------------------------------ the list, the comparison


def failure_list(failures: Iterable[Failure], panel: Panel, width: int = 80) -> str:
    """List failures by system with their ids."""
    systems: dict[str, list[Failure]] = {}
    for failure in failures:
        kind = failure.system.value
        systems.setdefault(
            "no failure, but looks like one" if failure.kind is FailureKind.LOOK_ALIKE else kind, []
        ).append(failure)
    lines = [fill(f"What this panel can have ({panel.id}: {panel.name}):", width)]
    left = max((len(f.id) for group in systems.values() for f in group), default=0) + 4
    for system, group in systems.items():
        lines.append(system)
        lines += [
            fill(f.name, width, f"  {f.id:<{left - 2}}", " " * left) for f in group
        ]
    return "\n".join(lines)


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
            told = [f"{letter} {shown_words(s)}" for letter, s in zip(letters.values(), row, strict=False)]
            told.append(f"sound {shown_words(row[-1])}")
            lines.append(_aligned(facet_words(kb, row[0].facet), "; ".join(told), width))
    lines += _lines_of_partings(found, kb, letters, width)
    for (a, b), manoeuvres in found.alike.items():
        pair = f"{letters[a]} and {letters[b]}"
        if manoeuvres:
            where = manoeuvre_words(kb, manoeuvres)
            lines.append(fill(f"{pair} look alike, switches as usual: {where}.", width, "", "  "))
    return "\n".join(lines)


def _name(kb: KnowledgeBase, failure: str) -> str:
    return "nothing failed" if failure == SOUND else kb.failures[failure].name


def _aligned(left: str, right: str, width: int) -> str:
    return fill(right, width, f"  {left:<26}", " " * 28)


def _lines_of_partings(
    found: Comparison, kb: KnowledgeBase, letters: dict[str, str], width: int
) -> Iterator[str]:
    if not found.partings:
        yield fill(
            "No single look on this panel parts them"
            + (" in this manoeuvre." if found.manoeuvre else ", in whatever manoeuvre: inspection must."),
            width,
        )
        return
    yield fill(
        "What parts them, best first (in brackets how often the look names the right one, if they were the "
        "only ones and even):",
        width,
    )
    for parting in found.partings[:MOST_LOOKS]:
        where = condition_words(kb, parting.conditions)
        yield fill(f"{facet_words(kb, parting.facet)} ({percent(parting.told)}): {where}", width, "  ", "    ")
        told = "; ".join(
            f"{letter} {shown_words(shown)}"
            for letter, shown in zip(letters.values(), parting.shows, strict=False)
        )
        yield fill(told, width, "      ")
    if len(found.partings) > MOST_LOOKS:
        yield f"  and {len(found.partings) - MOST_LOOKS} more that tell less"


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
        "conditions": [_condition_data(condition) for condition in parting.conditions],
        "shows": {
            name or "nothing_failed": dict(shown.readings)
            for name, shown in zip(failures, parting.shows, strict=True)
        },
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
        "failures": [name or "nothing_failed" for name in found.failures],
        "manoeuvre": found.manoeuvre,
        "parted_by": [_parting_data(parting, found.failures) for parting in found.partings],
        "side_by_side": [[_shown_data(shown) for shown in row] for row in found.side_by_side],
        "alike": [
            {"failures": [a or "nothing_failed", b or "nothing_failed"], "manoeuvres": list(manoeuvres)}
            for (a, b), manoeuvres in found.alike.items()
        ],
    }
