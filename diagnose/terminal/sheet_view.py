"""What the worksheet looks like: a pure function from the sheet and the size to styled lines.

Nothing is told by color alone: the selected cell stands in brackets, "~" marks what was filled in, "?"
what is unsure, and before each gauge "+" means use, "?" verify, "x" cover.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial

from diagnose.language import readable
from diagnose.model import Grade
from diagnose.model.answer import Answer, LookAdvice
from diagnose.render.advice import look_lines
from diagnose.render.layout import chance_words
from diagnose.render.text import GRADE_WORDS, NARROWEST, NO_FAILURE, causes, screen_rows, short_name
from diagnose.terminal.sheet import Sheet, fitting, label, reading_at

#: narrower than this there is no room for the ranking beside the grid, and it goes below
SIDE_BY_SIDE = 74
#: from this width on labels, cells and the ranking get more room
WIDE = 120
CELL = 13
#: looks shown beside the grid, if there is room
MOST_LOOKS = 3
MARKS = {Grade.USE: "+", Grade.VERIFY: "?", Grade.COVER: "x"}
GRADE_STYLES = {Grade.USE: "class:use", Grade.VERIFY: "class:verify", Grade.COVER: "class:cover"}
KEYS = (
    "F4 leave",
    "F1 help",
    ": say more",
    "type a reading",
    "Enter choose",
    "> look next",
    "?: unsure",
    "Del: empty",
    "=: as expected",
    "*: the rest too",
)
FIRST_STEPS = (
    "Type what was flown and press Enter: climb, or straight and level.",
    "Then go to a cell with arrow keys or mouse and type what the gauge did.",
    "Conditions: press : and say them, such as icing, or just washed.",
    "The answer beside the sheet follows every change. F1 all keys, F4 leaves.",
)
HELP = """Rows are gauges by what feeds them; columns are moments.

F4, Ctrl-D        leave the worksheet; the case stays
:                 say more: icing; washed; moment climb; rank
arrows, mouse     go to a cell; left and right change the moment
letters           type a reading; it is taken as soon as it is clear
Enter, Space      choose a reading with the arrow keys
?                 make the reading unsure, or sure again
Del, Backspace    empty the cell: the gauge was not looked at
=                 the gauge looked as expected in this maneuver
*                 so did all other dials not spoken of
>                 go to the gauge that is most worth a look
Ctrl-Z, Ctrl-Y    undo, redo
Ctrl-C, Esc       drop what is half typed
F10               leave the program; an unsaved case is kept

Before a gauge: + use, ? cross-check, x cover it.
In a cell: ~ filled in, ? unsure, != disagrees with that gauge.
Pasted lines are read as lines of the prompt.""".splitlines()


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A run of text with its style; ``action`` says what a click on it means: kind, row, column."""

    text: str
    style: str = ""
    action: tuple[str, int, int] | None = None


Line = tuple[Piece, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What was worked out behind the screen; ``stale``: the case has changed since.

    ``looks``: what is worthwhile now, the best first; they come after the answer (``looks_stale``).
    """

    answer: Answer | None = None
    problem: str = ""
    looks: tuple[LookAdvice, ...] = ()
    why: str = ""
    stale: bool = False
    looks_stale: bool = False

    @property
    def wanted(self) -> tuple[str, ...]:
        """Facets that the best look at the panel reads; none while that is worked out."""
        best = next((look.facets for look in self.looks if look.kind == "read"), ())
        return () if self.looks_stale else best


def view(sheet: Sheet, shown: Shown, width: int, height: int) -> list[Line]:
    """The whole screen but for the command line: ``height`` lines of ``width`` columns."""
    width, height = max(width, 20), max(height, 6)
    lines: list[Line] = [(Piece(text=_fit(_title(sheet, shown), width), style="class:title"),)]
    foot = _foot(sheet, shown, width, 1 if sheet.page else 4 if height >= 16 else 2)
    room = height - len(lines) - len(foot)
    if sheet.page:
        lines += _page(sheet, width, room)
    elif not sheet.desk.case.snapshot:
        lines += _first_steps(width, room)
    elif width >= SIDE_BY_SIDE:
        side = width * 2 // 5 if width >= WIDE else 33
        grid = _grid(sheet, shown, width - side - 2, room)
        beside = _side(sheet, shown, side, room)
        between = Piece(text="| ", style="class:line")
        lines += [(*left, between, *right) for left, right in zip(grid, beside, strict=True)]
    else:
        below = _strip(sheet, shown, width, min(4, max(room - 6, 1)))
        lines += [*_grid(sheet, shown, width, room - len(below)), *below]
    return [*lines, *foot]


def _fit(text: str, width: int) -> str:
    """Text of exactly this width, with a sign where it was cut."""
    return f"{text:<{width}}" if len(text) <= width else text[: max(width - 1, 0)] + "…"


def _title(sheet: Sheet, shown: Shown) -> str:
    case = sheet.desk.case
    parts = ["WHAT IF (keep or drop)"] if sheet.desk.session.now.base else []
    parts += [readable(case.panel), f"odds: {case.setting}", case.title]
    parts[2:2] = [", ".join(map(readable, case.context))] if case.context else []
    return " " + " | ".join(parts)


def _first_steps(width: int, room: int) -> list[Line]:
    lines = [line for text in FIRST_STEPS for line in textwrap.wrap(text, width - 2) or [""]]
    listed: list[Line] = [(Piece(text=_fit(f" {line}", width)),) for line in ["", *lines]]
    blank: Line = (Piece(text=" " * width),)
    return (listed + [blank] * room)[:room]


def _page(sheet: Sheet, width: int, room: int) -> list[Line]:
    shown = sheet.page[sheet.top : sheet.top + room - 1]
    more = len(sheet.page) - sheet.top - len(shown)
    end = f"-- {more} more lines below: arrow down; Esc: back --" if more else "-- Esc: back to the sheet --"
    lines = [*shown, *[""] * (room - 1 - len(shown)), end]
    return [(Piece(text=_fit(line, width)),) for line in lines]


# ------------------------------------------------------------------ the grid


def _grid(sheet: Sheet, shown: Shown, width: int, room: int) -> list[Line]:
    """Gauges and snapshots; scrolled so that the selected cell is seen."""
    left = 30 if width >= WIDE * 3 // 5 else 19 if width >= 45 else max(width - CELL, 7)
    fitting = max((width - left) // CELL, 1)
    count, at = len(sheet.desk.case.snapshot), sheet.desk.session.now.at
    first = max(0, min(at - fitting // 2, count - fitting))
    columns = range(first, min(first + fitting, count))
    rows = sheet.rows
    top = _top(len(rows), sheet.row, room - 1)
    grades = {t.gauge: t.grade for t in shown.answer.trust} if shown.answer else {}
    used = left + CELL * len(columns)
    rest = Piece(text=" " * (width - used))
    lines: list[Line] = [(Piece(text=" " * left), *_heads(sheet, columns, first, count), rest)]
    for place in range(top, min(top + room - 1, len(rows))):
        row = rows[place]
        if not row.facet:
            lines.append((Piece(text=_fit(row.feed.upper(), width), style="class:group"),))
            continue
        grade = grades.get(row.facet.split(".")[0])
        mark = MARKS[grade] if grade else " "
        style = GRADE_STYLES[grade] if grade else ""
        wanted = row.facet in shown.wanted
        cells = [_cell(sheet, place, row.facet, c, wanted and c + 1 == count) for c in columns]
        called = label(sheet.desk.kb, row.facet, left - 3)
        name = Piece(text=_fit(called, left - 3) + " ", action=("cell", place, at))
        lines.append((Piece(text=f"{mark} ", style=style), name, *cells, rest))
    blank: Line = (Piece(text=" " * width),)
    return (lines + [blank] * room)[:room]


def _top(count: int, row: int, room: int) -> int:
    """First row shown: the selected one stands in the middle where the rows do not all fit."""
    return max(0, min(row - room // 2, count - room))


def _heads(sheet: Sheet, columns: range, first: int, count: int) -> Iterable[Piece]:
    for column in columns:
        snapshot = sheet.desk.case.snapshot[column]
        hand = column == sheet.desk.session.now.at
        text = f"{column + 1} {readable(snapshot.manoeuvre)}"
        text = f"<{text}" if column == first > 0 else text
        beyond = column == columns[-1] and column + 1 < count
        shown = _fit(text, CELL - 2) + ("> " if beyond else "  ")
        yield Piece(
            text=shown, style="class:hand" if hand else "class:head", action=("cell", sheet.row, column)
        )


def _cell(sheet: Sheet, row: int, facet: str, column: int, wanted: bool) -> Piece:
    reading, mark = reading_at(sheet, facet, column)
    text = readable(reading)
    selected = row == sheet.row and column == sheet.desk.session.now.at and not sheet.commanding
    if selected and sheet.choice is not None:
        text, mark = readable(sheet.options[sheet.choice]), ""
    text = {"~": f"~{text}", "?": f"{text}?", "!": f"not {text}"}.get(mark, text)
    if not text:
        gauge = facet.split(".")[0]
        pairs = sheet.desk.case.snapshot[column].disagree
        others = [o for pair in pairs if gauge in pair for o in pair if o != gauge]
        text = f"!={sheet.desk.kb.gauges[others[0]].words[0]}" if others else "> look" if wanted else "."
    style = "class:filled" if mark == "~" else "class:reading" if reading else "class:silent"
    if selected:
        return Piece(text=f"[{_fit(text, CELL - 3)}] ", style="class:selected", action=("cell", row, column))
    return Piece(text=f" {_fit(text, CELL - 2)} ", style=style, action=("cell", row, column))


# ------------------------------------------------------------------ the ranking beside it


def _head(text: str, width: int, stale: bool) -> Line:
    return (Piece(text=_fit(f"{text} {'(old: working...)' if stale else ''}", width), style="class:group"),)


def _ranking(sheet: Sheet, shown: Shown, width: int, most: int) -> list[Line]:
    if shown.problem:
        return [
            (Piece(text=_fit(line, width), style="class:cover"),)
            for line in textwrap.wrap(shown.problem, width)
        ]
    if shown.answer is None:
        return [(Piece(text=_fit("working..." if shown.stale else "nothing said yet", width)),)]
    kb = sheet.desk.kb
    lines: list[Line] = []
    for place, cause in enumerate(causes(shown.answer, kb)[:most]):
        if place and cause.chance < kb.first_screen.least_else:
            break
        said = f"{chance_words(cause.chance, kb)}: {cause.name or NO_FAILURE}"
        texts = textwrap.wrap(said, max(width - 2, 8), subsequent_indent="  ")[:2]
        style = "class:stale" if shown.stale else "" if place else "class:first"
        lines += [(Piece(text=_fit(f"  {text}", width), style=style),) for text in texts]
    return lines


def _side(sheet: Sheet, shown: Shown, width: int, room: int) -> list[Line]:
    """Ranking, trust and next looks in a column; the ranking gives way if there is no room."""
    most = 10 if room > 30 else 4
    ranking, trust, looks = (
        _ranking(sheet, shown, width, most),
        _trust(sheet, shown, width, 3),
        _looks(sheet, shown, width),
    )
    looks = looks if room > 30 else looks[:4]
    do = _to_do(sheet, shown, width)
    if len(ranking) + len(trust) + len(do) + len(looks) < room:
        trust = [*do, *trust]
    elif len(ranking) + len(trust) + len(looks) >= room:
        trust = _trust(sheet, shown, width, 1)[:5]
    ranking = ranking[: max(room - len(trust) - len(looks) - 1, 3)]
    head = _head("WHAT HAS FAILED", width, shown.stale and shown.answer is not None)
    blank: Line = (Piece(text=" " * width),)
    return ([head, *ranking, *trust, *looks] + [blank] * room)[:room]


def _to_do(sheet: Sheet, shown: Shown, width: int) -> list[Line]:
    """What to do and what to fly by, as the first screen says it."""
    if shown.answer is None:
        return []
    rows = dict(screen_rows(shown.answer, sheet.desk.case, sheet.desk.kb))
    lines = []
    for head in ("DO", "FLY BY"):
        if head in rows:
            texts = textwrap.wrap(rows[head], width - 2)
            lines += [
                _head(head, width, shown.stale),
                *_plain(texts, width, "class:stale" if shown.stale else ""),
            ]
    return lines


def _trust(sheet: Sheet, shown: Shown, width: int, most_of_use: int) -> list[Line]:
    if shown.answer is None:
        return []
    lines = [_head("TRUST", width, shown.stale)]
    kb = sheet.desk.kb
    for grade in (Grade.COVER, Grade.VERIFY, Grade.USE):
        chosen = [kb.gauges[t.gauge] for t in shown.answer.trust if t.grade is grade]
        listed = ", ".join(short_name(gauge) for gauge in chosen if gauge.instrument)
        if listed:
            lead = f"{MARKS[grade]} {GRADE_WORDS[grade]}"
            texts = textwrap.wrap(listed, max(width - 10, 8))
            most = most_of_use if grade is Grade.USE else 3
            texts = [*texts[: most - 1], texts[most - 1][: width - 12] + " …"] if len(texts) > most else texts
            first = (
                Piece(text=f"{lead:<10}", style=GRADE_STYLES[grade]),
                Piece(text=_fit(texts[0], width - 10)),
            )
            lines += [first, *((Piece(text=_fit(f"{'':10}{text}", width)),) for text in texts[1:])]
    return lines


def _looks(sheet: Sheet, shown: Shown, width: int) -> list[Line]:
    """What to look at next; where there is room each with what would follow from it."""
    stale = shown.stale or shown.looks_stale
    style = "class:stale" if stale else ""
    if shown.answer and shown.answer.upset and not stale:
        texts = textwrap.wrap(f"{shown.answer.upset}: see 'fly'", width - 2)
        return [_head("RECOVER FIRST", width, False), *_plain(texts, width, "class:cover")]
    if not shown.looks:
        return []
    kb, texts = sheet.desk.kb, []
    for number, look in enumerate(shown.looks[:MOST_LOOKS], 1):
        lead = f"{number}. "
        if width >= NARROWEST + 2:
            texts += [
                line
                for text in look_lines(look, kb, width - 2, lead, partial(chance_words, kb=kb))
                for line in text.splitlines()
            ]
        else:
            texts += textwrap.wrap(look.name, width - 2, initial_indent=lead, subsequent_indent="   ")
    return [_head("LOOK NEXT", width, stale), *_plain(texts, width, style)]


def _plain(texts: Iterable[str], width: int, style: str) -> list[Line]:
    return [(Piece(text=_fit(f"  {text}", width), style=style),) for text in texts]


def _strip(sheet: Sheet, shown: Shown, width: int, most: int) -> list[Line]:
    """What to ignore and the ranking, below a narrow grid."""
    head = _head("WHAT HAS FAILED", width, shown.stale and shown.answer is not None)
    kb, trust = sheet.desk.kb, shown.answer.trust if shown.answer else ()
    lines: list[Line] = []
    for grade, lead in ((Grade.COVER, "IGNORE"), (Grade.VERIFY, "CHECK")):
        bad = [
            short_name(kb.gauges[t.gauge])
            for t in trust
            if t.grade is grade and kb.gauges[t.gauge].instrument
        ]
        if bad:
            text = f"{MARKS[grade]} {lead}: {', '.join(bad)}"
            lines.append((Piece(text=_fit(text, width), style=GRADE_STYLES[grade]),))
    return [*lines, head, *_ranking(sheet, shown, width, most)][: most + 1]


# ------------------------------------------------------------------ the foot


def _foot(sheet: Sheet, shown: Shown, width: int, room: int) -> list[Line]:
    """Why the selected reading matters, what can be chosen, and the answer to the last key."""
    texts: list[tuple[str, str]] = []
    if sheet.desk.case.snapshot and not sheet.page:
        if sheet.choice is not None or sheet.typed:
            texts.append((_choices(sheet), "class:choice"))
        matters = "" if shown.stale else shown.why
        texts.append((f"why: {matters or '...'}", ""))
    if sheet.message:
        texts.insert(0, (sheet.message, "class:message"))
    wrapped = [(line, style) for text, style in texts for line in textwrap.wrap(text, width - 2) or [""]]
    if len(wrapped) > room:
        wrapped = [*wrapped[: room - 1], (wrapped[room - 1][0][: width - 4] + " …", wrapped[room - 1][1])]
    wrapped = (wrapped + [("", "")] * room)[:room]
    return [(Piece(text=_fit(f" {line}", width), style=style),) for line, style in wrapped]


def _choices(sheet: Sheet) -> str:
    chosen = sheet.options[sheet.choice] if sheet.choice is not None else ""
    listed = [f"[{readable(o)}]" if o == chosen else readable(o) for o in fitting(sheet, sheet.typed)]
    means = next((r.means for r in sheet.desk.kb.facet(sheet.facet).readings if r.id == chosen), "")
    return f"{'  '.join(listed)}   {f'= {means}' if means else ''}"


def keys_line(sheet: Sheet, width: int) -> str:
    """The line of keys; as many as fit."""
    if sheet.commanding:
        return _fit(" Enter: carry out   Tab: complete   Esc: back to the sheet", width)
    line = ""
    for key in KEYS:
        if len(line) + len(key) + 2 <= width:
            line += f" {key} "
    return _fit(line, width)
