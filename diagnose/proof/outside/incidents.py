"""Published incidents by how strongly their cause is known: where does the ranking put it?"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from diagnose import answer_case, engine_for
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.case_files import case_paths, load_case
from diagnose.model import CaseRecord, FailureKind
from diagnose.model.answer import Answer
from diagnose.network.engine import Engine
from diagnose.proof.outside.line import Line
from diagnose.render.text import names, percent

GROUP = "published incidents"
STRENGTHS = {
    "T1": "cause found by inspection",
    "T2": "cause shown by the response in flight",
    "T3": "cause inferred by those who were there",
    "T4": "cause never established",
}
#: strengths at which the cause is known, not guessed
SHOWN = ("T1", "T2")
#: the place up to which a true cause counts
PLACES = 3


def place_of_truth(kb: KnowledgeBase, case: CaseRecord, answer: Answer) -> int:
    """Place of the first true set among what is listed, counted from one; 0 if it is not there.

    A fault that is in no list is no rival: it says that nothing here explains the readings well.
    """
    truths = {tuple(sorted(truth)) for truth in (case.truth.failures if case.truth else ())}
    listed = (r for r in answer.ranking if all(kb.failures[name].listed for name in r.failures))
    for place, ranked in enumerate(listed, 1):
        if tuple(sorted(ranked.failures)) in truths:
            return place
    return 0


def published() -> list[str]:
    """Names of the published cases."""
    return [name for name, path in case_paths().items() if path.parent.name == "published"]


def incident_lines(
    kb: KnowledgeBase, engines: dict[str, Engine], told: Callable[[str], None]
) -> Iterator[Line]:
    """First place, and among the first three, by strength of the truth."""
    by_strength: dict[str, list[tuple[CaseRecord, Answer, int]]] = {}
    named = published()
    for number, name in enumerate(named, 1):
        if number % 5 == 0:
            told(f"published incidents: {number} of {len(named)}")
        case = load_case(name, kb)
        if case.panel not in engines:
            engines[case.panel] = engine_for(kb, case.panel)
        answer = answer_case(kb, case, engines[case.panel])
        if case.truth is not None:
            entry = (case, answer, place_of_truth(kb, case, answer))
            by_strength.setdefault(case.truth.strength, []).append(entry)
    for strength, meaning in STRENGTHS.items():
        entries = by_strength.get(strength, [])
        if not entries:
            continue
        for most, what in ((1, "the cause comes first"), (PLACES, f"the cause is among the first {PLACES}")):
            missed = [entry for entry in entries if not 0 < entry[2] <= most]
            # a second or third place is told, and so is any place where the truth is only inferred;
            # a cause that was shown and stands lower is a fault
            faults = sum(not 0 < place <= PLACES for *_, place in missed) if strength in SHOWN else 0
            misses = [_miss(kb, *entry) for entry in missed]
            yield Line(
                group=GROUP,
                what=f"{what} ({strength}: {meaning})",
                source="; ".join(sorted({_origin(case) for case, *_ in entries})),
                values=len(entries),
                right=len(entries) - len(misses),
                tolerance="first" if most == 1 else f"first {most}",
                misses=tuple(misses),
                expected_misses=len(misses) - faults,
            )


def _origin(case: CaseRecord) -> str:
    return case.source.split(";")[0].strip()


def _miss(kb: KnowledgeBase, case: CaseRecord, answer: Answer, place: int) -> str:
    truth = names(kb, case.truth.failures[0]) if case.truth and case.truth.failures else "unknown"
    first = answer.ranking[0]
    look_alike = all(kb.failures[f].kind is FailureKind.LOOK_ALIKE for f in first.failures)
    said = names(kb, first.failures) + (", no failure" if first.failures and look_alike else "")
    where = f"in place {place}" if place else "not listed"
    return (
        f"{case.title}: true was {truth}, {where}; first came {said} ({percent(first.posterior)}) "
        f"[{_origin(case)}]"
    )
