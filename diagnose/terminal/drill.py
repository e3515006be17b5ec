"""The drill in a terminal or through a pipe: asks, hears, explains."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TextIO

from diagnose.advice.coverage import SOUND
from diagnose.language import find, forms, gauge_forms, plain
from diagnose.language.names import phrases
from diagnose.model import ScanPattern
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.practice.drill.kinds import NameIt
from diagnose.practice.drill.scan import Scan, cycle, scan_review
from diagnose.practice.drill.session import DrillSession, Exercise, Round
from diagnose.practice.drill.studio import LETTERS, OPEN, Marked, Studio
from diagnose.practice.tabletop import seconds_of
from diagnose.render.drill_feedback import feedback, lesson
from diagnose.render.drill_question import (
    answering,
    clock,
    drawn,
    heading,
    help_text,
    look_line,
    new_leg_line,
    option_words,
    question,
)
from diagnose.render.layout import sentence
from diagnose.render.text import CAUTION, fill
from diagnose.terminal.console import bounded

QUIT, SKIP, AGAIN, HELP_WORDS = (
    ("quit", "exit", "q", "q!"),
    ("skip", "next"),
    ("again", "show"),
    ("help", "?"),
)
DRAW = ("panel", "picture", "draw")


class Left(Exception):
    """The student has left."""


@dataclass
class Talk:
    """A session with a student. ``clock`` gives seconds, ``now`` the time of day, ``new_id`` a fresh id.

    ``pause``: wait for Enter after an explanation, so that the next question does not push it off the screen.
    """

    session: DrillSession
    lines: Iterator[str]
    out: TextIO
    width: int
    minutes: float
    clock: Callable[[], float]
    now: Callable[[], datetime]
    new_id: Callable[[], str]
    echo: bool = False
    pause: bool = False
    pattern: ScanPattern | None = None
    results: list[bool] = field(default_factory=list)
    #: the last line of looks in this scan, which an empty line takes again
    looked: list[str] = field(default_factory=list)

    def run(self) -> int:
        """Ask until the minutes are over or the student leaves; gives the number of answers."""
        began = self.clock()
        self.say(fill(CAUTION, self.width))
        self.say(
            fill(
                f"{self.minutes:g} minutes. 'help' explains how to answer, 'quit' ends and shows your score.",
                self.width,
            )
        )
        try:
            while self.clock() - began < 60.0 * self.minutes:
                done = self.session.next(self.now())
                if done is None:
                    self.say("There is no such exercise on this panel.")
                    break
                left = max(0.0, self.minutes - (self.clock() - began) / 60.0)
                self.one(done, f"{left:.0f} min left")
            else:
                self.say("Time is up.")
        except Left:
            pass
        if self.results:
            self.say(
                f"{sum(self.results)} of {len(self.results)} correct. Your progress: diagnose drill --progress"
            )
        else:
            self.say("No answer that counts yet, so no score. Your progress: diagnose drill --progress")
        return len(self.results)

    def say(self, text: str) -> None:
        """Write, and let it be seen at once."""
        print(text, end="\n\n" if "\n" in text else "\n", file=self.out, flush=True)

    def hear(self, prompt: str) -> str:
        """Give the next line. Raises Left at the end of the input, or when the student quits."""
        print(prompt, end="", file=self.out, flush=True)
        line = next(self.lines, None)
        if line is None:
            print(file=self.out)
            raise Left
        text = line.strip()
        if self.echo:
            print(text, file=self.out)
        if text.lower() in QUIT:
            raise Left
        return text

    def one(self, done: Round, left: str) -> None:
        """One exercise from question to explanation."""
        studio = self.session.studio
        asked, self.looked = question(done, studio, self.width, self.pattern), []
        self.say(f"{heading(len(self.results) + 1, done, studio.kb, left)}\n{asked}")
        began = self.clock()
        exercise, marked = done.exercise, None
        while marked is None:
            text = self.hear("answer> " if not isinstance(exercise, Scan) else "look or answer> ")
            if text.lower() in SKIP:
                self.session.skip(done)
                return
            if text.lower() in AGAIN:
                self.say(asked)
                continue
            if text.lower() in DRAW and isinstance(exercise, NameIt):
                self.say(drawn(exercise, studio))
                continue
            if text.lower() in HELP_WORDS:
                self.say(help_text(exercise, studio, self.width))
                continue
            try:
                bounded(text)
                if isinstance(exercise, Scan):
                    exercise, marked = self._scan(exercise, text)
                elif text:
                    marked = exercise.mark(letter_meant(text, exercise, studio) or text)
                else:
                    self.say(fill(answering(exercise), self.width))
            except DiagnoseError as error:
                self.say(fill(sentence(str(error)), self.width))
        seconds = self.clock() - began
        looked = scan_review(exercise, self.pattern) if isinstance(exercise, Scan) else None
        done = replace(done, exercise=exercise)
        # kept before it is explained: what was answered is safe
        self.session.answer(done, marked, seconds, self.now(), self.new_id(), looked)
        if marked.counts:
            self.results.append(marked.correct)
        self.say(feedback(exercise, marked, studio, self.width, looked, met=done.first))
        while self.pause and (text := self.hear("Enter for the next, why for more> ").lower()):
            if text not in ("why", "why?", "more"):
                break
            self.say(lesson(exercise, studio, self.width))

    def _scan(self, scan: Scan, text: str) -> tuple[Scan, Marked | None]:
        """Carry out a line of a scan: looks, waiting, or the call."""
        gauges = looks_known(scan.studio)
        text = letter_meant(text, scan, scan.studio) or text
        words = text.lower().replace(",", " ").split()
        if words and (len(words[0]) == 1 and words[0] in LETTERS):
            if not scan.looks:
                self.say("Look at a gauge first, then answer.")
                return scan, None
            marked = scan.mark(text)
            if marked.counts:
                return scan, marked
            when = f": it counts from {clock(scan.patience_s)} on" if scan.second < scan.patience_s else ""
            self.say(fill(f"Too early to say that{when}. Keep looking.", self.width))
            return scan, None
        if not words and self.pattern:
            order = cycle(scan, self.pattern)
            words = [order[len(scan.looks) % len(order)].replace("_", " ")]
            chosen: list[str] = [order[len(scan.looks) % len(order)]]
        elif not words:
            chosen = self.looked
        elif words[0] == "wait":
            return self._wait(scan, waits_meant(words, scan.look_s))
        else:
            chosen = self.looked = looks_meant(text, gauges)
        if not chosen:
            self.say("Name a gauge to look at, or answer with a letter.")
        for gauge in chosen:
            before = scan.manoeuvre
            scan = scan.look(gauge)
            self.say(look_line(scan, before))
            if scan.over:
                return scan, scan.ran_out()
        return scan, None

    def _wait(self, scan: Scan, looks: int) -> tuple[Scan, Marked | None]:
        """Let the time of so many looks pass; what is flown anew is told."""
        for _ in range(looks):
            before = scan.manoeuvre
            scan = scan.wait()
            if scan.over:
                return scan, scan.ran_out()
            if scan.manoeuvre != before:
                self.say(new_leg_line(scan))
        self.say(f"(waited until {clock(scan.second)})")
        return scan, None


def letter_meant(text: str, exercise: Exercise, studio: Studio) -> str:
    """The letter of an answer that is given in words: "attitude indicator worn", "I don't know"; "" for anything else."""
    words, kb = plain(text), studio.kb
    if not isinstance(exercise, NameIt | Scan) or len(words) < 2:
        return ""
    for letter, option in zip(LETTERS, exercise.options, strict=False):
        names = {plain(option_words(option, kb))}
        if option.id == OPEN:
            names |= phrases().unknown
        elif option.id != SOUND:
            failure = kb.failures[option.id]
            names |= {*forms(option.id, failure.name, failure.words)}
        else:
            names |= {"nothing", "nothing failed", "no failure"}
        if words in names:
            return letter
    return ""


def looks_known(studio: Studio) -> dict[str, tuple[str, ...]]:
    """Ways to name each gauge that is seen: as pilots say it, and as the picture of the panel has it."""
    titles = {dial.id: (plain(dial.title),) for dial in studio.kb.dials.values()}
    known = gauge_forms(studio.kb, studio.network.panel)
    return {gauge: ways + titles.get(gauge, ()) for gauge, ways in known.items() if gauge in studio.seen}


def waits_meant(words: list[str], look_s: int) -> int:
    """Give for how many looks of ``look_s`` seconds to wait: "wait", "wait 30", "wait 1 minute". Raises CaseError."""
    if len(words) == 1:
        return 1
    try:
        seconds = seconds_of(" ".join(words[1:]))
    except CaseError:
        seconds = 0.0
    if seconds <= 0.0:
        raise CaseError(f"{' '.join(words)!r} does not say how long", mend="wait 30 (seconds)")
    # no flight has more looks
    return min(math.ceil(seconds / look_s), 1000)


def looks_meant(text: str, gauges: dict[str, tuple[str, ...]]) -> list[str]:
    """Give the gauges named in a line, one after the other: the longest names first."""
    words = text.lower().replace(",", " ").split()
    found: list[str] = []
    place = 0
    while place < len(words):
        for end in range(min(len(words), place + 3), place, -1):
            ways = {way: gauge for gauge, known in gauges.items() for way in known}
            name = " ".join(words[place:end])
            if name in ways:
                found.append(ways[name])
                place = end
                break
        else:
            found.append(find(words[place], gauges, "gauge"))
            place += 1
    return found
