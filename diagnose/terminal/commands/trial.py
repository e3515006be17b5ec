"""Commands that try something out: what if, keep, drop, branches, and comparing two."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from diagnose.language import entry_forms, flown_in, nearest, plain
from diagnose.language.case_files import case_paths, load_case
from diagnose.language.names import length_at, phrases
from diagnose.language.session import says_anything
from diagnose.model import CaseRecord
from diagnose.model.answer import Answer
from diagnose.model.errors import CaseError, UnknownName
from diagnose.render.layout import chance_words
from diagnose.render.text import GRADE_WORDS, columns, fill, names
from diagnose.terminal.commands.answers import failure_shown
from diagnose.terminal.commands.desk import Command, Desk, command
from diagnose.terminal.commands.entry import hear

#: explanations compared: the first few of either side
MOST = 4
#: what stands between two things to compare
_BESIDE = re.compile(r"\s+(?:vs\.?|versus|next to|beside|alongside|compared (?:to|with))\s+")
_BETWEEN = re.compile(r"\s+(?:with|vs|versus|against)\s+|[;,]")


def _what_if(desk: Desk, text: str) -> tuple[Desk, str]:
    said = re.sub(r"^if\b", "", text.strip(), flags=re.IGNORECASE).strip()
    if text and said == text.strip():
        raise CaseError(
            f"'what {text}' is not understood",
            mend="for the answer: rank; to try something: what if airspeed steady",
        )
    desk.session.snapshot  # noqa: B018 - complains if there is nothing yet to try on
    desk = replace(desk, session=desk.session.what_if())
    if not said:
        return desk, fill(
            "What if: say readings and see the effect; 'compare' shows it beside what was before, 'keep' "
            "accepts it, 'drop' forgets it.",
            desk.width,
        )
    desk, heard = hear(desk, said)
    if desk.later:
        return desk, f"What if. {heard} ('keep' or 'drop')"
    base = desk.session.now.base
    beside = f"\n{_cases(desk, 'before', 'what if')}" if base and says_anything(base.case) else ""
    return desk, f"{heard}{beside}\n'keep' accepts it, 'drop' forgets it."


def _keep(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, session=desk.session.keep()), "Kept: it is part of the case now."


def _drop(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, session=desk.session.drop()), "Dropped: the case is as it was before the 'what if'."


def _branch(desk: Desk, text: str) -> tuple[Desk, str]:
    name = plain(text)
    if not name:
        listed = ", ".join(name for name, _ in desk.session.now.branches) or "none yet"
        return desk, fill(f"Copies: {listed}. 'branch NAME' saves a copy of the case as it is.", desk.width)
    if name in ("now", "before", "what if") or not desk.case.snapshot:
        why = "there is no moment yet" if not desk.case.snapshot else f"{name!r} means something else"
        raise CaseError(f"no copy can be saved as {name!r}: {why}", mend="branch pitot ice")
    told = f"Saved a copy as {name!r}. Go on changing the case; 'compare {name}' shows both side by side."
    return replace(desk, session=desk.session.put_by(name)), fill(told, desk.width)


# ------------------------------------------------------------------ compare


def _compare(desk: Desk, text: str) -> tuple[Desk, str]:
    manoeuvre, text = _two_flown(desk, _without_together(text))
    pieces = _two(desk, text) or [p for p in _BETWEEN.split(text.strip()) if p.strip()]
    if not pieces:
        if desk.session.now.base:
            return desk, _cases(desk, "before", "what if")
        pieces = [name for name, _ in desk.session.now.branches[-1:]]
    whole = _is_case(desk, text) or any(
        plain(text) in ways for ways in entry_forms(desk.kb.failures).values()
    )
    if len(pieces) == 1 and " and " in pieces[0] and not whole:
        pieces = pieces[0].split(" and ")
    if any(_is_case(desk, piece) for piece in pieces):
        if len(pieces) > 2:
            raise CaseError("two cases can be compared, not more", mend="compare tuesday with now")
        return desk, _cases(desk, pieces[0], pieces[1] if len(pieces) == 2 else "now")
    # numpy comes with these, and the prompt should be there before
    from diagnose.advice.explain.contrast import compare, named_failures
    from diagnose.render.signature import comparison

    failures = named_failures(desk.kb, pieces, desk.kb.panel(desk.case.panel))
    found = compare(desk.engine, failures, manoeuvre)
    panel = desk.kb.panel(desk.case.panel)
    return desk, desk.page(lambda width: comparison(found, desk.kb, panel, width))


def _two_flown(desk: Desk, text: str) -> tuple[str, str]:
    """The maneuver in which two failures are to be compared ("... in a descent"), and the text without it."""
    manoeuvre, left = flown_in(text, desk.kb)
    return (manoeuvre, left) if manoeuvre and _two(desk, left) else ("", text)


def asked_for(desk: Desk, text: str) -> tuple[Desk, str] | None:
    """Answer "show me a failed pump next to a worn horizon" and "pump failed vs horizon failed"; None for others."""
    said = phrases()
    words = text.split()
    lead = length_at(tuple(plain(text).split()), 0, said.comparing)
    # "what's" is one word of either
    text = _without_together(text)
    words = text.split()
    named = " ".join(words[lead:]).strip("?!. ") if len(plain(text).split()) == len(words) else ""
    if not lead:
        return (
            _compare(desk, text) if _BESIDE.search(text) and _two(desk, _two_flown(desk, text)[1]) else None
        )
    if _two(desk, _two_flown(desk, named)[1]):
        return _compare(desk, named)
    return failure_shown(desk, named) if named and _is_failure(desk, named) else None


def _without_together(text: str) -> str:
    """Leave out "side by side"."""
    together = "|".join(map(re.escape, phrases().together))
    return re.sub(rf"\s+(?:{together})\b", "", text.strip(), flags=re.IGNORECASE)


def _two(desk: Desk, text: str) -> list[str]:
    """The two known names that a text is, at whichever word or comma separates them; none if it is not two.

    A failure's own name may hold such a word or a comma: "pitot tube inlet blocked, drain open with pump sheared".
    """
    for place in re.finditer(rf"{_BETWEEN.pattern}|{_BESIDE.pattern}|\s+(?:and|from|or|to)\s+", text):
        halves = [text[: place.start()].strip(), text[place.end() :].strip()]
        if all(_is_case(desk, half) or _is_failure(desk, half) for half in halves):
            return halves
    return []


def _is_failure(desk: Desk, name: str) -> bool:
    from diagnose.advice.explain.contrast import named_failure

    try:
        named_failure(desk.kb, name, desk.kb.panel(desk.case.panel))
    except UnknownName:
        return False
    return True


def _is_case(desk: Desk, name: str) -> bool:
    """Whether a name means the case now or before, a branch, a shipped case or a file."""
    own = (*dict(desk.session.now.branches), "now", "before", "what if")
    return plain(name) in own or name.strip() in case_paths() or name.strip().endswith(".toml")


def _named_case(desk: Desk, name: str) -> CaseRecord:
    """The case that is meant: now, before the what-if, a branch, a shipped case or a file."""
    branches, now = dict(desk.session.now.branches), desk.session.now
    if plain(name) in ("now", "what if", "this"):
        return now.case
    if plain(name) == "before" and now.base:
        return now.base.case
    if plain(name) in branches:
        return branches[plain(name)]
    try:
        return load_case(name.strip(), desk.kb)
    except UnknownName:
        known = {name: (plain(name),) for name in (*branches, "now", *case_paths())}
        near = nearest(plain(name), known)
        raise UnknownName(f"there is no branch or case {name.strip()!r}", nearest=near) from None


def _cases(desk: Desk, first: str, second: str) -> str:
    """Two cases side by side: ranking and instruments."""
    answers = []
    for name in (first, second):
        case = _named_case(desk, name)
        if not says_anything(case):
            raise CaseError(f"nothing is said yet in {name!r}", mend="say what the gauges showed")
        answers.append(replace(desk, session=desk.session.go(replace(desk.session.now, case=case))).answer())
    one, other = answers
    leading = [ranked.failures for answer in answers for ranked in answer.ranking[:MOST]]
    chances = [{ranked.failures: ranked.posterior for ranked in answer.ranking} for answer in answers]
    rows = [("what has failed", first.strip(), second.strip(), "")]
    for failures in dict.fromkeys(leading):
        before, after = (chance.get(failures, 0.0) for chance in chances)
        moved = "up" if after > before + 0.005 else "down" if after < before - 0.005 else "as it was"
        rows.append((names(desk.kb, failures), chance_words(before, desk.kb), chance_words(after, desk.kb), moved))
    rows += _instruments(desk, one, other)
    lines = [
        fill(f"{first.strip()}: {one.verdict}", desk.width),
        fill(f"{second.strip()}: {other.verdict}", desk.width),
    ]
    return "\n".join([*lines, columns(rows, desk.width)])


def _instruments(desk: Desk, one: Answer, other: Answer) -> Iterator[tuple[str, str, str, str]]:
    grades = [{trust.gauge: GRADE_WORDS[trust.grade] for trust in answer.trust} for answer in (one, other)]
    for gauge in dict.fromkeys((*grades[0], *grades[1])):
        before, after = (grade.get(gauge, "not there") for grade in grades)
        if before != after and desk.kb.gauges[gauge].instrument:
            yield desk.kb.gauges[gauge].name, before, after, "differs"


TRIAL: tuple[Command, ...] = (
    command(
        _what_if,
        "what",
        "if [READINGS]",
        "try readings without committing to them: what if airspeed steady",
        "Everything said after it belongs to the trial until 'keep' or 'drop'.",
        ("whatif",),
    ),
    command(_keep, "keep", "", "end a 'what if' and keep it"),
    command(_drop, "drop", "", "end a 'what if' as if it had not been", ranked=True, way_out=True),
    command(
        _branch,
        "branch",
        "[NAME]",
        "save a copy of the case under a name, to compare with",
        "'branch' alone lists the copies.",
        ranked=False,
    ),
    command(
        _compare,
        "compare",
        "[A, B]",
        "two cases side by side, or where and by which look failures part on this panel",
        "A and B are branches, 'now', 'before' (the 'what if'), shipped cases or files; or failures: "
        "compare pump sheared, suction gauge zero. 'nothing' is no failure.",
        tells=True,
    ),
)
