"""The worksheet on the screen: keys and mouse to the pure sheet, its view to the terminal."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from prompt_toolkit.application import Application
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.completion import Completer, Completion
from prompt_toolkit.document import Document
from prompt_toolkit.filters import Condition
from prompt_toolkit.formatted_text import StyleAndTextTuples
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.keys import Keys
from prompt_toolkit.layout import (
    BufferControl,
    CompletionsMenu,
    Float,
    FloatContainer,
    FormattedTextControl,
    HSplit,
    Layout,
    Window,
)
from prompt_toolkit.layout.processors import BeforeInput
from prompt_toolkit.mouse_events import MouseEvent, MouseEventType
from prompt_toolkit.output import ColorDepth
from prompt_toolkit.styles import Style

from diagnose import answer_case
from diagnose.language.session import says_anything
from diagnose.model.answer import Answer, LookAdvice
from diagnose.model.errors import DiagnoseError
from diagnose.render.advice import worth_while
from diagnose.terminal import sheet as moves
from diagnose.terminal.commands import Desk
from diagnose.terminal.commands.asking import why
from diagnose.terminal.commands.guide import put
from diagnose.terminal.screen import complete
from diagnose.terminal.sheet import Sheet
from diagnose.terminal.sheet_view import HELP, Shown, keys_line, view

# ------------------------------------------------------------------ work behind the screen, so that no key waits for it: of each kind only the latest job counts


#: a job's parts, one after the other; each gives what is to be shown
Parts = Callable[[], Iterator[Any]]
#: takes what a job gave: kind, key, value
Deliver = Callable[[str, Any, Any], None]


class Background:
    """One thread that carries out the latest job of each kind; an overtaken job ends at its next part.

    What goes wrong in a job is delivered like a value. Jobs of one ``Background`` never run at once, so
    they may share an engine.
    """

    def __init__(self, deliver: Deliver) -> None:
        self._deliver = deliver
        self._changed = threading.Condition()
        self._jobs: dict[str, tuple[Any, Parts]] = {}
        self._latest: dict[str, Any] = {}
        self._running = ""
        self._ended = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def submit(self, kind: str, key: Any, parts: Parts) -> None:
        """Ask for a job; an earlier one of this kind no longer counts."""
        with self._changed:
            self._jobs[kind] = (key, parts)
            self._latest[kind] = key
            self._changed.notify_all()

    def wait(self, seconds: float = 60.0) -> bool:
        """Wait until nothing is left to do; False if that takes too long."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._jobs and not self._running, seconds)

    def end(self) -> None:
        """Take no more jobs; what is running ends at its next part."""
        with self._changed:
            self._ended = True
            self._jobs.clear()
            self._latest.clear()
            self._changed.notify_all()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._running = ""
                self._changed.notify_all()
                self._changed.wait_for(lambda: bool(self._jobs) or self._ended)
                if self._ended:
                    return
                kind = next(iter(self._jobs))
                key, parts = self._jobs.pop(kind)
                self._running = kind
            try:
                for value in parts():
                    if self._latest.get(kind) != key or self._ended:
                        break
                    self._deliver(kind, key, value)
            except Exception as error:
                if self._latest.get(kind) == key:
                    self._deliver(kind, key, error)


#: names of the terminal's own colors: they suit dark and light grounds alike, and the signs say the same
COLOURS = {
    "title": "reverse",
    "group": "bold ansiblue",
    "hand": "bold underline",
    "head": "bold",
    "selected": "reverse",
    "filled": "italic",
    "use": "ansigreen",
    "verify": "ansimagenta",
    "cover": "bold ansired",
    "first": "bold",
    "stale": "italic",
    "choice": "bold",
    "message": "bold",
    "keys": "reverse",
    "completion-menu": "reverse",
}

Keep = Callable[[Desk, Desk], str]


@dataclass
class Worksheet:
    """The running worksheet: the sheet now, what was worked out, and the work behind it."""

    sheet: Sheet
    keep: Keep
    shown: Shown = field(default_factory=Shown)
    app: Application[None] | None = None
    loop: asyncio.AbstractEventLoop | None = None

    def __post_init__(self) -> None:
        self.work = Background(self.deliver)
        self.line = Buffer(
            completer=_Words(self), complete_while_typing=True, multiline=False, accept_handler=self.accept
        )

    # -------------------------------------------------------------- change and background

    def become(self, sheet: Sheet) -> None:
        """Take over a changed sheet: keep it, and have the ranking worked out anew."""
        before, self.sheet = self.sheet, sheet
        problem = self.keep(before.desk, sheet.desk)
        if problem:
            self.sheet = replace(sheet, message=problem)
        if before.desk.case != sheet.desk.case:
            self.shown = replace(self.shown, stale=True, looks_stale=True, why="")
            self.rank()
        elif (before.row, before.desk.session.now.at) != (sheet.row, sheet.desk.session.now.at):
            self.shown = replace(self.shown, why="")
            self.matter()
        if self.app and (sheet.desk.done or sheet.desk.face == "lines"):
            self.app.exit()
        elif self.app:
            self.app.layout.focus(self.line if sheet.commanding else self.grid)

    def rank(self) -> None:
        """Work out the answer, why the selected reading matters, and what to look at next."""
        desk = self.sheet.desk

        def answer() -> Iterator[Answer | None]:
            yield answer_case(desk.kb, desk.case, desk.engine) if says_anything(desk.case) else None

        def looks() -> Iterator[tuple[LookAdvice, ...]]:
            given = answer_case(desk.kb, desk.case, desk.engine, looks="here") if desk.case.snapshot else None
            yield worth_while(given, desk.kb) if given else ()

        self.work.submit("answer", desk.case, answer)
        self.matter()
        self.work.submit("looks", desk.case, looks)

    def matter(self) -> None:
        """Work out why the selected reading matters."""
        desk, facet = self.sheet.desk, self.sheet.facet
        at = desk.session.now.at
        if desk.case.snapshot:
            key = (desk.case, at, facet)
            self.work.submit("why", key, lambda: why(desk.engine, desk.case, at, facet))

    def tell(self, line: str) -> None:
        """Carry out a command that may take a while, behind the screen."""
        sheet = replace(self.sheet, desk=replace(self.sheet.desk, width=self.size()[0] - 1))

        def parts() -> Iterator[Sheet]:
            yield moves.command_line(sheet, line)

        self.sheet = replace(sheet, message="working...", commanding=False)
        self.work.submit("tell", sheet.desk.session, parts)

    def deliver(self, kind: str, key: Any, value: Any) -> None:
        """Take what was worked out; called from the other thread."""
        if self.loop is not None and self.loop.is_running():
            self.loop.call_soon_threadsafe(self.take, kind, key, value)
        else:
            self.take(kind, key, value)

    def take(self, kind: str, key: Any, value: Any) -> None:
        """Show what was worked out, unless the case has moved on."""
        case, now = self.sheet.desk.case, (self.sheet.desk.session.now.at, self.sheet.facet)
        if isinstance(value, Exception) and not isinstance(value, DiagnoseError):
            raise value
        if kind == "tell":
            told = value if isinstance(value, Sheet) else moves.show(self.sheet, str(value))
            if isinstance(value, Sheet) and key == self.sheet.desk.session != told.desk.session:
                # numbers given with the command ("fly 95 kt") are part of the case
                self.become(replace(self.sheet, desk=replace(self.sheet.desk, session=told.desk.session)))
            self.sheet = replace(self.sheet, page=told.page, top=0, message=told.message)
        elif kind == "answer" and key == case:
            wrong = isinstance(value, DiagnoseError)
            self.shown = Shown(
                answer=None if wrong else value,
                problem=str(value) if wrong else "",
                why=self.shown.why,
                looks=self.shown.looks,
                looks_stale=self.shown.looks_stale,
            )
        elif kind == "looks" and key == case:
            looks = () if isinstance(value, DiagnoseError) else value
            self.shown = replace(self.shown, looks=looks, looks_stale=False)
        elif kind == "why" and key == (case, *now):
            self.shown = replace(self.shown, why="" if isinstance(value, DiagnoseError) else value)
        if self.app:
            self.app.invalidate()

    # -------------------------------------------------------------- the command line

    def accept(self, buffer: Buffer) -> bool:
        """Carry out the command line."""
        line = buffer.text
        if not line.strip():
            self.become(replace(self.sheet, commanding=False))
        elif "\n" in line:
            self.become(moves.command_lines(self.sheet, line))
        elif moves.tells(line):
            self.tell(line)
        else:
            after = moves.command_line(self.sheet, line)
            refused = after.desk is self.sheet.desk and not after.page
            self.become(replace(after, commanding=refused))
            return refused  # what was not understood stays, to be mended
        return False

    # -------------------------------------------------------------- the screen

    def fragments(self) -> StyleAndTextTuples:
        """The screen above the command line."""
        width, height = self.size()
        text: StyleAndTextTuples = []
        for line in view(self.sheet, self.shown, width, height - 2):
            for piece in line:
                if piece.action is None:
                    text.append((piece.style, piece.text))
                else:
                    text.append((piece.style, piece.text, self._clicked(piece.action)))
            text.append(("", "\n"))
        return text[:-1]

    def size(self) -> tuple[int, int]:
        """Columns and lines of the terminal now."""
        size = self.app.output.get_size() if self.app else None
        return (size.columns, size.rows) if size else (80, 24)

    def _clicked(self, action: tuple[str, int, int]) -> Callable[[MouseEvent], object]:
        _, row, column = action

        def handler(event: MouseEvent) -> object:
            if event.event_type == MouseEventType.SCROLL_DOWN:
                self.become(moves.move(self.sheet, rows=1))
            elif event.event_type == MouseEventType.SCROLL_UP:
                self.become(moves.move(self.sheet, rows=-1))
            elif event.event_type == MouseEventType.MOUSE_UP:
                here = (row, column) == (self.sheet.row, self.sheet.desk.session.now.at)
                # a second click goes through the readings; Enter takes the one that stands there
                if here and self.sheet.choice is not None:
                    self.become(moves.step_choice(self.sheet, 1))
                elif here:
                    self.become(moves.open_choice(self.sheet))
                else:
                    self.become(moves.select(self._taken(), row, column))
            else:
                return NotImplemented
            return None

        return handler

    def _taken(self) -> Sheet:
        """The sheet with the offered reading taken: to go elsewhere is to agree."""
        return moves.take_choice(self.sheet) if self.sheet.choice is not None else self.sheet

    @property
    def grid(self) -> Window:
        """The window of the grid."""
        return self._grid

    def build(self, colour: bool, **more: Any) -> Application[None]:
        """Build the application."""
        self._grid = Window(
            FormattedTextControl(self.fragments, focusable=True, show_cursor=False), always_hide_cursor=True
        )
        line = Window(
            BufferControl(self.line, input_processors=[BeforeInput("gauges> ")], focus_on_click=True),
            height=1,
        )
        keys = Window(
            FormattedTextControl(lambda: [("class:keys", keys_line(self.sheet, self.size()[0]))]), height=1
        )
        # completions that come late do not stand over the grid
        typing = Condition(lambda: self.sheet.commanding)
        menu = CompletionsMenu(max_height=8, extra_filter=typing)
        body = FloatContainer(
            HSplit([self._grid, line, keys]), floats=[Float(menu, xcursor=True, ycursor=True)]
        )
        self.app = Application(
            layout=Layout(body, focused_element=self._grid),
            key_bindings=bindings(self),
            style=Style.from_dict(COLOURS),
            color_depth=None if colour else ColorDepth.DEPTH_1_BIT,
            full_screen=True,
            mouse_support=True,
            **more,
        )
        return self.app


class _Words(Completer):
    """Completion of the command line, the same as at the prompt."""

    def __init__(self, worksheet: Worksheet) -> None:
        self.worksheet = worksheet

    def get_completions(self, document: Document, complete_event: object) -> Iterator[Completion]:
        for word, means, replaced in complete(document.text_before_cursor, self.worksheet.sheet.desk):
            yield Completion(word, start_position=-replaced, display_meta=means)


def bindings(worksheet: Worksheet) -> KeyBindings:
    """The keys of the grid and of the command line."""
    keys = KeyBindings()
    grid = Condition(lambda: not worksheet.sheet.commanding)
    choosing = Condition(lambda: worksheet.sheet.choice is not None)
    paging = Condition(lambda: bool(worksheet.sheet.page))
    become = worksheet.become

    def on(*names: str, **when: Any) -> Callable[[Callable[[Sheet], Sheet]], None]:
        def bind(change: Callable[[Sheet], Sheet]) -> None:
            for name in names:
                keys.add(name, **when)(lambda event: become(change(worksheet.sheet)))

        return bind

    plain = grid & ~choosing & ~paging
    room = max(worksheet.size()[1] - 8, 4)
    on("down", filter=grid & paging)(lambda s: moves.scroll(s, 1, room))
    on("up", filter=grid & paging)(lambda s: moves.scroll(s, -1, room))
    on("pagedown", " ", filter=grid & paging)(lambda s: moves.scroll(s, room, room))
    on("pageup", filter=grid & paging)(lambda s: moves.scroll(s, -room, room))
    on("down", filter=plain)(lambda s: moves.move(s, rows=1))
    on("up", filter=plain)(lambda s: moves.move(s, rows=-1))
    on("pagedown", filter=plain)(lambda s: moves.move(s, rows=10))
    on("pageup", filter=plain)(lambda s: moves.move(s, rows=-10))
    on("left", "s-tab", filter=grid & ~paging)(lambda s: moves.move(worksheet._taken(), columns=-1))
    on("right", "tab", filter=grid & ~paging)(lambda s: moves.move(worksheet._taken(), columns=1))
    on("down", filter=grid & choosing & ~paging)(lambda s: moves.step_choice(s, 1))
    on("up", filter=grid & choosing & ~paging)(lambda s: moves.step_choice(s, -1))
    on("enter", " ", filter=grid & ~paging)(moves.take_choice)
    on("enter", filter=grid & paging)(moves.leave)
    on("delete", "backspace", filter=grid & ~paging)(lambda s: moves.give(s, ""))
    on("?", filter=grid & ~paging)(moves.doubt)
    on("=", filter=grid & ~paging)(lambda s: moves.fill_in(s, whole=False))
    on("*", filter=grid & ~paging)(lambda s: moves.fill_in(s, whole=True))
    on(">", filter=grid & ~paging)(lambda s: moves.seek(s, worksheet.shown.wanted))
    on("c-z", filter=grid)(lambda s: moves.command_line(s, "undo"))
    on("c-y", filter=grid)(lambda s: moves.command_line(s, "redo"))
    on("f1")(lambda s: replace(s, page=tuple(HELP), top=0, commanding=False))
    on("f4")(lambda s: replace(s, desk=replace(s.desk, face="lines")))
    on("c-d", filter=Condition(lambda: not worksheet.line.text))(
        lambda s: replace(s, desk=replace(s.desk, face="lines"))
    )
    on("f10")(lambda s: replace(s, desk=replace(s.desk, done=True)))
    on(":", "/", filter=grid)(lambda s: replace(moves.leave(s), page=(), commanding=True))
    on("escape", eager=True, filter=grid)(moves.leave)

    @keys.add("escape", eager=True, filter=~grid)
    @keys.add("c-c")
    def _harmless(event: KeyPressEvent) -> None:
        worksheet.line.reset()
        become(replace(moves.leave(worksheet.sheet), commanding=False))

    @keys.add("tab", filter=~grid)
    def _complete(event: KeyPressEvent) -> None:
        if worksheet.line.complete_state:
            worksheet.line.complete_next()
        else:
            worksheet.line.start_completion(select_first=True)

    @keys.add("enter", filter=~grid)
    def _accept(event: KeyPressEvent) -> None:
        worksheet.line.validate_and_handle()

    @keys.add(Keys.BracketedPaste)
    def _paste(event: KeyPressEvent) -> None:
        if worksheet.sheet.commanding and "\n" not in event.data.strip():
            worksheet.line.insert_text(event.data.strip())
        else:
            become(moves.command_lines(worksheet.sheet, event.data.replace("\r", "\n")))

    @keys.add(Keys.Any, filter=grid & ~paging)
    def _letter(event: KeyPressEvent) -> None:
        if event.data.isalnum() and not worksheet.sheet.desk.case.snapshot:
            # the first thing to say is what was flown
            become(replace(worksheet.sheet, commanding=True))
            worksheet.line.insert_text(event.data)
        elif event.data.isalnum():
            become(moves.type_letter(worksheet.sheet, event.data))

    return keys


def run_worksheet(desk: Desk, colour: bool, keep: Keep, **more: Any) -> Desk:
    """Run the worksheet until it is left; gives the desk as it stands then."""
    desk = replace(desk, later=True, face="worksheet")
    sheet = Sheet(desk=desk, message=put(desk) if desk.guide else "")
    worksheet = Worksheet(sheet=sheet, keep=keep)
    app = worksheet.build(colour, **more)

    def begin() -> None:
        worksheet.loop = asyncio.get_running_loop()
        worksheet.shown = replace(worksheet.shown, stale=True, looks_stale=True)
        worksheet.rank()

    try:
        app.run(pre_run=begin)
    except EOFError:
        worksheet.sheet = replace(worksheet.sheet, desk=replace(worksheet.sheet.desk, face="lines"))
    finally:
        worksheet.work.end()
    left = worksheet.sheet.desk
    answer = worksheet.shown.answer if not worksheet.shown.stale else None
    return replace(left, later=False, face="lines", answered=answer)
