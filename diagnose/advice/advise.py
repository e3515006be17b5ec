"""From the posterior to the whole answer: verdict, what to fly on, the normal effects that a reading may be."""

from __future__ import annotations

from diagnose.advice.trust import trust
from diagnose.advice.witnesses import denied, strayed, upstream
from diagnose.language import readable
from diagnose.model import AxisUse, CaseRecord, FailureKind, Grade, NormalEffect
from diagnose.model.answer import Answer, AxisAdvice, Ranked, Trust
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Network

AXES_OF_CONTROL = ("pitch", "bank", "power", "heading")


def partial_panel(
    network: Network, manoeuvre_id: str, trusts: tuple[Trust, ...], *, read: bool = True
) -> tuple[AxisAdvice, ...]:
    """Give for each axis of control what to fly on in this maneuver.

    With nothing ``read`` nothing speaks against an instrument but what was known before the flight: it is the
    handbook's table. An instrument that
    is out is replaced by a second one of its kind first.
    """
    kb = network.kb
    manoeuvre = kb.manoeuvres[manoeuvre_id]
    grades = {t.gauge: t.grade for t in trusts if t.gauge in network.panel.gauges}
    if not read:
        grades = {g: grade if grade is Grade.COVER else Grade.USE for g, grade in grades.items()}
    least, out = kb.limits.nearly_sure, Grade.COVER
    doubted = [t for t in trusts if grades.get(t.gauge) is Grade.VERIFY]
    nearly = {t.gauge for t in doubted if (t.soon >= least and not t.denied) or t.slip}
    uses = {"pitch": manoeuvre.pitch, "bank": manoeuvre.bank, "power": manoeuvre.power}
    answers = []
    for axis in AXES_OF_CONTROL:
        use = uses.get(axis) or (AxisUse(primary="heading") if axis == "heading" else None)
        if use is None:
            continue
        stand_ins = [s for s in kb.substitutes.values() if s.axis == axis]
        turning = manoeuvre.expected["turn"] != "straight"
        straight = {s.gauge for s in stand_ins if s.straight and turning}
        usual = (use.primary, *use.supporting)
        # an instrument that is all but surely right, or wrong by a setting alone, is not given up for less
        good = [g for g in usual if grades.get(g) is Grade.USE or g in nearly]
        if len(good) < len(usual):
            seconds = {s.second_to: s.gauge for s in kb.substitutes.values() if s.second_to}
            own = [g if g in good else seconds.get(g, g) for g in usual]
            candidates = [*own, *usual, *(s.gauge for s in stand_ins)]
            good = [g for g in dict.fromkeys(candidates) if grades.get(g) is Grade.USE or g in nearly]
            doubtful = [
                g for g in dict.fromkeys(candidates) if grades.get(g) is Grade.VERIFY and g not in nearly
            ]
        else:
            doubtful = []
        primary = ([g for g in good if g not in straight] or doubtful or good or [""])[0]
        hows = (
            s.how
            for s in stand_ins
            if s.gauge == primary and all(grades.get(g, out) is not out for g in s.uses)
        )
        how = next(hows, "")
        answers.append(
            AxisAdvice(
                axis=axis,
                usual=use.primary,
                primary=primary,
                supporting=tuple(g for g in good if g != primary and g not in straight)[:3],
                out=tuple(g for g in usual if g not in grades or grades[g] is Grade.COVER),
                how=how if primary != use.primary or primary in doubtful else "",
            )
        )
    return tuple(answers)


# ------------------------------------------------------------------ the whole answer


def advise(posterior: Posterior) -> Answer:
    """Give the whole answer for a posterior."""
    network = posterior.space.network
    ranking = posterior.ranking()
    ids = [failure.id for failure in network.failures]
    trusts = trust(posterior)
    last = posterior.case.snapshot[-1]
    decided, verdict = _verdict(network, posterior, ranking, trusts)
    return Answer(
        setting=posterior.case.setting,
        ranking=ranking,
        failures=dict(zip(ids, posterior.marginals.tolist(), strict=True)),
        priors=dict(zip(ids, posterior.priors.tolist(), strict=True)),
        uncovered=posterior.uncovered,
        log_evidence=posterior.log_evidence,
        decided=decided,
        verdict=verdict,
        trust=trusts,
        axes=partial_panel(network, last.manoeuvre, trusts, read=anything_read(posterior.case)),
        manoeuvre=last.manoeuvre,
        notes=_notes(network, posterior),
    )


def anything_read(case: CaseRecord) -> bool:
    """Whether a gauge was read at all."""
    return any(s.readings or s.unsure or s.disagree for s in case.snapshot)


def names_of(network: Network, failures: tuple[str, ...]) -> str:
    """Say a set of failures in plain words."""
    if not failures:
        return "nothing has failed"
    return " plus ".join(network.kb.failures[name].name for name in failures)


def _verdict(
    network: Network, posterior: Posterior, ranking: tuple[Ranked, ...], trusts: tuple[Trust, ...]
) -> tuple[bool, str]:
    limits = network.kb.limits
    sets, members = posterior.sets, posterior.space.members
    faulty = [
        (float(chance), failure)
        for chance, failure in zip(posterior.marginals, network.failures, strict=True)
        if failure.kind is FailureKind.FAILURE
    ]
    real = [failure.kind is FailureKind.FAILURE for failure in network.failures]
    no_failure = float(sets[~members[:, real].any(axis=1)].sum())
    said, leading = strayed(network, posterior.case, posterior.motion), ranking[0]
    best_chance, best = max(faulty, key=lambda pair: float(f"{pair[0]:.11e}"))
    if no_failure >= limits.decided:
        if said and (other := denied(network, posterior.case, posterior.motion)):
            named = " and the ".join(network.kb.gauges[gauge].name for gauge in other)
            return False, f"Best guess so far: {said}, and the {named} does not show it."
        if said:
            return True, f"Nothing has failed: the instruments agree, {said}."
        if leading.failures and leading.posterior >= limits.decided:
            return True, f"No failure: {names_of(network, leading.failures)}."
        return False, "Nothing here speaks for a failure; recheck the readings."
    unlisted = [not failure.listed for failure in network.failures]
    beyond = float(sets[members[:, unlisted].any(axis=1)].sum())
    if beyond >= limits.not_listed and any(not network.kb.failures[n].listed for n in ranking[0].failures):
        odd = _odd_beyond_the_list(network, posterior)
        return False, f"Nothing listed here explains it well{odd} ({beyond:.0%})."
    if best_chance >= limits.decided:
        return True, f"Most likely: {best.name} ({best_chance:.0%})."
    alike = [failure for chance, failure in faulty if chance > limits.worth_naming]
    systems = {failure.system for failure in alike}
    within = [failure.system in systems for failure in network.failures]
    share = float(sets[members[:, within].any(axis=1)].sum())
    if len(systems) == 1 and share >= limits.decided:
        system = systems.pop().value
        return False, f"Can't tell the cause yet, but it lies in the {system} system ({share:.0%})."
    blamed = any(network.kb.failures[name].kind is FailureKind.FAILURE for name in leading.failures)
    # what blames no instrument is told with the one that others contradict
    contradicted = [] if blamed else [network.kb.gauges[told.gauge].name for told in trusts if told.denied]
    yet = f", yet others contradict the {' and the '.join(contradicted)}" if contradicted else ""
    return False, f"Best guess so far: {names_of(network, leading.failures)} ({leading.posterior:.0%}){yet}."


def _odd_beyond_the_list(network: Network, posterior: Posterior) -> str:
    """Name the odd readings of the instruments whose fault is in no list, the likeliest of them."""
    blamed = [
        (chance, failure)
        for chance, failure in zip(posterior.marginals.tolist(), network.failures, strict=True)
        if not failure.listed
    ]
    parts = max(blamed, key=lambda pair: float(f"{pair[0]:.11e}"))[1].acts.keys()
    read: dict[str, str] = {}
    for snapshot in posterior.case.snapshot:
        usual = network.expected_readings(snapshot.manoeuvre, snapshot.switches)
        for facet, reading in snapshot.readings.items():
            if parts & set(network.facets[facet].parents) and usual[facet] != reading:
                read[facet] = reading
    said = [
        f"{network.kb.gauges[facet.split('.')[0]].name} {readable(reading)}"
        for facet, reading in read.items()
    ]
    return f": {', '.join(said)}" if said else ""


def _notes(network: Network, posterior: Posterior) -> tuple[str, ...]:
    """Normal effects that the last snapshot's readings may be, where their condition holds."""
    effects = network.kb.effects.values()
    return tuple(f"{effect.name}: {effect.says}" for effect in effects if _fits(network, posterior, effect))


def _fits(network: Network, posterior: Posterior, effect: NormalEffect) -> bool:
    """Whether an effect's readings are there, its condition holds, and nothing that feeds its gauge has failed."""
    case, limits = posterior.case, network.kb.limits
    *before, last = case.snapshot
    earlier = before[-1] if before else None
    return (
        all(last.readings.get(facet) == reading for facet, reading in effect.when.items())
        and (not effect.manoeuvres or last.manoeuvre in effect.manoeuvres)
        and (not effect.after or (earlier is not None and earlier.manoeuvre in effect.after))
        and last.minutes + last.minutes_before * bool(effect.after) <= effect.most_minutes
        and (not effect.context or bool(set(effect.context) & set(case.context)))
        and set(effect.parts) <= set(network.parts)
        and all(posterior.motion[axis].get(v, 0.0) >= limits.decided for axis, v in effect.motion.items())
        and all(posterior.conditions(part).get(c, 0.0) >= limits.decided for part, c in effect.likely.items())
        and all(
            last.switches.get(name) == to and (earlier is None or earlier.switches.get(name) != to)
            for name, to in effect.moved.items()
        )
        and (effect.passing or _feeds_fail(posterior, effect.gauge) < 1.0 - limits.decided)
    )


def _feeds_fail(posterior: Posterior, gauge: str) -> float:
    """Chance of a failure (no look-alike) of the gauge or of anything that it rests on or tells of."""
    network = posterior.space.network
    if gauge not in network.panel.gauges:
        return 1.0
    parents = [n for f in network.kb.gauges[gauge].facets for n in network.facets[f"{gauge}.{f.id}"].parents]
    sources = upstream(network, parents)
    parts = {n for n in parents if n in network.parts}
    parts |= {
        n for source in sources for rule in network.rules[source] for n in rule.when if n in network.parts
    }
    failing = [f.kind is FailureKind.FAILURE and bool(parts & f.acts.keys()) for f in network.failures]
    return posterior.any_of(failing)
