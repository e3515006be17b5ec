"""The desk that the commands of the prompt work on, and what a command is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from diagnose import Looks, answer_case, engine_for
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable
from diagnose.language.case_files import case_problems
from diagnose.language.session import Session, State
from diagnose.model import CaseRecord
from diagnose.model.answer import Answer
from diagnose.model.errors import CaseError
from diagnose.render.text import PLAIN, flattened, table

if TYPE_CHECKING:
    # numpy comes with it, and the prompt should be there before
    from diagnose.network.engine import Engine


#: wide enough that nothing is wrapped
UNWRAPPED = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What an earlier prompt left on the table: when, and where it is kept."""

    state: State
    when: str
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """Where the guided entry stands: the open question, what was asked, and the way back.

    ``facet`` is the gauge's facet that is asked for, ``skipped`` those asked already, ``count`` how many
    of them; ``held``: a sentence that waits for what was flown; ``trail`` the state and the question (without a trail of its own) before each answer.
    """

    step: Literal["panel", "flown", "seen", "conditions", "facet"]
    facet: str = ""
    skipped: frozenset[str] = frozenset()
    count: int = 0
    held: str = ""
    trail: tuple[tuple[State, Guide], ...] = ()


def never_taken_in(guide: Guide) -> str:
    """Say that what was held is lost, and how to say it so that it counts."""
    lead = f"Not taken in, as nothing says what was flown: {guide.held}."
    return f"{lead} Say both together: in level flight {guide.held}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What is on the table: knowledge, the session, the last answer, and the engines built so far.

    ``width`` is that of the text, 0 for plain text (one statement a line, nothing aligned). Somebody is
    there to be asked when ``asks``; ``pending`` is the line that waits for a yes. ``left``: what earlier
    prompts have left behind. ``later``: the ranking is worked out elsewhere, so that no command waits
    for it. ``face``: where the next line comes from. ``guide``: the guided entry, if it is asking;
    ``guided``: where it stood before the answer that ended it. ``taken``: what was heard of the last story.
    """

    kb: KnowledgeBase
    session: Session = field(default_factory=Session)
    width: int = 80
    answered: Answer | None = None
    engines: dict[str, Engine] = field(default_factory=dict)
    done: bool = False
    asks: bool = False
    pending: str = ""
    left: tuple[Left, ...] = ()
    later: bool = False
    face: Literal["lines", "worksheet"] = "lines"
    guide: Guide | None = None
    guided: Guide | None = None
    taken: str = ""

    @property
    def case(self) -> CaseRecord:
        """The case under construction."""
        return self.session.case

    @property
    def engine(self) -> Engine:
        """The engine of the case's panel, built once."""
        if self.case.panel not in self.engines:
            self.engines[self.case.panel] = engine_for(self.kb, self.case.panel)
        return self.engines[self.case.panel]

    def page(self, text: Callable[[int], str]) -> str:
        """A page that is set out for a width; in plain text each line of it as one statement."""
        return flattened(text(UNWRAPPED)) if self.width == PLAIN else text(self.width)

    def answer(self, looks: Looks = "here") -> Answer:
        """The answer for the case as it stands, with the looks that can be had where it ends, or all."""
        return answer_case(self.kb, self.case, self.engine, looks=looks)

    def taken_with(self, said: str) -> str:
        """What was taken in of this case so far, with what was said now; nothing of a case before it."""
        return "\n".join(filter(None, (self.taken if self.case.snapshot else "", said)))

    def change(self, **fields: object) -> Desk:
        """Change fields of the case. Raises CaseError if what was read no longer fits."""
        return self.on(self.session.change(**fields))

    def on(self, session: Session) -> Desk:
        """Go on with a changed session. Raises CaseError if what was read no longer fits."""
        problems = case_problems(session.case, self.kb)
        if problems:
            raise CaseError("; ".join(problems), mend="take that back first (commands: forget, undo)")
        return replace(self, session=session)


Run = Callable[[Desk, str], tuple[Desk, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One command: its name, other words for it, how to write it, what it does, and an example.

    One that ``puts_away`` the case asks first if the case stands in no file. What one that ``tells`` says
    may take a while; it changes at most numbers for what it says. After one that is ``ranked`` the ranking is shown again if the
    case has changed; a ``way_out`` cannot be refused because the readings contradict each other.
    """

    name: str
    also: tuple[str, ...] = ()
    usage: str
    help: str
    more: str
    run: Run
    puts_away: bool = False
    tells: bool = False
    ranked: bool = False
    way_out: bool = False


def command(
    run: Run, name: str, arguments: str, text: str, more: str = "", also: tuple[str, ...] = (), **nature: bool
) -> Command:
    """Describe a command; ``also`` are other words for it, ``nature`` its marks (see ``Command``)."""
    usage = f"{name} {arguments}".strip()
    return Command(name=name, also=also, usage=usage, help=text, more=more, run=run, **nature)


def marked(desk: Desk, entries: Iterable[tuple[str, str]], chosen: Sequence[str]) -> str:
    """A table of entries in which the chosen ones carry a star."""
    rows = ((f"  {'*' if entry in chosen else ' '} {readable(entry)}", text) for entry, text in entries)
    return table(rows, desk.width)
