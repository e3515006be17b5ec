"""The tables of a network node by node, for general inference libraries."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from diagnose.model.units import Array
from diagnose.network.tables import Index

NO_YES = ("no", "yes")


@dataclass
class Tables:
    """Conditional probability tables by node: states, parents, values (parents…, states)."""

    states: dict[str, tuple[str, ...]] = field(default_factory=dict)
    parents: dict[str, tuple[str, ...]] = field(default_factory=dict)
    values: dict[str, Array] = field(default_factory=dict)
    evidence: dict[str, str] = field(default_factory=dict)

    def add(self, name: str, states: Sequence[str], parents: Sequence[str], values: Array) -> None:
        """Add a node; the columns must sum to one within 1e-9, else raises ValueError."""
        shape = (*(len(self.states[parent]) for parent in parents), len(states))
        table = np.asarray(values, dtype=np.float64).reshape(shape)
        if not np.allclose(table.sum(axis=-1), 1.0, atol=1e-9, rtol=0.0):
            raise ValueError(f"the table of {name} does not sum to one")
        self.states[name], self.parents[name], self.values[name] = tuple(states), tuple(parents), table

    def add_rule(
        self,
        name: str,
        states: Sequence[str],
        parents: Sequence[str],
        rule: Callable[[dict[str, str]], Sequence[float]],
    ) -> None:
        """Add a node whose distribution is a function of the parents' states."""
        rows = [
            rule(dict(zip(parents, combination, strict=True)))
            for combination in itertools.product(*(self.states[parent] for parent in parents))
        ]
        self.add(name, states, parents, np.array(rows))

    def reachable(self) -> Tables:
        """The same without the states that have no chance whatever their parents are, and without nodes of one state.

        What was observed stays, and so do both answers to yes or no: somebody may ask for them.
        """
        found, kept = Tables(evidence=self.evidence), dict[str, Index]()
        for name, values in self.values.items():  # parents come first
            parents, states = self.parents[name], self.states[name]
            here = values[np.ix_(*(kept[parent] for parent in parents), np.arange(len(states)))]
            possible = (here.reshape(-1, len(states)).max(axis=0) > 0.0) | (states == NO_YES)
            if name in self.evidence:
                possible[states.index(self.evidence[name])] = True
            kept[name] = np.flatnonzero(possible)
            if len(kept[name]) > 1 or name in self.evidence:
                varied = [parent for parent in parents if parent in found.states]
                found.add(name, [states[place] for place in kept[name]], varied, here[..., kept[name]])
        return found


def at(name: str, snapshot: int) -> str:
    """Name of a node at a snapshot (counted from one)."""
    return f"{name.replace('.', '_of_')}_at_{snapshot}"


def certain(states: Sequence[str], state: str) -> list[float]:
    """Chances of a state that holds for sure; (state,)."""
    return [1.0 if other == state else 0.0 for other in states]


def chance_of(p: float) -> list[float]:
    """Chances of no and yes; (2,)."""
    return [1.0 - p, p]
