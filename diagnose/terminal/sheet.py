"""The worksheet without its screen: what is selected and typed, and what each key makes of it.

Pure transitions: every function gives a new sheet. The column in hand is the snapshot in hand of the
session, so that the lines and the worksheet always speak of the same one.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import msgspec

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import AsExpected, RestAsExpected, Statement, forms, readable
from diagnose.language.names import phrases
from diagnose.language.session import fewer_readings
from diagnose.model import Panel, System
from diagnose.model.errors import DiagnoseError
from diagnose.model.systems import CHECKS
from diagnose.terminal.commands import Desk, command_of, obey

#: lines that what is said of a change may take below the sheet
MOST_TOLD = 4
#: what no glance shows: somebody must have compared or watched
COMPARED = "compared or watched"
#: what feeds a gauge, in the order of the rows
FEEDS: Mapping[frozenset[System], str] = {
    frozenset({System.PITOT, System.STATIC}): "fed by pitot and static pressure",
    frozenset({System.STATIC}): "fed by static pressure",
    frozenset({System.VACUUM}): "fed by suction",
    frozenset({System.ELECTRICAL}): "fed by the electrical bus",
    frozenset({System.VACUUM, System.ELECTRICAL}): "fed by suction and the electrical bus",
    frozenset(): "independent",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of the sheet: a facet of a gauge, or the heading ``feed`` of those below."""

    facet: str = ""
    feed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What the worksheet shows. ``row`` counts all rows, headings too.

    ``typed``: letters typed into the cell so far. ``choice``: place among the cell's readings while one
    is being chosen, None otherwise. ``message``: the answer to the last key or command. ``page``: a long
    answer shown instead of the grid, ``top`` its first line. ``commanding``: the keys go to the line.
    """

    desk: Desk
    row: int = 1
    typed: str = ""
    choice: int | None = None
    message: str = ""
    page: tuple[str, ...] = ()
    top: int = 0
    commanding: bool = False

    @property
    def rows(self) -> tuple[Row, ...]:
        """All rows of the panel."""
        return _rows(self.desk.kb, self.desk.case.panel)

    @property
    def facet(self) -> str:
        """The facet of the selected row."""
        return self.rows[self.row].facet

    @property
    def options(self) -> tuple[str, ...]:
        """Readings of the selected facet."""
        return tuple(reading.id for reading in self.desk.kb.facet(self.facet).readings)


def _rows(kb: KnowledgeBase, panel_id: str) -> tuple[Row, ...]:
    return rows_of(kb, kb.panel(panel_id))


def rows_of(kb: KnowledgeBase, panel: Panel) -> tuple[Row, ...]:
    """The panel's facets under headings that say what feeds them; what is compared and what is checked comes last."""
    groups: dict[str, list[Row]] = {title: [] for title in FEEDS.values()}
    for gauge_id in panel.gauges:
        gauge = kb.gauges[gauge_id]
        if gauge.group == CHECKS:
            continue
        systems = frozenset(s for facet in gauge.facets for p in facet.parents for s in _system(kb, p))
        title = FEEDS.get(systems) or f"fed by {' and '.join(sorted(s.value for s in systems))}"
        for facet in gauge.facets:
            groups.setdefault(title if facet.glance else COMPARED, []).append(
                Row(facet=f"{gauge_id}.{facet.id}")
            )
    groups[COMPARED] = groups.pop(COMPARED, [])
    return tuple(row for title, rows in groups.items() if rows for row in (Row(feed=title), *rows))


def _system(kb: KnowledgeBase, parent: str) -> tuple[System, ...]:
    if parent in kb.memories:
        parent = kb.memories[parent].driver
    known = kb.sources.get(parent) or kb.parts.get(parent)
    feeding = (System.PITOT, System.STATIC, System.VACUUM, System.ELECTRICAL)
    return (known.system,) if known and known.system in feeding else ()


def label(kb: KnowledgeBase, facet: str, room: int) -> str:
    """A name for the row that fits: the first of the gauge's words with which all its facets of this kind do."""
    if facet in phrases().shown:
        return phrases().shown[facet]
    gauge_id, which = facet.split(".")
    gauge = kb.gauges[gauge_id]
    if len(gauge.facets) == 1:
        return gauge.words[0]
    glance = next(f.glance for f in gauge.facets if f.id == which)
    longest = max(len(readable(f.id)) for f in gauge.facets if f.glance is glance)
    fitting = [word for word in gauge.words if len(word) + 1 + longest <= room]
    shortest = min(gauge.words, key=len)
    return f"{(fitting or [shortest])[0]} {readable(which)}"


# ------------------------------------------------------------------ moving


def _settled(sheet: Sheet, **changes: object) -> Sheet:
    """The sheet with nothing half typed or half chosen."""
    plain = replace(sheet, typed="", choice=None, message="")
    return replace(plain, **changes)  # type: ignore[arg-type]


def move(sheet: Sheet, rows: int = 0, columns: int = 0) -> Sheet:
    """Go to another cell; headings are passed over."""
    listed, row = sheet.rows, sheet.row
    step = 1 if rows > 0 else -1
    for _ in range(abs(rows)):
        onward = row + step
        while 0 <= onward < len(listed) and not listed[onward].facet:
            onward += step
        if not 0 <= onward < len(listed):
            break
        row = onward
    return select(sheet, row, sheet.desk.session.now.at + columns)


def select(sheet: Sheet, row: int, column: int) -> Sheet:
    """Select a cell; a place outside the sheet gives the nearest."""
    sheet = _settled(sheet, row=row if 0 <= row < len(sheet.rows) and sheet.rows[row].facet else sheet.row)
    count = len(sheet.desk.case.snapshot)
    if not count:
        return sheet
    session = sheet.desk.session.look_at(max(0, min(column, count - 1)) + 1)
    return replace(sheet, desk=replace(sheet.desk, session=session))


def seek(sheet: Sheet, wanted: Collection[str]) -> Sheet:
    """Go to the first silent gauge of the last snapshot that is wanted."""
    if not sheet.desk.case.snapshot:
        return give(sheet, "")
    last = len(sheet.desk.case.snapshot) - 1
    for place, row in enumerate(sheet.rows):
        if row.facet in wanted and not reading_at(sheet, row.facet, last)[0]:
            return select(sheet, place, last)
    return _settled(sheet, message="No gauge is worth a look now (or that is still being worked out).")


# ------------------------------------------------------------------ a reading


def reading_at(sheet: Sheet, facet: str, column: int) -> tuple[str, str]:
    """The reading of a facet and its mark: "" sure, "?" unsure, "!" not this one, "~" filled in; else ("", "")."""
    snapshot = sheet.desk.case.snapshot[column]
    if facet in snapshot.readings:
        return snapshot.readings[facet], "~" if facet in snapshot.filled else ""
    if facet in snapshot.unsure:
        reading, sure = snapshot.unsure[facet]
        return reading, "?" if sure >= 0.5 else "!"
    return "", ""


def give(sheet: Sheet, reading: str, sure: float = 1.0) -> Sheet:
    """Put a reading into the selected cell; "" empties it."""
    sheet = _settled(sheet)
    if not sheet.desk.case.snapshot:
        return replace(sheet, message="Say first what was flown: climb, or straight and level")
    gauge, facet = sheet.facet.split(".")[0], sheet.facet
    snapshot = sheet.desk.session.snapshot
    # what "rest as expected" filled in for the gauge yields, as it does on the lines
    bare = fewer_readings(
        snapshot, lambda f: f == facet or (f in snapshot.filled and f.split(".")[0] == gauge)
    )
    if reading and sure < 1.0:
        bare = msgspec.structs.replace(bare, unsure={**bare.unsure, facet: (reading, sure)})
    elif reading:
        bare = msgspec.structs.replace(bare, readings={**bare.readings, facet: reading})
    return replace(sheet, desk=replace(sheet.desk, session=sheet.desk.session.with_snapshot(bare)))


def doubt(sheet: Sheet) -> Sheet:
    """Make the reading of the selected cell unsure, or sure again."""
    if not sheet.desk.case.snapshot:
        return sheet
    reading, mark = reading_at(sheet, sheet.facet, sheet.desk.session.now.at)
    if not reading or mark == "!":
        return _settled(sheet, message="There is no reading here to be unsure of.")
    return give(sheet, reading, 1.0 if mark == "?" else phrases().question)


def fill_in(sheet: Sheet, *, whole: bool) -> Sheet:
    """Fill in what the maneuver should give: for the gauge of the cell, or for all not spoken of."""
    statement: Statement = RestAsExpected() if whole else AsExpected(gauge=sheet.facet.split(".")[0])
    try:
        session = sheet.desk.session.say((statement,), sheet.desk.engine.network)
    except DiagnoseError as error:
        return _settled(sheet, message=str(error))
    return _settled(sheet, desk=replace(sheet.desk, session=session))


def fitting(sheet: Sheet, typed: str) -> tuple[str, ...]:
    """Readings of the selected facet that begin as typed; other words for them where none does."""
    facet = sheet.desk.kb.facet(sheet.facet)
    named = tuple(r.id for r in facet.readings if readable(r.id).startswith(typed))
    return named or tuple(
        reading.id
        for reading in facet.readings
        if any(form.startswith(typed) for form in forms(reading.id, reading.id, reading.words))
    )


def type_letter(sheet: Sheet, letter: str) -> Sheet:
    """A letter in the grid: the reading is taken as soon as only one begins so."""
    if not sheet.desk.case.snapshot:
        return give(sheet, "")
    typed = sheet.typed + letter.lower()
    found = fitting(sheet, typed)
    if (elsewhere := _beside(sheet, typed)) is not None:
        # "ri" on the row of the value: the trend is what rises
        there = select(sheet, elsewhere, sheet.desk.session.now.at)
        after = type_letter(replace(there, typed=sheet.typed), letter)
        return replace(after, message=f"That is the row {label_of(sheet.rows[elsewhere].facet)}.")
    if not found:
        told = f"no reading begins with {typed!r}: {', '.join(map(readable, sheet.options))}"
        return _settled(sheet, message=told)
    if len(found) > 1:
        return replace(sheet, typed=typed, choice=sheet.options.index(found[0]), message="")
    before = reading_at(sheet, sheet.facet, sheet.desk.session.now.at)
    after = sheet if before == (found[0], "") else give(sheet, found[0])
    return replace(after, typed=typed, choice=None, message="")


def _beside(sheet: Sheet, typed: str) -> int | None:
    """The row of the same gauge whose readings begin as typed, where none of this row does by its own name."""

    def named(facet: str) -> bool:
        readings = sheet.desk.kb.facet(facet).readings
        return any(readable(r.id).startswith(typed) for r in readings)

    if named(sheet.facet):
        return None
    gauge = sheet.facet.split(".")[0]
    rows = [
        place
        for place, row in enumerate(sheet.rows)
        if row.facet.split(".")[0] == gauge and row.facet != sheet.facet
    ]
    return next((place for place in rows if named(sheet.rows[place].facet)), None)


def label_of(facet: str) -> str:
    """A facet as words: "airspeed trend"."""
    return readable(facet.replace(".", " "))


def open_choice(sheet: Sheet) -> Sheet:
    """Offer the readings of the selected cell, beginning with the one that stands there."""
    if not sheet.desk.case.snapshot:
        return give(sheet, "")
    reading, _ = reading_at(sheet, sheet.facet, sheet.desk.session.now.at)
    return _settled(sheet, choice=sheet.options.index(reading) if reading else 0)


def step_choice(sheet: Sheet, by: int) -> Sheet:
    """Go on among the readings offered; while letters are typed, among those that fit."""
    if sheet.choice is None:
        return sheet
    options = [sheet.options.index(r) for r in fitting(sheet, sheet.typed)] or list(range(len(sheet.options)))
    place = options.index(sheet.choice) if sheet.choice in options else 0
    return replace(sheet, choice=options[(place + by) % len(options)])


def take_choice(sheet: Sheet) -> Sheet:
    """Take the reading that is offered, or open the choice."""
    return open_choice(sheet) if sheet.choice is None else give(sheet, sheet.options[sheet.choice])


def leave(sheet: Sheet) -> Sheet:
    """Escape: close what is open, the innermost first."""
    if sheet.page:
        return replace(sheet, page=(), top=0)
    if sheet.choice is not None or sheet.typed or sheet.message:
        return _settled(sheet)
    return replace(sheet, commanding=False)


def scroll(sheet: Sheet, by: int, room: int) -> Sheet:
    """Move through a long answer."""
    return replace(sheet, top=max(0, min(sheet.top + by, len(sheet.page) - room)))


# ------------------------------------------------------------------ commands


def tells(line: str) -> bool:
    """Whether a line is a command whose answer may take a while."""
    command = command_of(line.strip().split(" ")[0]) if line.strip() else None
    return bool(command and command.tells)


def command_line(sheet: Sheet, line: str) -> Sheet:
    """Carry out a line of the prompt; what it says stands in the message, or on a page if it is long."""
    try:
        desk, text = obey(sheet.desk, line)
    except DiagnoseError as error:
        return _settled(sheet, message=str(error))
    told = " ".join(text.split())
    if desk.case != sheet.desk.case and len(told) <= MOST_TOLD * (desk.width - 2):
        # the sheet shows what has changed, and a page would hide it
        return _settled(_on(sheet, desk), message=told)
    return show(_settled(_on(sheet, desk)), text)


def _on(sheet: Sheet, desk: Desk) -> Sheet:
    """The sheet on a changed desk; the same gauge stays selected if the panel still has it."""
    rows = _rows(desk.kb, desk.case.panel)
    places = [place for place, row in enumerate(rows) if row.facet]
    same = [place for place in places if rows[place].facet == sheet.facet]
    near = min(places, key=lambda place: abs(place - sheet.row))
    return replace(sheet, desk=desk, row=same[0] if same else near)


def command_lines(sheet: Sheet, text: str) -> Sheet:
    """Carry out pasted lines, up to the first that is not understood."""
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        try:
            desk, told = obey(sheet.desk, line)
        except DiagnoseError as error:
            return _settled(sheet, message=f"line {number}: {error}")
        sheet = replace(_on(sheet, desk), message=told.splitlines()[0] if told else "")
    return sheet


def show(sheet: Sheet, text: str) -> Sheet:
    """Show what a command says."""
    lines = tuple(text.splitlines())
    if len(lines) > 2:
        return replace(sheet, page=lines, top=0, message="", commanding=False)
    return replace(sheet, message=" ".join(line.strip() for line in lines))
