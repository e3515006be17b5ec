"""Asking for a scenario, question by question; every answer is checked before the next question."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import msgspec

from diagnose.errors import CaseError, DiagnoseError
from diagnose.knowledge import KnowledgeBase
from diagnose.scenario.files import scenario_problems
from diagnose.script import FailureEvent, Inject, Leg, Pilot, ScenarioRecord, Start, leg_starts_min
from diagnose.simulate import FOLLOWED
from diagnose.words import entry_forms, find
from diagnose.words.names import Named

Ask = Callable[[str], str]
Tell = Callable[[str], None]
Answer = TypeVar("Answer")

NUMBER = r"-?\d+(?:\.\d+)?"


def _number(low: float, high: float, usual: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        if not text:
            return usual
        if not re.fullmatch(NUMBER, text) or not low <= float(text) <= high:
            raise CaseError(f"{text!r} is no number from {low:g} to {high:g}")
        return float(text)

    return read


def _text(text: str) -> str:
    if not text:
        raise CaseError("this cannot be empty")
    return text


def _entry(kb: KnowledgeBase, kind: str, known: Mapping[str, Named], usual: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        return find(text, entry_forms(known), kind) if text else usual

    return read


def _leg(kb: KnowledgeBase) -> Callable[[str], Leg | None]:
    """ "climb 2" or "climb 2 80 kt 500 fpm": maneuver, minutes, and what is not usual."""

    def read(text: str) -> Leg | None:
        if not text:
            return None
        found = re.fullmatch(rf"(.+?)\s+({NUMBER})((?:\s+{NUMBER}\s*(?:kt|fpm|dps))*)", text.strip())
        if not found:
            raise CaseError(f"{text!r} is no leg", mend="say for example: climb 2, or: climb 2 85 kt 700 fpm")
        given = {
            unit: float(value) for value, unit in re.findall(rf"({NUMBER})\s*(kt|fpm|dps)", found.group(3))
        }
        return Leg(
            manoeuvre=find(found.group(1), entry_forms(kb.manoeuvres), "maneuver"),
            minutes=float(found.group(2)),
            airspeed_kt=given.get("kt"),
            rate_fpm=given.get("fpm"),
            turn_dps=given.get("dps"),
        )

    return read


def _failure(possible: Mapping[str, Named], end: float) -> Callable[[str], FailureEvent | None]:
    """ "pump sheared at 2" or "static restricted at 1.5 gradual 3": failure, minute, progression."""

    def read(text: str) -> FailureEvent | None:
        if not text:
            return None
        pattern = rf"(.+?)\s+at\s+({NUMBER})(?:\s+(sudden|intermittent|gradual)(?:\s+({NUMBER}))?)?"
        found = re.fullmatch(pattern, text.strip())
        if not found:
            raise CaseError(
                f"{text!r} is no failure",
                mend="say for example: pump sheared at 2, or: pump weak at 1 gradual 3",
            )
        at = float(found.group(2))
        if not 0.0 <= at <= end:
            raise CaseError(f"minute {at:g} is not in the flight, which ends at {end:g}")
        return FailureEvent(
            id=find(found.group(1), entry_forms(possible), "failure"),
            at_minutes=at,
            progression=found.group(3) or "sudden",  # type: ignore[arg-type]
            over_minutes=float(found.group(4) or 1.0),
        )

    return read


def _inject(end: float) -> Callable[[str], Inject | None]:
    def read(text: str) -> Inject | None:
        if not text:
            return None
        found = re.fullmatch(rf"({NUMBER})\s+([^:]+):\s*(.+)", text.strip())
        if not found or not 0.0 <= float(found.group(1)) <= end:
            raise CaseError(
                f"{text!r} is no call in the flight", mend="say for example: 3 ATC: say your heading"
            )
        return Inject(at_minutes=float(found.group(1)), who=found.group(2).strip(), says=found.group(3))

    return read


@dataclass
class _Asking:
    """What was answered so far. Every answer is tried with all before it, so that none is lost at the end."""

    kb: KnowledgeBase
    ask: Ask
    tell: Tell
    made: ScenarioRecord

    def one(
        self, question: str, read: Callable[[str], Answer], known: Mapping[str, Named] | None = None
    ) -> Answer:
        """Ask until the answer can be read; "?" lists what is known."""
        while True:
            text = self.ask(question)
            if text == "?" and known:
                self.tell(f"{', '.join(entry.name for entry in known.values())}")
                continue
            try:
                return read(text)
            except DiagnoseError as error:
                self.tell(f"{error}")

    def keep(self, **changes: Any) -> None:
        """Take an answer in. Raises CaseError if it does not go with those before it."""
        made = msgspec.structs.replace(self.made, **changes)
        # before the first leg there is no flight to check
        problems = scenario_problems(made, self.kb) if made.leg else []
        if problems:
            raise CaseError("; ".join(problems))
        self.made = made

    def several(
        self,
        name: str,
        question: str,
        read: Callable[[str], Answer | None],
        known: Mapping[str, Named] | None = None,
        fewest: int = 0,
    ) -> None:
        """Ask for entries of a list until there are no more."""

        def another(text: str) -> bool:
            found, so_far = read(text), getattr(self.made, name)
            if found is None:
                if len(so_far) < fewest:
                    raise CaseError("at least one is needed")
                return False
            self.keep(**{name: (*so_far, found)})
            return True

        while self.one(question, another, known):
            pass


def ask_scenario(kb: KnowledgeBase, ask: Ask, tell: Tell) -> ScenarioRecord:
    """Ask for everything that a scenario needs. ``tell`` hears what is wrong with an answer, and lists."""
    asking = _Asking(kb, ask, tell, ScenarioRecord(title="", panel="single_pump", briefing="", leg=()))
    one, keep = asking.one, asking.keep
    keep(title=one("Title?", _text))
    keep(briefing=one("What are the students told first?", _text))
    panels = _entry(kb, "panel", kb.panels, "single_pump")
    keep(panel=one("Panel (? lists them)? [single_pump]", panels, kb.panels))
    altitude = one("Altitude at the start, ft? [3000]", _number(0.0, 20000.0, 3000.0))
    heading = one("Heading at the start? [90]", _number(0.0, 360.0, 90.0))
    keep(start=Start(altitude_ft=altitude, heading_deg=heading))
    flights = "Next leg, such as: climb 2 (? lists maneuvers, nothing ends)?"
    asking.several("leg", flights, _leg(kb), kb.manoeuvres, fewest=1)
    keep(turbulence=one("Rough air, 0 smooth to 1 rough? [0.2]", _number(0.0, 1.0, 0.2)))
    panel = kb.panel(asking.made.panel)
    parts = set(panel.parts)
    possible = {i: f for i, f in kb.failures.items() if set(f.acts) <= parts}
    end = leg_starts_min(asking.made.leg)[-1]
    question = (
        "Next failure, such as: pump sheared at 2, or: pump weak at 1 gradual 3 (? lists them, nothing ends)?"
    )
    asking.several("failure", question, _failure(possible, end), possible)

    def condition(text: str) -> str | None:
        return find(text, entry_forms(kb.context), "condition of the day") if text else None

    question = "Next condition of the day, such as: visible moisture (? lists them, nothing ends)?"
    asking.several("context", question, condition, kb.context)
    followed = {g: kb.gauges[g] for g in FOLLOWED if g in panel.gauges}
    question = "Which instrument does the pilot follow (? lists them)? [the true picture]"
    follows = one(question, _entry(kb, "instrument", followed, ""), followed)
    if follows:
        keep(pilot=Pilot(follows=follows, from_minutes=one("From which minute? [0]", _number(0.0, end, 0.0))))
    asking.several("inject", "Next call, such as: 3 ATC: say your heading (nothing ends)?", _inject(end))
    asking.several("teaching", "Next teaching point (nothing ends)?", lambda text: text or None)
    asking.several("cautions", "Next caution for the instructor (nothing ends)?", lambda text: text or None)
    keep(seed=int(one("Seed? [1]", _number(0.0, 1e9, 1.0))))
    return asking.made
