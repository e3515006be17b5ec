"""The desk that the commands of the prompt work on, and what a command is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from diagnose import answer_case
from diagnose.answer import Answer
from diagnose.errors import CaseError
from diagnose.inference import Engine
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord
from diagnose.network import compile_network
from diagnose.session import Session, case_problems
from diagnose.text import table
from diagnose.words import readable


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What is on the table: knowledge, the session, the last answer, and the engines built so far."""

    kb: KnowledgeBase
    session: Session = field(default_factory=Session)
    width: int = 80
    answered: Answer | None = None
    engines: dict[str, Engine] = field(default_factory=dict)
    done: bool = False

    @property
    def case(self) -> CaseRecord:
        """The case under construction."""
        return self.session.case

    @property
    def engine(self) -> Engine:
        """The engine of the case's panel, built once."""
        if self.case.panel not in self.engines:
            self.engines[self.case.panel] = Engine(compile_network(self.kb, self.case.panel))
        return self.engines[self.case.panel]

    def answer(self) -> Answer:
        """The answer for the case as it stands."""
        return answer_case(self.kb, self.case, self.engine)

    def change(self, **fields: object) -> Desk:
        """Change fields of the case. Raises CaseError if what was read no longer fits."""
        session = self.session.change(**fields)
        problems = case_problems(session.case, self.kb)
        if problems:
            raise CaseError("; ".join(problems), mend="take that back first (commands: forget, undo)")
        return replace(self, session=session)


Run = Callable[[Desk, str], tuple[Desk, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One command: its name, other words for it, how to write it, what it does, and an example."""

    name: str
    also: tuple[str, ...] = ()
    usage: str
    help: str
    more: str
    run: Run


def command(
    run: Run, name: str, arguments: str, text: str, more: str = "", also: tuple[str, ...] = ()
) -> Command:
    """Describe a command; ``also`` are other words for it."""
    usage = f"{name} {arguments}".strip()
    return Command(name=name, also=also, usage=usage, help=text, more=more, run=run)


def marked(desk: Desk, entries: Iterable[tuple[str, str]], chosen: Sequence[str]) -> str:
    """A table of entries in which the chosen ones carry a star."""
    rows = ((f"  {'*' if entry in chosen else ' '} {readable(entry)}", text) for entry, text in entries)
    return table(rows, desk.width)
