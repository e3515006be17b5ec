"""What the tests of the drill share: one studio, exercises made once, chances worked out another way."""

from __future__ import annotations

import os
from functools import cache

import numpy as np

from diagnose.advice.coverage import SOUND
from diagnose.knowledge.load import KnowledgeBase
from diagnose.network.engine import Engine
from diagnose.practice.drill.kinds import NameIt
from diagnose.practice.drill.session import cards_in_order, make
from diagnose.practice.drill.studio import OPEN, Card, Kind, Studio
from tests.examples import LONG
from tests.small import engine, shipped

#: exercises that name; set DRILL_EXERCISES=2000 for thousands
COUNT = int(os.environ.get("DRILL_EXERCISES", "60" if LONG else "30"))


@cache
def studio() -> Studio:
    # ``Studio.of`` itself: while a command runs in a test, ``studio_of`` stands in its place
    return _own_studio(shipped(), "single_pump")


def studio_of(kb: KnowledgeBase, panel: str) -> Studio:
    """As ``Studio.of``, but the panel of the tests has one studio for all."""
    shared = kb.made_from == shipped().made_from and panel == "single_pump"
    return studio() if shared else _own_studio(kb, panel)


_own_studio = Studio.of


def whole_engine() -> Engine:
    """The engine as it is used everywhere, with all pairs of failures."""
    return engine()


@cache
def named(count: int = COUNT) -> tuple[NameIt, ...]:
    """Exercises that name, drawn over all cards and levels."""
    cards = cards_in_order(studio(), (Kind.NAME,))
    sound = [card for card in cards if card.failure == SOUND]
    rng = np.random.default_rng(20261125)
    found = []
    while len(found) < count:
        # one in five lets nothing fail, as in a session
        drawn_from = sound if len(found) % 5 == 4 else cards
        card = drawn_from[int(rng.integers(len(drawn_from)))]
        made = make(studio(), card, int(rng.integers(4)), int(rng.integers(1_000_000)))
        if made is not None:
            found.append(made)
    return tuple(found)


def made(failure: str, manoeuvre: str, kind: str, *, level: int = 0, tries: int = 20):
    """An exercise of a card by the first seed that gives one in which the failure can be told."""
    for seed in range(tries):
        exercise = make(studio(), Card(failure, manoeuvre, kind), level, seed)
        left_open = isinstance(exercise, NameIt) and exercise.options[exercise.right[0]].id == OPEN
        if exercise is not None and not left_open:
            return exercise
    raise AssertionError(f"no exercise for {failure} in {manoeuvre}")


def foretold(case, engine: Engine | None = None) -> dict[str, float]:
    """How well each single failure, and ``SOUND``, foretells a case: posterior over prior of its set."""
    posterior = (engine or whole_engine()).posterior(case)
    sets = zip(posterior.space.set_names, posterior.sets.tolist(), posterior.prior_sets.tolist(), strict=True)
    return {
        names[0] if names else SOUND: chance / prior
        for names, chance, prior in sets
        if len(names) <= 1 and prior > 0.0
    }


def chances_of(options, case, *, only_these: bool = False) -> list[float]:
    """The chances of the answers offered, by the ranking of the whole engine and the drill's prior.

    ``only_these``: the failures offered are the only ones that can be, as in a scan.
    """
    likelihood = foretold(case)
    offered = {name for option in options for name in option.like}
    loud = [f.id for f in studio().network.failures if not f.silent and f.id in likelihood]
    loud = [name for name in loud if name in offered or not only_these]
    share = studio().number("nothing")
    prior = {name: (1.0 - share) / len(loud) for name in loud} | {SOUND: share}
    weights = [sum(prior.get(n, 0.0) * likelihood.get(n, 0.0) for n in option.like) for option in options]
    return [weight / sum(weights) for weight in weights]
