"""What is worth asking, and why one reading matters, by the looks and the engine that everything else uses."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import msgspec

from diagnose.advice.explain.weights import with_reading
from diagnose.advice.looks import next_looks, suspects
from diagnose.advice.prospect import scene_of, told
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable
from diagnose.language.session import fewer_readings
from diagnose.model import CaseRecord
from diagnose.model.answer import LookAdvice
from diagnose.model.errors import ImpossibleEvidence
from diagnose.network.engine import Engine
from diagnose.render.layout import chance_words
from diagnose.render.text import names

#: likeliest readings of a silent gauge whose effect is told
READINGS_TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A silent facet of the last snapshot, and the look that it is a part of.

    ``suspect_bits``: what its answer alone is expected to tell about the suspects (see ``prospect.Told``).
    """

    facet: str
    look: LookAdvice
    suspect_bits: float


def questions(engine: Engine, case: CaseRecord, skip: frozenset[str] = frozenset()) -> tuple[Question, ...]:
    """What can be asked about the last snapshot, in the order of the looks that are most worthwhile.

    Only looks that read what is silent there: what would have to be done first cannot be remembered. Of
    one look the most telling facet comes first. An upset aircraft is taken as recovered: whoever is asked
    sits on the ground.
    """
    posterior = engine.posterior(case)
    pointed, before = suspects(posterior), posterior.before
    scene = scene_of(posterior.space, case.snapshot[-1], posterior.rows, pointed, before=before)
    found: dict[str, Question] = {}
    for look in next_looks(engine, posterior, everywhere=False, recovered=True):
        if look.kind != "read" or not look.tells:
            continue
        asked = [
            Question(facet=facet, look=look, suspect_bits=told(scene, (facet,)).suspect_bits)
            for facet in look.facets
            if facet not in skip and facet not in found
        ]
        found |= {question.facet: question for question in sorted(asked, key=lambda q: -q.suspect_bits)}
    return tuple(found.values())


def facet_name(kb: KnowledgeBase, facet: str) -> str:
    """A facet in few words: "airspeed trend", "ball"."""
    gauge, which = facet.split(".")
    known = kb.gauges[gauge]
    return f"{known.words[0]} {readable(which)}" if len(known.facets) > 1 else known.words[0]


def why(engine: Engine, case: CaseRecord, at: int, facet: str) -> Iterator[str]:
    """Say in a sentence why a reading matters: what it did, or what it would tell.

    Every snapshot counts, not only the last. The sentence comes last; before it an empty text each time
    the engine has been run, so that whoever waits can go on to something else.
    """
    kb, snapshot = engine.network.kb, case.snapshot[at]
    name = facet_name(kb, facet)
    bare_snapshot = fewer_readings(snapshot, lambda other: other == facet)
    listed = (*case.snapshot[:at], bare_snapshot, *case.snapshot[at + 1 :])
    bare = engine.posterior(msgspec.structs.replace(case, snapshot=listed))
    yield ""
    if bare_snapshot != snapshot:
        with_it = engine.posterior(case).ranking()[0]
        was = next((r.posterior for r in bare.ranking() if r.failures == with_it.failures), 0.0)
        leading = names(kb, with_it.failures)
        before, now = chance_words(was, kb), chance_words(with_it.posterior, kb)
        if before == now:
            yield f"{name}: changes little; {leading} stands at {now} with or without it"
        else:
            yield f"{name}: brings {leading} from {before} to {now}"
        return
    would: list[tuple[float, str]] = []
    for reading in engine.network.facets[facet].readings:
        try:
            after = engine.posterior(with_reading(case, at, facet, reading))
        except ImpossibleEvidence:
            continue
        yield ""
        chance, best = math.exp(after.log_evidence - bare.log_evidence), after.ranking()[0]
        means = f"{names(kb, best.failures)} {chance_words(best.posterior, kb)}"
        would.append((chance, f"if {readable(reading)} ({chance_words(chance, kb)}): {means}"))
    would.sort(key=lambda outcome: -outcome[0])
    yield f"{name}: " + "; ".join(text for _, text in would[:READINGS_TOLD])
