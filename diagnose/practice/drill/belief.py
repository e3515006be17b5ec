"""What can be known: the chance of each failure alone, given what was seen and that one at most is there.

The engine's posterior is conditioned on "one failure at most", which the student is told, and the prior of
"nothing failed" is the drill's own. Both are exact: in this setting nothing was told for being odd, so that it enters
as a factor on each set.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from diagnose.model.units import Array
from diagnose.network.posterior import Posterior
from diagnose.practice.drill.exercise import OPEN, SOUND, Option
from diagnose.practice.drill.studio import Studio

#: somebody chose what fails, so that the failures share one prior, and readings were not told for being odd
SETTING = "watched"


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Chances that sum to one: ``nothing`` and ``of`` each failure, alone.

    ``said``: how well each failure, and ``SOUND``, foretold the readings; the best one has 1.
    """

    nothing: float
    of: Mapping[str, float]
    said: Mapping[str, float]

    def chance(self, option: Option) -> float:
        """Give the chance of an answer, zero for "cannot be told yet"."""
        return sum(self.nothing if name == SOUND else self.of.get(name, 0.0) for name in option.like)

    def among(self, options: Sequence[Option]) -> tuple[float, ...]:
        """Give the chances of the answers offered if one of them is so; (option,), zero for ``OPEN``."""
        chances = [self.chance(option) for option in options]
        total = sum(chances)
        return tuple(chance / total for chance in chances) if total > 0.0 else tuple(chances)

    def best(self, too_alike: float) -> tuple[str, ...]:
        """Give the failures, and ``SOUND``, that the readings put less than so many times behind the best."""
        order = sorted(self.said, key=lambda name: -self.said[name])
        return tuple(name for name in order if self.said[name] * too_alike >= 1.0)


def believe(studio: Studio, posterior: Posterior, only: Collection[str] = ()) -> Belief:
    """Give the belief that a posterior (in ``SETTING``) leaves; ``only`` these failures can be, if given."""
    return belief_of(studio, posterior, posterior.sets, only)


def belief_of(studio: Studio, posterior: Posterior, sets: Array, only: Collection[str] = ()) -> Belief:
    """Give the belief for chances of the sets, (set,), of a posterior's space.

    Failures that show nothing until they are needed are left out: they never are what was seen.
    """
    space = posterior.space
    failures, prior = space.network.failures, posterior.prior_sets
    alone = {
        failures[members[0]].id: place
        for place, members in enumerate(space.sets)
        if len(members) == 1
        and not failures[members[0]].silent
        and prior[place] > 0.0
        and (not only or failures[members[0]].id in only)
    }
    none = space.sets.index(())
    said = {name: float(sets[place] / prior[place]) for name, place in {SOUND: none, **alone}.items()}
    most = max(said.values())
    said = {name: value / most for name, value in said.items()}
    # the failures share one prior, and nothing has the drill's own
    share = studio.number("nothing")
    each = (1.0 - share) / max(len(alone), 1)
    total = share * said[SOUND] + each * sum(said[name] for name in alone)
    return Belief(
        nothing=share * said[SOUND] / total,
        of={name: each * said[name] / total for name in alone},
        said=said,
    )


def right_places(
    options: Sequence[Option], chances: Sequence[float], told: float, not_told: float
) -> tuple[int, ...]:
    """Give the places of the right answers for chances among the options, the best first.

    One that is told, or ``OPEN`` where none is; in between both the likeliest and ``OPEN`` are right.
    """
    open_place = next(place for place, option in enumerate(options) if option.id == OPEN)
    best = max(range(len(options)), key=lambda place: chances[place])
    if chances[best] >= told:
        return (best,)
    return (open_place,) if chances[best] <= not_told else (open_place, best)
