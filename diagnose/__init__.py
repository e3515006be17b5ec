"""Diagnose failures of vacuum, electrical, pitot and static systems from what the gauges showed.

The front door. Nothing heavy is imported before it is needed. For ground training and review only.

>>> import diagnose
>>> kb = diagnose.load_knowledge()
>>> case = diagnose.load_case("static_blocked_climb", kb)
>>> answer = diagnose.answer_case(kb, case)
>>> answer.ranking[0].failures
('static_ports_taped',)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.advice.explain.why import Reasons
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model import CaseRecord, SnapshotRecord
    from diagnose.model.answer import Answer
    from diagnose.network.engine import Engine
    from diagnose.network.posterior import Posterior
    from diagnose.practice.simulate import Simulation
    from diagnose.review.findings import Review

Looks = Literal["", "here", "all"]

__version__ = "0.1.0"


def load_knowledge(overlays: tuple[Path, ...] = ()) -> KnowledgeBase:
    """Read the packaged knowledge base and lay the user's own files over it.

    Raises KnowledgeError, which lists every entry that cannot be read.

    >>> kb.failures["pump_sheared"].name
    'vacuum pump failed'
    """
    from diagnose.knowledge import load

    return load.load_knowledge(overlays=overlays)


def load_case(name: str, kb: KnowledgeBase) -> CaseRecord:
    """Read a case: the path of a file, or the name of a shipped one.

    Raises CaseError, which lists everything that is wrong with it.

    >>> [snapshot.manoeuvre for snapshot in case.snapshot]
    ['level', 'climb']
    """
    from diagnose.language import case_files

    return case_files.load_case(name, kb)


def engine_for(kb: KnowledgeBase, panel: str) -> Engine:
    """Build the engine of one panel; keep it to answer several cases or a case that grows.

    Raises KnowledgeError if the panel's tables cannot be had.

    >>> engine = diagnose.engine_for(kb, case.panel)
    >>> posterior = engine.posterior(case)
    >>> 0.0 < posterior.ranking()[0].posterior <= 1.0
    True
    """
    from diagnose.network.engine import Engine
    from diagnose.network.tables import compile_network

    return Engine(compile_network(kb, panel))


def answer_case(
    kb: KnowledgeBase, case: CaseRecord, engine: Engine | None = None, *, looks: Looks = ""
) -> Answer:
    """Rank the failures that explain a case, say which instruments to trust and fly on, what to decide.

    Chances are from 0 to 1. With ``looks`` also what to look at next: "here" where the case ends, or "all" on
    the ground as well. Raises ImpossibleEvidence, which names the smallest set of readings that contradict.

    >>> sorted(one.gauge for one in answer.trust if one.grade.name == "COVER")
    ['airspeed', 'altimeter', 'atc_height', 'vertical_speed']
    """
    engine = engine or engine_for(kb, case.panel)
    return answer_posterior(engine, engine.posterior(case), looks=looks)


def answer_posterior(engine: Engine, posterior: Posterior, *, looks: Looks = "") -> Answer:
    """Give the answer of ``answer_case`` for a posterior that is at hand.

    >>> diagnose.answer_posterior(engine, posterior).ranking[0].failures
    ('static_ports_taped',)
    """
    from dataclasses import replace

    from diagnose.advice.advise import advise
    from diagnose.advice.decisions import with_decisions
    from diagnose.advice.explain.why import because

    answer = with_decisions(posterior, advise(posterior))
    answer = replace(answer, because=because(engine, posterior, answer.ranking))
    return with_looks(engine, posterior, answer, looks) if looks else answer


def with_looks(engine: Engine, posterior: Posterior, answer: Answer, looks: Looks) -> Answer:
    """Give the answer with what to look at next; ``worth`` of each is in looks at a gauge.

    >>> found = diagnose.with_looks(engine, posterior, answer, "all").looks
    >>> found[0].worth > 0
    True
    """
    from dataclasses import replace

    from diagnose.advice.looks import next_looks

    found = next_looks(
        engine, posterior, everywhere=looks == "all", trusts=answer.trust, orders=answer.decisions
    )
    return replace(answer, looks=found)


def explain(engine: Engine, posterior: Posterior, failures: tuple[str, ...] | None = None) -> Reasons:
    """Give the reasons for an explanation, by default for the leading one: weights are natural logs of odds.

    >>> diagnose.explain(engine, posterior).explanation
    ('static_ports_taped',)
    """
    from diagnose.advice.explain.why import reasons

    return reasons(engine, posterior, failures)


def review_file(file: Path, kb: KnowledgeBase, panel: str | None = None, setting: str = "") -> Review:
    """Review a recorded flight (CSV); times of the review are in seconds from the first row.

    The columns are guessed; what stays open is a fault of ``recording.faults``. Raises CaseError if too little of
    the file can be used.

    >>> from pathlib import Path
    >>> diagnose.review_file(Path("nowhere.csv"), kb)
    Traceback (most recent call last):
    ...
    diagnose.model.errors.CaseError: ...
    """
    from functools import partial

    from diagnose.review.findings import reviewed

    return reviewed(file, None, panel, setting, kb, partial(engine_for, kb))


def simulate(name: str, kb: KnowledgeBase) -> Simulation:
    """Fly a scenario (a file, or a shipped one) second by second. Raises CaseError.

    >>> flown = diagnose.simulate("clear_morning", kb)
    >>> flown.scenario.panel
    'single_pump'
    """
    from diagnose.network.tables import compile_network
    from diagnose.practice import simulate as flying
    from diagnose.practice.scenarios import load_scenario

    scenario = load_scenario(name, kb)
    return flying.simulate(compile_network(kb, scenario.panel), scenario)


def _bare_case(panel: str, snapshots: tuple[SnapshotRecord, ...], context: tuple[str, ...]) -> CaseRecord:
    from diagnose.model import CaseRecord

    return CaseRecord(title="", panel=panel, context=context, snapshot=snapshots)


def predict(
    kb: KnowledgeBase,
    panel: str,
    failures: tuple[str, ...],
    snapshots: tuple[SnapshotRecord, ...],
    context: tuple[str, ...] = (),
) -> tuple[dict[str, dict[str, float]], ...]:
    """Give for each snapshot facet -> reading -> chance when exactly these failures are there.

    >>> (shown,) = diagnose.predict(kb, "single_pump", ("pump_sheared",), case.snapshot[:1])
    >>> max(shown["suction.value"], key=shown["suction.value"].get)
    'zero'
    """
    return engine_for(kb, panel).predict(_bare_case(panel, snapshots, context), failures)


def likelihood_of(kb: KnowledgeBase, case: CaseRecord, failures: tuple[str, ...]) -> float:
    """Give log P(readings of the case | exactly these failures from before the first snapshot).

    >>> diagnose.likelihood_of(kb, case, ("static_ports_taped",)) > diagnose.likelihood_of(kb, case, ())
    True
    """
    return engine_for(kb, case.panel).log_likelihood(case, failures)
