"""Random case files, damaged case files and random lines at the prompt: an answer or a plain error, never a crash.

Under the profile ``full`` (HYPOTHESIS_PROFILE=full) three of these draw 40,000 examples each: 80,000
files, and 40,000 sessions of one to five lines. That is run by hand, not every time.
"""

from __future__ import annotations

import contextlib
import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose import answer_case
from diagnose.knowledge.load import with_only
from diagnose.language import gauge_forms
from diagnose.language.case_files import case_paths, dump_case, load_case
from diagnose.model.errors import DiagnoseError
from diagnose.network.engine import Engine
from diagnose.network.tables import compile_network
from diagnose.render.text import describe, render
from diagnose.terminal.commands import COMMANDS, Desk, obey
from diagnose.terminal.prompt import run_lines
from diagnose.terminal.screen import complete
from tests.examples import FULL, LONG
from tests.small import FAILURES, shipped

many = settings(
    max_examples=40_000 if FULL else 300 if LONG else 60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

#: the shipped panels, gauges and words with few failures, so that a ranking takes a millisecond or two
KB = with_only(shipped(), failures={name: shipped().failures[name] for name in FAILURES})
ENGINES: dict[str, Engine] = {}

TEXTS = [path.read_text(encoding="utf-8") for path in case_paths().values()]


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def read_and_answer(content, tmp_path):
    """Load a file as ``diagnose rank`` would, and rank it if it is a case."""
    path = tmp_path / "case.toml"
    path.write_bytes(content)
    try:
        # with all failures, because the truth of a case may name any of them
        case = load_case(str(path), shipped())
    except DiagnoseError:
        return
    path.write_text(dump_case(case), encoding="utf-8")
    assert load_case(str(path), shipped()) == case
    describe(case, shipped())
    if case.panel not in ENGINES:
        ENGINES[case.panel] = Engine(compile_network(KB, case.panel))
    with contextlib.suppress(DiagnoseError):
        assert render(answer_case(KB, case, ENGINES[case.panel]), case, KB)


# ------------------------------------------------------------------ files

scalars = st.one_of(
    st.sampled_from(
        [
            "nan",
            "inf",
            "-inf",
            "0",
            "-1",
            "1e308",
            "1e-308",
            "99999999999999999999",
            '""',
            "true",
            "[]",
            "{}",
            "[[]]",
            "2026-01-01",
            "'\\u0000'",
            '"climb"',
            '"single_pump"',
            '["x", 0.5]',
            '[["attitude", "attitude"]]',
            '{ "airspeed.trend" = "falling" }',
        ]
    ),
    st.floats().map(repr),
    st.integers().map(str),
    st.text(max_size=8).map(repr),
)
keys = st.sampled_from(
    [
        "title",
        "panel",
        "setting",
        "context",
        "minutes_since_start",
        "source",
        "note",
        "snapshot",
        "truth",
        "manoeuvre",
        "minutes",
        "minutes_before",
        "switches",
        "readings",
        "unsure",
        "disagree",
        "strength",
        "failures",
        "says",
    ]
)
entries = st.builds(lambda key, value: f"{key} = {value}", keys, scalars)
made_up = st.lists(
    st.one_of(entries, st.sampled_from(["[[snapshot]]", "[truth]", "[snapshot]"])), max_size=12
)


@many
@given(st.one_of(st.binary(max_size=60), st.text(max_size=60).map(str.encode), made_up.map("\n".join)))
def test_a_random_file_is_answered_or_refused(tmp_path, content):
    read_and_answer(content.encode(errors="replace") if isinstance(content, str) else content, tmp_path)


@st.composite
def damaged(draw):
    """A shipped case with some lines dropped, doubled, moved, cut or given another value."""
    lines = draw(st.sampled_from(TEXTS)).splitlines()
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, len(lines) - 1))
        match draw(st.integers(0, 6)):
            case 0:
                lines[place : place + 1] = []
            case 1:
                lines.insert(place, lines[place])
            case 2:
                other = draw(st.integers(0, len(lines) - 1))
                lines[place], lines[other] = lines[other], lines[place]
            case 3:
                lines[place] = lines[place][: draw(st.integers(0, len(lines[place])))]
            case 4:
                lines[place] = f"{lines[place].partition('=')[0]}= {draw(scalars)}"
            case 5:
                lines.insert(place, draw(entries))
            case 6:
                old, new = draw(st.sampled_from(SWAPS)), draw(st.sampled_from(SWAPS))
                lines[place] = lines[place].replace(old, new)
        lines = lines or [""]
    return "\n".join(lines)


#: words of case files that can be put in each other's place
SWAPS = [
    "falling",
    "rising",
    "steady",
    "zero",
    "normal",
    "climb",
    "level",
    "descent",
    "on",
    "off",
    "single_pump",
    "dual_pump",
    "venturi",
    "two_sets",
    "airspeed.trend",
    "altimeter.trend",
    "attitude.bank",
    "suction.value",
    "heading",
    "turn_coordinator",
    "1",
    "0.5",
    "[",
    "]",
    "{",
    "}",
    "=",
    ",",
    "exercise",
    "routine",
    "anomaly",
]


@many
@given(damaged())
def test_a_damaged_case_is_answered_or_refused(tmp_path, text):
    read_and_answer(text.encode(errors="replace"), tmp_path)


# ------------------------------------------------------------------ lines

WORDS = sorted(
    {
        word
        for forms in gauge_forms(KB, KB.panel("two_sets")).values()
        for form in forms
        for word in form.split()
    }
    | {word for gauge in KB.gauges.values() for f in gauge.facets for r in f.readings for word in r.words}
    | {f.name for f in KB.failures.values()}
    | {*KB.manoeuvres, *KB.panels, *KB.context, *KB.settings, *KB.switches, *COMMANDS}
    | {
        "for",
        "after",
        "not",
        "probably",
        "maybe",
        "70%",
        "0",
        "-1",
        "1e999",
        "nan",
        "disagrees",
        "with",
        "and",
        "rest",
        "as",
        "expected",
        "normal",
        "on",
        "off",
    }
    | {
        ";",
        ",",
        ".",
        ":",
        "-",
        "%",
        "'",
        '"',
        "\\",
        "/",
        "=",
        "(",
        ")",
        "[",
        "]",
        "é",
        "ü",
        "°",
        "\x00",
        "~",
    }
)
words = st.lists(st.one_of(st.sampled_from(WORDS), st.text(max_size=4)), max_size=7).map(" ".join)
commands = st.builds(
    lambda command, rest: f"{command} {rest}",
    st.sampled_from(sorted(set(COMMANDS) - {"save", "quit"})),
    words,
)
#: nothing is saved under a made-up name: a random path could lead anywhere
saving = st.sampled_from(
    ["save", "save x", "save x over", "save 'x y'", "save nowhere/x", "save .", "save ~"]
)
sensible = st.sampled_from(
    [
        "snapshot climb",
        "snapshot level for 2 after 10",
        "airspeed falling; altimeter steady",
        "attitude leaning",
        "vsi normal",
        "rest as expected",
        "attitude disagrees with turn coordinator",
        "switch alternate static on",
        "panel two sets",
        "undo",
        "load static_blocked_climb",
        "load vacuum_pump_three_snapshots",
    ]
)
lines = st.one_of(sensible, words, commands, saving, st.text(max_size=30)).filter(
    lambda line: not line.strip().lower().startswith("save") or line in SAVED
)
SAVED = {"save", "save x", "save x over", "save 'x y'", "save nowhere/x", "save .", "save ~"}


@many
@given(st.lists(lines, min_size=1, max_size=5))
def test_random_lines_are_answered_or_refused(typed):
    out = io.StringIO()
    assert run_lines(Desk(kb=KB, engines=ENGINES), typed, out) in (0, 1, 3)
    assert "Traceback" not in out.getvalue()


@given(st.lists(lines, max_size=3), words)
def test_completion_bears_any_beginning(typed, beginning):
    desk = Desk(kb=KB, engines=ENGINES)
    for line in typed:
        with contextlib.suppress(DiagnoseError):
            desk, _ = obey(desk, line)
    for word, _, replaced in complete(beginning, desk):
        assert isinstance(word, str)
        assert 0 <= replaced <= len(beginning)
