"""A student's progress as a page: accuracy and recognition by class of failure over the weeks, and the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from diagnose.knowledge.load import KnowledgeBase
from diagnose.practice.drill.progress import Cell, Summary
from diagnose.render.drill_question import TITLES
from diagnose.render.pages.page import figure, heading, page, paragraph, table
from diagnose.render.pictures.svg import INK, element, number, words
from diagnose.render.progress import answer_words, habits, leaning, share, work_on

WIDE, HIGH, LEFT, TOP, RIGHT = 720.0, 200.0, 60.0, 16.0, 150.0
#: lines are told apart without color
DASHES = ("none", "8 4", "2 3", "10 3 2 3", "5 2", "1 4", "12 6")


def progress_page(told: Summary, kb: KnowledgeBase) -> str:
    """The page; it needs nothing else."""
    return page("Drill: progress", _body(told, kb))


def _body(told: Summary, kb: KnowledgeBase) -> Iterator[str]:
    yield heading(1, "Drill: progress")
    if told.first is None:
        yield paragraph("No answers yet.")
        return
    yield paragraph(
        f"{told.count + told.uncounted} answers from {told.first:%Y-%m-%d} to {told.at:%Y-%m-%d}; {told.begun} exercises begun, "
        f"{told.due} due now, {told.due_tomorrow} by tomorrow."
    )
    if work_on(told, kb):
        yield paragraph(f"To work on: {work_on(told, kb)}", "says")
    weeks = sorted({cell.week for cells in told.classes.values() for cell in cells})
    yield figure(
        "Right answers by class of failure",
        curves(told.classes, weeks, lambda cell: cell.rate, 1.0, lambda value: f"{value * 100:.0f} %"),
    )
    called = [c.recognised_s for cells in told.classes.values() for c in cells if c.recognised_s is not None]
    if called:
        yield figure(
            "From the onset to the right call in scans (median)",
            curves(told.classes, weeks, lambda cell: cell.recognised_s, max(called), lambda v: f"{v:.0f} s"),
        )
    rows = [
        (cell.week, name, str(cell.count), share(cell.rate), f"{cell.seconds:.0f} s",
         "" if cell.recognised_s is None else f"{cell.recognised_s:.0f} s")
        for name, cells in told.classes.items()
        for cell in cells
    ]  # fmt: skip
    yield table(("week of", "class", "answers", "right", "to answer", "to call it"), sorted(rows), numbers=4)
    yield table(
        ("kind", "answers", "right"),
        [(TITLES[kind], str(count), share(rate)) for kind, (count, rate) in told.kinds.items()],
        numbers=2,
    )
    if told.confused:
        yield heading(2, "Confused")
        yield table(
            ("what was right", "what was said", "times"),
            [(answer_words(a, kb), answer_words(b, kb), str(n)) for a, b, n in told.confused],
            numbers=1,
        )
    for habit in habits(told):
        yield paragraph(habit)
    if told.sureness:
        yield heading(2, "How sure, and how sure the readings allowed")
        yield table(
            ("week of", "answers", "sure", "allowed", ""),
            [
                (
                    week.week,
                    str(week.count),
                    share(week.sure),
                    share(week.engine),
                    leaning(week, kb),
                )
                for week in told.sureness
            ],
        )
    if told.faults:
        yield heading(2, "Faults of the scan")
        yield table(("fault", "times"), [(fault, str(count)) for fault, count in told.faults], numbers=1)


def curves(
    classes: Mapping[str, Sequence[Cell]],
    weeks: Sequence[str],
    of: Callable[[Cell], float | None],
    most: float,
    label: Callable[[float], str],
) -> str:
    """A line for each class over the weeks, from zero to ``most``; a single week is a dot."""
    most = most or 1.0
    place = {week: at for at, week in enumerate(weeks)}

    def x(week: str) -> float:
        return LEFT + (WIDE * place[week] / (len(weeks) - 1) if len(weeks) > 1 else WIDE / 2.0)

    def y(value: float) -> float:
        return TOP + HIGH * (1.0 - value / most)

    drawn = [element("rect", x=LEFT, y=TOP, width=WIDE, height=HIGH, fill="none", stroke=INK)]
    for part in (0.0, 0.5, 1.0):
        drawn.append(words(label(part * most), LEFT - 28.0, y(part * most), 11.0))
    step = max(1, len(weeks) // 6)
    drawn += [words(week[5:], x(week), TOP + HIGH + 14.0, 11.0) for week in weeks[::step]]
    taken: list[float] = []
    for (name, cells), dash in zip(classes.items(), DASHES * 2, strict=False):
        points = [(x(c.week), y(value)) for c in cells if (value := of(c)) is not None]
        if not points:
            continue
        path = "M" + "L".join(f"{number(a)} {number(b)}" for a, b in points)
        drawn.append(
            element("path", d=path, fill="none", stroke=INK, stroke_width=2.0, stroke_dasharray=dash)
        )
        drawn += [element("circle", element("title", name), cx=a, cy=b, r=3.5, fill=INK) for a, b in points]
        # names that would stand on each other are moved apart, those low in the picture up
        at = points[-1][1]
        aside = 13.0 if at < TOP + HIGH / 2.0 else -13.0
        while any(abs(at - other) < 13.0 for other in taken):
            at += aside
        taken.append(at)
        drawn.append(words(name, points[-1][0] + 10.0, at, 11.0, text_anchor="start"))
    return element(
        "svg",
        element("title", "by class of failure over the weeks"),
        *drawn,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(LEFT + WIDE + RIGHT)} {number(TOP + HIGH + 30.0 + 13.0 * len(classes))}",
        width="100%",
        role="img",
        class_="chart",
    )
