"""What there is to learn on a panel, in a sensible order.

Common failures come first, one system after the other; a failure in the maneuver in which it shows most
before others; first to foretell what it does, then to name it, to fly on with it and to find it by scanning.
A second kind of exercise, and a second maneuver, wait until some other failures were begun.
"""

from __future__ import annotations

from collections.abc import Collection

from diagnose.model import FailureKind
from diagnose.practice.drill.exercise import SOUND, Card, Kind
from diagnose.practice.drill.studio import Studio

#: maneuvers in which a failure is learned
MOST_MANOEUVRES = 4
#: the place of the sound aircraft among the failures
SOUND_PLACE = 2
#: what is flown with nothing failed
SOUND_IN = ("climb", "level", "left_turn", "descent", "right_turn", "level_slowing_down")


def failures_in_order(studio: Studio) -> tuple[str, ...]:
    """Give one failure of each class that shows in some maneuver: common ones first, systems in turn."""
    kb = studio.kb

    def often(name: str) -> tuple[bool, float]:
        failure = kb.failures[name]
        return failure.kind is FailureKind.FAILURE, failure.rate_per_hour + failure.latent

    names = [group[0] for group in studio.classes if not kb.failures[group[0]].silent]
    by_system: dict[object, list[str]] = {}
    for name in sorted((n for n in names if studio.shows_in(n)), key=often, reverse=True):
        by_system.setdefault(kb.failures[name].system, []).append(name)
    ranked = [(place, queue[place]) for queue in by_system.values() for place in range(len(queue))]
    return tuple(name for _, name in sorted(ranked, key=lambda entry: entry[0]))


def cards_in_order(studio: Studio, kinds: Collection[Kind] = tuple(Kind)) -> tuple[Card, ...]:
    """Give all cards of a panel in the order in which they are begun."""
    later = int(studio.number("new_kinds_later"))
    wanted = [kind for kind in Kind if kind in kinds]
    failures = list(failures_in_order(studio))
    failures.insert(min(SOUND_PLACE, len(failures)), SOUND)
    found: list[tuple[int, int, int, Card]] = []
    for place, failure in enumerate(failures):
        manoeuvres = studio.shows_in(failure)[:MOST_MANOEUVRES] if failure != SOUND else SOUND_IN
        for turn, manoeuvre in enumerate(m for m in manoeuvres if m in studio.kb.manoeuvres):
            for step, kind in enumerate(wanted):
                if fits(studio, failure, manoeuvre, kind):
                    stage = place + later * (step + len(wanted) * turn)
                    found.append((stage, place, step, Card(failure, manoeuvre, kind.value)))
    return tuple(card for *_, card in sorted(found))


def fits(studio: Studio, failure: str, manoeuvre: str, kind: Kind) -> bool:
    """Whether a kind of exercise makes sense at all: a healthy airplane is only to be recognized."""
    if failure == SOUND:
        return kind in (Kind.NAME, Kind.SCAN)
    if not studio.can_be(failure, manoeuvre):
        return False
    return kind in (Kind.PREDICT, Kind.NAME) or studio.kb.manoeuvres[manoeuvre].phase == "air"
