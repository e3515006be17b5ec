"""Prior chances of a case: of each failure, by its rates, the conditions of the day and the setting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.knowledge import unknown_name
from diagnose.model import CaseRecord, Failure, Setting
from diagnose.network import Network
from diagnose.units import Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """Prior chances: of each failure at the first snapshot, and to begin before each later one.

    ``first`` (failure,); ``begins`` (snapshot - 1, failure). ``weight`` multiplies the odds of every
    set that holds a failure of ``loud`` (failure,), one that can be noticed, so that "something
    noticeable is there" has the chance that the setting states.
    """

    first: Array
    begins: Array
    loud: Array
    weight: float

    @property
    def by_the_end(self) -> Array:
        """Chance of each failure to be there at the last snapshot, before the setting's weight."""
        return np.asarray(1.0 - (1.0 - self.first) * np.prod(1.0 - self.begins, axis=0))

    @property
    def nothing_loud(self) -> float:
        """Prior chance that nothing noticeable is there, before the setting's weight."""
        return float(np.prod(np.where(self.loud, 1.0 - self.by_the_end, 1.0)))

    @property
    def total(self) -> float:
        """Sum of the weighted prior over all sets."""
        return self.nothing_loud + self.weight * (1.0 - self.nothing_loud)

    def weights(self, members: Array) -> Array:
        """Weight of each set; members is bool (set, failure)."""
        return np.where(members @ self.loud, self.weight, 1.0)


def failure_rates(failure: Failure, context: Sequence[str], largest: float) -> tuple[float, float]:
    """Rate per hour and latent chance (at most ``largest``) under these conditions of the day."""
    rate, latent = failure.rate_per_hour, failure.latent
    for effect in failure.context:
        if set(effect.when) <= set(context):
            rate, latent = rate * effect.times, latent * effect.times
    for effect in failure.context:
        if effect.latent is not None and set(effect.when) <= set(context):
            latent = effect.latent
    return rate, min(latent, largest)


def odds_of(network: Network, case: CaseRecord) -> Odds:
    """Give the prior of a case. Raises UnknownName for an unknown setting or context."""
    kb = network.kb
    if case.setting not in kb.settings:
        raise unknown_name("setting", case.setting, kb.settings)
    for flag in case.context:
        if flag not in kb.context:
            raise unknown_name("context", flag, kb.context)
    setting = kb.settings[case.setting]
    later = case.snapshot[1:]
    hours = np.array(
        [(s.minutes_before + p.minutes) / 60.0 for p, s in zip(case.snapshot, later, strict=False)]
    )
    if setting.equal_chance is not None:
        return _equal_odds(network, case, setting, hours)
    rates, latent = (
        np.array(
            [
                failure_rates(failure, case.context, network.kb.limits.largest_latent)
                for failure in network.failures
            ]
        )
        .reshape(-1, 2)
        .T
    )
    first = 1.0 - (1.0 - latent) * np.exp(-rates * case.minutes_since_start / 60.0)
    begins = -np.expm1(-rates * hours[:, None])
    return _weighted(network, setting, first, begins)


def _equal_odds(network: Network, case: CaseRecord, setting: Setting, hours: Array) -> Odds:
    """Every failure that can be there at all has the same chance, spread over start and steps."""
    possible = np.array(
        [
            max(failure_rates(failure, case.context, network.kb.limits.largest_latent)) > 0.0
            for failure in network.failures
        ]
    )
    share = float(setting.equal_chance or 0.0)
    first = np.where(possible, share, 0.0)
    begins = np.repeat(first[None, :] * setting.later_share, len(hours), axis=0)
    return _weighted(network, setting, first, begins)


def _weighted(network: Network, setting: Setting, first: Array, begins: Array) -> Odds:
    """Choose the weight that gives "something noticeable is there" the setting's chance."""
    loud = np.array([not failure.silent for failure in network.failures], dtype=bool)
    plain = Odds(first=first, begins=begins, loud=loud, weight=1.0)
    nothing = plain.nothing_loud
    if setting.chance is None or nothing >= 1.0:
        return plain
    weight = setting.chance / (1.0 - setting.chance) * nothing / (1.0 - nothing)
    return replace(plain, weight=weight)
