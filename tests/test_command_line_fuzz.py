"""Whatever is typed after ``diagnose``, and whatever stands in the files that it names: a sentence, no traceback."""

from __future__ import annotations

import io
import re
import sys
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.cli import main
from diagnose.knowledge import load as knowledge
from tests.examples import some
from tests.small import shipped

RAW = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
CASE = 'title = "x"\npanel = "single_pump"\n'
#: name -> what stands in the file
FILES = {
    "deep.toml": "a = " + "[" * 5000 + "]" * 5000,
    "dots.toml": "a." * 20_000 + "b = 1",
    "digits.toml": CASE + "minutes_since_start = " + "9" * 5000,
    "large.toml": f'{CASE}minutes_since_start = {"9" * 400}\n[[snapshot]]\nmanoeuvre = "level"\nminutes = 1e308',
    "nan.toml": f'{CASE}[[snapshot]]\nmanoeuvre = "level"\nminutes = nan',
    "empty.toml": CASE,
    "dates.toml": "title = 1979-05-27\npanel = [1]\nsnapshot = 3",
    "steering.toml": 'title = "a\\u001b[31m"\npanel = "\\u001b]0;x\\u0007"',
    "leg.toml": 'title = "x"\nbriefing = "y"\npanel = "single_pump"\n[[leg]]\nmanoeuvre = "level"\nminutes = 1e308',
    "map.toml": 'time = []\nperiod_s = 1e308\n[columns]\nairspeed_kt = { column = "airspeed" }',
    "panel.toml": '[[panel]]\nid = "single_pump"\nname = "p"\nbased_on = "single_pump"',
    "bytes.toml": bytes(range(128, 192)),
    "nothing.toml": "",
    "deep.json": "[" * 5000 + "]" * 5000,
    "digits.json": "9" * 5000,
    "results.json": '{"format": "diagnose drill results", "answers": ' + "[" * 3000 + "]" * 3000 + "}",
    "quote.csv": "time,airspeed,altitude\n" + "".join(f'{n},"{n + 100},3000\n' for n in range(60)),
    "cell.csv": "time,airspeed\n" + "".join(f"{n},{'9' * (140_000 if n == 5 else 3)}\n" for n in range(40)),
    "text.csv": "\x1b[31m\n" * 20,
    "notes.sqlite": "my notes",
}
NAMES = (
    *FILES,
    *(
        "folder.csv",
        "missing.toml",
        ".",
        "/dev/null",
        "zero\0byte",
        "\x1b[31m",
        "x" * 300,
        "x" * 5000,
        "",
        "ä\udce9",
    ),
    *("pump_sheared", "nothing", "level", "single_pump", "zzz", "-1", "%s", "{}", '"', ",,", ";"),
)
NUMBERS = ("0", "-1", "1", "56", "1001", "9" * 20, "9" * 5000, "1e308", "nan", "²", "٣", "", "x")
NAME, NUMBER = st.sampled_from(NAMES), st.sampled_from(NUMBERS)
#: command -> (arguments, options with what they take); what takes minutes is left out
COMMANDS = {
    "rank": (1, (("--json",), ("--setting", NAME), ("--width", NUMBER), ("--time-limit", NUMBER))),
    "failures": (1, (("--panel", NAME), ("--json",), ("--width", NUMBER))),
    "cases": (0, ()),
    "scenario list": (0, ()),
    "scenario play": (1, (("--every", NUMBER), ("--csv", NAME), ("--html", NAME), ("--width", NUMBER))),
    "scenario check": (1, ()),
    "tabletop": (1, (("--team", NAME), ("--record", NAME), ("--width", NUMBER))),
    "debrief": (2, (("--html", NAME), ("--json",))),
    "drill": (0, (("--progress", "--data", NAME), ("--import", NAME, "--data", NAME), ("--read", NAME), ("--export", NAME), ("--delete", "--data", NAME))),
    "review": (1, (("--map", NAME), ("--guess",), ("--yes",), ("--say", NAME), ("--svg", NAME), ("--save", NAME))),
    "writeup": (1, (("--map", NAME), ("--json",), ("-o", NAME))),
    "report": (1, (("--session", NAME), ("--data", NAME), ("-o", NAME))),
    "export": (1, (("--to", NAME),)),
    "calibrate --show": (0, (("--svg", NAME), ("--seed", NUMBER), ("--flights", NUMBER))),
    "validate": (0, ()),
}  # fmt: skip


@cache
def kept():
    return shipped()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("files")
    for name, content in FILES.items():
        (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    (folder / "folder.csv").mkdir()
    return folder


@some(60)
@given(data=st.data())
def test_no_command_line_gives_a_traceback_or_touches_a_file_that_was_there(folder, data):
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for kind in ("STATE", "DATA", "CONFIG"):
            patch.setenv(f"XDG_{kind}_HOME", str(folder / "home"))
        words = data.draw(st.sampled_from(sorted(COMMANDS)))
        count, options = COMMANDS[words]
        arguments = [*words.split(), *(data.draw(NAME) for _ in range(count))]
        for option in data.draw(st.lists(st.sampled_from(options), max_size=2)) if options else ():
            arguments += [part if isinstance(part, str) else data.draw(part) for part in option]
        if data.draw(st.booleans()) and data.draw(st.booleans()):
            arguments += ["--knowledge", data.draw(NAME)]
        else:
            patch.setattr(knowledge, "load_knowledge", lambda *given, **more: kept())
        out, err = io.StringIO(), io.StringIO()
        patch.setattr(
            sys, "stdin", io.StringIO("yes\nsuspect pump\nsave notes.sqlite\n" + "x" * 5000 + "\nquit\n")
        )
        patch.setattr(sys, "stdout", out)
        patch.setattr(sys, "stderr", err)
        try:
            code = main(arguments)
        except SystemExit as ended:
            code = ended.code
        assert code in (0, 1, 2, 3), arguments
        assert not RAW.search(out.getvalue() + err.getvalue()), arguments
        for name, content in FILES.items():
            assert (folder / name).read_bytes() == (
                content if isinstance(content, bytes) else content.encode()
            ), arguments
