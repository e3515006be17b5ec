"""What to look at next: every look that the panel and the situation allow, with what it tells and costs.

What a look tells is worked out from the engine's posterior, not typed in: the chance of each outcome, what
would lead after it, the expected information about which failures are there (bits), and how much it is
expected to take off the cost of trusting instruments wrongly. A look that moves a switch or flies something
else is a next snapshot: memories move on, switches stand as they then would, and no new failure begins.

Exact over the enumerated sets: several facets of one look are taken jointly, outcome by outcome.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.advice.advise import advise
from diagnose.advice.decisions import upset, with_decisions
from diagnose.advice.prospect import Scene, Told, scene_of, told
from diagnose.advice.trust import trust
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.model.answer import DecisionAdvice, LookAdvice, LookOutcome, Trust
from diagnose.model.systems import Look
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.hidden import HiddenSpace
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Index, Network

NO_HORIZON = ("visible_moisture", "instruments_only")
"""Conditions without an outside horizon."""

LEAST_OUTCOME = 1e-3
"""Outcomes rarer than this are counted but not listed."""


# ------------------------------------------------------------------ which looks there are


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A look that can be had now: the facets that it reads, and the snapshot that it makes.

    ``snapshot`` is None where nothing moves on: the facets are read in the present snapshot, at the
    moment that a switch is moved, or something of the aircraft is tried or inspected.
    """

    look: Look
    facets: tuple[str, ...]
    snapshot: SnapshotRecord | None


def offers(posterior: Posterior, trusts: Sequence[Trust] = ()) -> tuple[Offer, ...]:
    """Every look that panel, switches, maneuver, conditions and trust allow, in the order of the knowledge.

    ``trusts``: what ``trust`` gives, if it is at hand.
    """
    covered = {told.gauge for told in trusts or trust(posterior) if told.grade is Grade.COVER}
    return tuple(_offers(posterior.space.network, posterior.case, covered))


def _offers(network: Network, case: CaseRecord, covered: set[str]) -> Iterator[Offer]:
    last = case.snapshot[-1]
    positions = network.switch_positions(last.switches)
    for look in network.kb.looks.values():
        if not _allowed(look, network, case, positions) or not _safe(look, network, case, covered):
            continue
        facets = tuple(facet for facet in look.reads if facet in network.facets)
        later = (look.kind == "switch" and not look.at_once) or look.kind == "manoeuvre" or look.manoeuvre
        if not later:
            facets = tuple(f for f in facets if f not in last.readings and f not in last.unsure)
        if look.reads and not facets:
            continue
        snapshot = None
        if later:
            snapshot = SnapshotRecord(
                manoeuvre=look.manoeuvre or last.manoeuvre,
                minutes=look.minutes,
                minutes_before=look.wait_minutes,
                switches={**last.switches, **look.switches},
            )
        yield Offer(look=look, facets=facets, snapshot=snapshot)


def _allowed(look: Look, network: Network, case: CaseRecord, positions: Mapping[str, str]) -> bool:
    """Whether the look can be had here, and is safe here."""
    last = case.snapshot[-1]
    phase = network.kb.manoeuvres[last.manoeuvre].phase
    on_panel = {*network.panel.switches, *network.panel.parts}
    read = {facet for snapshot in case.snapshot for facet in (*snapshot.readings, *snapshot.unsure)}
    return (
        # what is inspected on the ground can be planned in the air, and is listed apart
        (look.kind == "ground" or phase in look.phases)
        and (not look.only_while or last.manoeuvre in look.only_while)
        and last.manoeuvre not in look.not_while
        and not set(look.not_in) & set(case.context)
        and not set(look.without) & on_panel
        and set(look.switches) <= set(positions)
        and any(positions[name] != position for name, position in look.switches.items())
        == bool(look.switches)
        and all(positions.get(name) == position for name, position in look.only_with.items())
        and not (look.once and read & set(look.reads))
        # the first facet is what the look is for
        and (not look.reads or look.reads[0] in network.facets)
    )


def _safe(look: Look, network: Network, case: CaseRecord, covered: set[str]) -> bool:
    """Whether enough instruments are left to fly it on without an outside horizon."""
    if not look.blind_needs or not set(NO_HORIZON) & set(case.context):
        return True
    left = [gauge for gauge in look.blind_needs if gauge in network.panel.gauges and gauge not in covered]
    return len(left) >= look.blind_least


# ------------------------------------------------------------------ what they tell


def trust_cost(network: Network, chance: Array, lies: Array) -> float:
    """Expected cost of grading every instrument as well as can be, given each outcome; unit: one look.

    ``chance`` (outcome,), ``lies`` P(instrument misleads soon, outcome).
    """
    costs = [
        (chance - lies) * grade.if_true + lies * grade.if_misleading
        for grade in network.kb.grade_costs.values()
    ]
    return float(np.min(costs, axis=0).sum())


def suspects(posterior: Posterior) -> Index:
    """Which failures the readings speak for; bool (failure,). All of them if they speak for none.

    A look is to explain what was seen. What else may be wrong with the aircraft is as likely after these
    readings as before them, and would otherwise draw looks to gauges that have nothing to do with it.
    """
    space = posterior.space
    before = np.clip(posterior.priors, 1e-300, 1.0 - 1e-12)
    after = np.clip(posterior.marginals, 0.0, 1.0 - 1e-12)
    factor = after / (1.0 - after) / (before / (1.0 - before))
    found = factor >= space.network.kb.look_weights.suspect_factor
    return np.asarray(found if found.any() else np.ones_like(found))


# ------------------------------------------------------------------ the advice


def next_looks(
    engine: Engine,
    posterior: Posterior,
    *,
    everywhere: bool = True,
    recovered: bool = False,
    trusts: Sequence[Trust] = (),
    orders: Sequence[DecisionAdvice] | None = None,
) -> tuple[LookAdvice, ...]:
    """Every look on offer, the most worthwhile first; those of last resort stand last.

    First of all come those without hazard that do what is to be done at once anyway: pitot heat in ice.

    Without ``everywhere`` only those that can be had where the case ends: in the air not what is done
    on the ground afterward. Empty while the aircraft must be recovered first (``upset``), unless it
    counts as ``recovered``. ``trusts``, ``orders``: trust and decisions of the answer, if it is at hand.
    """
    if upset(posterior) and not recovered:
        return ()
    if orders is None:
        orders = with_decisions(posterior, advise(posterior)).decisions
    network, space = posterior.space.network, posterior.space
    pointed = suspects(posterior)
    last, before = posterior.case.snapshot[-1], posterior.before
    present = scene_of(space, last, posterior.rows, pointed, before=before)
    now = told(present, ())
    cost_now = trust_cost(network, now.chance, now.lies)
    scenes: dict[tuple[object, ...], Scene] = {}
    found = []
    phase = network.kb.manoeuvres[last.manoeuvre].phase
    for offer in offers(posterior, trusts):
        if offer.look.kind == "ground" and phase != "ground" and not everywhere:
            continue
        snapshot = offer.snapshot
        if offer.look.at_once:
            scene = scene_of(
                space, last, posterior.rows, pointed, offer.look.switches, like=present, before=before
            )
        elif snapshot is None:
            scene = present
        else:
            key = (snapshot.manoeuvre, snapshot.minutes, snapshot.minutes_before, *snapshot.switches.items())
            if key not in scenes:
                scenes[key] = scene_of(
                    space, snapshot, engine.ahead(posterior, snapshot), pointed, before=last
                )
            scene = scenes[key]
        tells = told(scene, offer.facets)
        saving = cost_now - trust_cost(network, tells.chance, tells.lies)
        regained = float(now.lies.sum() - tells.lies.sum()) if offer.look.switches else 0.0
        found.append(_advice(network, space, offer, tells, saving, regained))
    known = network.kb.decisions
    moves = [move for order in orders if order.decision in known and (move := known[order.decision].move)]

    def place(advice: LookAdvice) -> tuple[bool, int, float]:
        switches = network.kb.looks[advice.look].switches
        harmless = not advice.hazard and switches in moves
        first = moves.index(switches) if harmless else len(moves)
        return advice.last_resort, first, -round(advice.worth, 9)

    return tuple(sorted(found, key=place))


def _advice(
    network: Network, space: HiddenSpace, offer: Offer, tells: Told, saving: float, regained: float
) -> LookAdvice:
    look, weights, bits = offer.look, network.kb.look_weights, tells.bits
    # to be without an instrument costs what covering a good one costs, by the same table
    without = network.kb.grade_costs[Grade.COVER.value].if_true
    per_minute = weights.per_ground_minute if look.kind == "ground" else weights.per_minute
    worth = (
        weights.per_bit * tells.suspect_bits
        + weights.per_trust * (saving + without * regained)
        - per_minute * look.seconds / 60.0
        - weights.per_workload * (look.workload - 1)
        - weights.per_hazard * look.hazard
    )
    outcomes = _outcomes(network, space, offer, tells)
    return LookAdvice(
        look=look.id,
        name=look.name,
        kind=look.kind,
        done_by=look.done_by,
        bits=bits,
        suspect_bits=tells.suspect_bits,
        saving=saving,
        regained=regained,
        worth=worth,
        seconds=look.seconds,
        workload=look.workload,
        hazard=look.hazard,
        caution=look.caution,
        last_resort=look.last_resort,
        tells=tells.suspect_bits >= weights.least_bits or saving >= weights.least_saving,
        source=look.source,
        facets=offer.facets,
        outcomes=outcomes,
        unlisted=max(0.0, 1.0 - sum(outcome.chance for outcome in outcomes)),
    )


def _outcomes(network: Network, space: HiddenSpace, offer: Offer, tells: Told) -> tuple[LookOutcome, ...]:
    """The outcomes that are not too rare, likeliest first, each with what would lead after it."""
    if not offer.facets:
        return ()
    readings = list(itertools.product(*(network.facets[facet].readings for facet in offer.facets)))
    found = []
    for place in np.argsort(-tells.chance, kind="stable").tolist():
        chance = float(tells.chance[place])
        if chance < LEAST_OUTCOME:
            break
        found.append(
            LookOutcome(
                readings=tuple(zip(offer.facets, readings[place], strict=True)),
                chance=chance,
                leading=space.set_names[int(tells.leading[place])],
                leading_chance=float(tells.leading_chance[place]),
            )
        )
    return tuple(found)
