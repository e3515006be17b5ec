"""Commands that hand the case on: the whole report as a page, and the write-up for maintenance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.language.session import says_anything
from diagnose.model.errors import CaseError
from diagnose.model.files import check_output, write_whole
from diagnose.terminal.commands.desk import Command, Desk, command
from diagnose.terminal.commands.files import new_file

if TYPE_CHECKING:
    from diagnose.model.answer import Answer
    from diagnose.render.pages.writeup import WriteUp


def _report(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        raise CaseError("a report under which file name?", mend="report tuesday")
    path, over = new_file(text, ".html", "report")
    sources = [desk.session.path] if desk.session.path else []
    check_output(path, over=over, sources=sources, what="report")
    # numpy comes with these, and the prompt should be there before
    from diagnose.render.pages.whole import case_page

    answer, up = _written_up(desk)
    page = case_page(desk.case, answer, desk.engine, up)
    write_whole(page, path, "report", over=over, sources=sources)
    return desk, f"Written: {path} (one page with everything in it; any browser shows and prints it)"


def _writeup(desk: Desk, _: str) -> tuple[Desk, str]:
    from diagnose.render.pages.writeup import write_up_text

    up = _written_up(desk)[1]
    return desk, desk.page(lambda width: write_up_text(up, width)).rstrip()


def _written_up(desk: Desk) -> tuple[Answer, WriteUp]:
    """The answer and the write-up. Raises CaseError while nothing has been said."""
    if not says_anything(desk.case):
        raise CaseError("nothing has been said yet", mend="say what the gauges showed (or be asked: guide)")
    from diagnose.render.pages.writeup import write_up_case

    answer = desk.answer("")
    return answer, write_up_case(desk.engine, desk.case, answer)


REPORTS: tuple[Command, ...] = (
    command(
        _report,
        "report",
        "FILE",
        "write the whole report of the case as a page, to read, print and hand on",
        "A file that is there already is not written over, except by 'report FILE over'.",
        ("export",),
        tells=True,
    ),
    command(
        _writeup,
        "writeup",
        "",
        "the case as a discrepancy for maintenance: what was seen, in order, and what to inspect",
        "On paper: report FILE.",
        tells=True,
    ),
)
