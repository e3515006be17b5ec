"""The streams of the command line: nothing steers the terminal, lines have an end, and long work says so."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import time

import pytest

from diagnose.cli import main
from diagnose.cli.command import LONGEST_TEXT
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.terminal.commands import obey
from diagnose.terminal.console import LONGEST_LINE, Shown, Typed, Working, streams
from tests.desks import desk_after

#: everything below is shown by a terminal as text; a title with all of them
STEERING = "\x1b[2J\x1b]0;owned\x07\x9b31m\x08\x7f\u202e"
RAW = re.compile("[\0-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def diagnose(*arguments, text="", **more):
    return subprocess.run(
        [sys.executable, "-m", "diagnose", *map(str, arguments)],
        input=text.encode(),
        capture_output=True,
        timeout=300,
        **more,
    )


# ------------------------------------------------------------------ nothing steers a terminal


@pytest.fixture
def case(tmp_path):
    title = STEERING.encode("unicode_escape").decode().replace("\\x", "\\u00")
    path = tmp_path / "case.toml"
    path.write_text(
        f'title = "a{title}b"\nnote = "n{title}"\npanel = "single_pump"\n[[snapshot]]\nmanoeuvre = "climb"\n'
        '[snapshot.readings]\n"airspeed.trend" = "falling"\n"vertical_speed.rate" = "zero"\n'
    )
    return path


def test_a_title_that_steers_is_shown_harmlessly_in_every_face(case, tmp_path, capsys, monkeypatch):
    for arguments in (
        ["rank", case],
        ["rank", case, "--json"],
        ["rank", case, "--why", "--looks"],
        ["writeup", case],
        ["writeup", case, "--notes"],
        ["writeup", case, "--json"],
        ["report", case, "-o", tmp_path / "report.html"],
        ["writeup", case, "-o", tmp_path / "writeup.html"],
    ):
        assert main([str(argument) for argument in arguments]) == 0, arguments
        shown = capsys.readouterr()
        assert not RAW.search(shown.out + shown.err), arguments
    for page in tmp_path.glob("*.html"):
        assert not RAW.search(page.read_text(encoding="utf-8")), page
        assert "␛" in page.read_text(encoding="utf-8")
    lines = f"load {case}\nshow\nsave {tmp_path}/copy\nairspeed {STEERING}\n{STEERING}\nrank\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    main([])
    shown = capsys.readouterr()
    assert "␛" in shown.out
    assert not RAW.search(shown.out + shown.err)
    assert not RAW.search((tmp_path / "copy.toml").read_text(encoding="utf-8"))


def test_a_scenario_that_steers_is_shown_harmlessly(tmp_path, capsys):
    from diagnose.practice.scenarios import scenario_path

    text = scenario_path("green_arc").read_text(encoding="utf-8")
    title = re.search(r'^title = "(.*)"$', text, re.MULTILINE)[1]
    path = tmp_path / "s.toml"
    path.write_text(text.replace(title, title + r"\u001b[2J\u0007"), encoding="utf-8")
    assert main(["scenario", "play", str(path)]) == 0
    assert main(["tabletop", str(path), "--page", str(tmp_path / "p.html")]) == 0
    assert main(["scenario", "play", str(path), "--csv", str(tmp_path / "t.csv")]) == 0
    shown = capsys.readouterr()
    files = "".join((tmp_path / name).read_text(encoding="utf-8") for name in ("p.html", "t.csv"))
    assert not RAW.search(shown.out + files)


def test_no_such_sign_becomes_part_of_a_file_name(tmp_path):
    desk = desk_after("snapshot level; suction zero")
    for line in (f"save {tmp_path}/a\x1b[31mb", f"report {tmp_path}/a\x07b", f"save {tmp_path}/a\x9bb"):
        with pytest.raises(CaseError, match="control characters"):
            obey(desk, line)
    assert os.listdir(tmp_path) == []


def test_a_stream_keeps_what_is_text_and_counts_it():
    out = io.StringIO()
    shown = Shown(out, Working(io.StringIO()))
    assert shown.write("½ °C\tx\r\n\x1b") == 9
    assert out.getvalue() == "½ °C\tx\r\n␛"


# ------------------------------------------------------------------ long lines


@pytest.mark.parametrize("size", [LONGEST_LINE + 1, 16_000, 1_000_000, 10_000_000])
@pytest.mark.parametrize("unit", ["a", "airspeed falling; ", "not "])
def test_a_long_line_is_refused_at_once(size, unit):
    desk = desk_after("snapshot level")
    line = (unit * (size // len(unit) + 1))[:size].rstrip() + "x" * 8
    began = time.process_time()
    with pytest.raises(CaseError, match="this line is too long to be read"):
        obey(desk, line)
    assert time.process_time() - began < 0.5


def test_a_pipe_without_an_end_of_line_costs_no_memory_and_the_next_line_counts():
    """Read by a stream that counts what it is asked for."""

    class Endless(io.StringIO):
        most = 0

        def readline(self, size=-1):
            assert size > 0
            line = super().readline(size)
            self.most = max(self.most, len(line))
            return line

    stream = Endless("a" * 10_000_000 + "\nairspeed falling\n" + "b" * (4 * LONGEST_LINE + 2) + "\nlast")
    lines = list(Typed(stream, Working(io.StringIO())))
    assert [line.rstrip("\n")[:16] for line in lines] == ["a" * 16, "airspeed falling", "b" * 16, "last"]
    assert stream.most < 3 * LONGEST_LINE
    for line in (lines[0], lines[2]):
        with pytest.raises(CaseError, match="too long"):
            obey(desk_after(), line)


def test_a_long_line_through_a_pipe_is_told_and_the_rest_goes_on():
    done = diagnose(text="snapshot level\n" + "a" * 5_000_000 + "\nsuction zero\n")
    shown = done.stdout.decode()
    assert "line 2: this line is too long to be read" in shown
    assert len(shown) < 20_000
    assert shown.index("too long") < shown.index("Heard: ")


def test_no_completion_is_looked_for_in_a_text_without_end():
    from diagnose.terminal.screen import complete

    began = time.process_time()
    assert complete("airspeed " * 100_000, desk_after("snapshot level")) == []
    assert time.process_time() - began < 0.1


@pytest.mark.parametrize("words", [["failures"], ["rank"], ["compare"], ["scenario", "check"]])
def test_an_argument_without_end_is_refused(words, capsys):
    assert main([*words, "a" * (LONGEST_TEXT + 1)]) == 1
    told = capsys.readouterr().err
    assert "is too long" in told
    assert len(told) < 300


@pytest.mark.parametrize(
    "arguments",
    [
        ["rank", "disagreement_only", "--width", "9" * 20],
        ["failures", "--width", "9" * 5000],
        ["drill", "--seed", "-1", "--progress"],
        ["drill", "--seed", "9" * 30],
        ["scenario", "new", "x.toml", "--random", "--seed", "-1"],
        ["scenario", "play", "green_arc", "--every", "9" * 30],
        ["calibrate", "--flights", "9" * 5000],
        ["sensitivity", "--processes", "9" * 20],
    ],
)
def test_numbers_that_no_machine_holds_are_refused_as_usage(arguments, capsys):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert len(capsys.readouterr().err.splitlines()[-1]) < 200


# ------------------------------------------------------------------ long work


def at_a_terminal(*arguments):
    """Run with the error stream on a terminal; gives (code, standard output, what the terminal was sent)."""
    import pty

    ours, theirs = pty.openpty()
    # a fast machine must not be done before the patience is: any work counts as long here
    impatient = "import diagnose.terminal.console as c; c.PATIENCE_S = 0.0; from diagnose.cli import main; raise SystemExit(main())"
    process = subprocess.Popen(
        [sys.executable, "-c", impatient, *arguments],
        stdout=subprocess.PIPE,
        stderr=theirs,
        stdin=subprocess.DEVNULL,
    )
    os.close(theirs)
    sent = b""
    while True:
        try:
            part = os.read(ours, 4096)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        sent += part
    out, _ = process.communicate(timeout=300)
    os.close(ours)
    return process.returncode, out.decode(), sent.decode()


@pytest.mark.skipif(os.name != "posix", reason="needs a terminal of Unix")
def test_long_work_says_so_on_a_terminal_and_nowhere_else():
    arguments = ["coverage", "--manoeuvre", "level"]
    code, out, sent = at_a_terminal(*arguments)
    assert code == 0
    assert re.search(r"working: coverage of level \(\d+ s\)", sent)
    # what is shown is erased in the end, and steers nothing
    assert sent.endswith("\r")
    assert not sent.split("\r")[-2].strip()
    assert "\x1b" not in sent
    assert "working" not in out
    done = diagnose(*arguments)
    assert (done.returncode, done.stderr) == (0, b"")


def test_whoever_is_to_type_is_not_disturbed(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    screen = Terminal()
    monkeypatch.setattr("diagnose.terminal.console.PATIENCE_S", 0.2)
    working = Working(screen)
    working.begin("drill")

    class Slow(io.StringIO):
        def readline(self, size=-1):
            time.sleep(1.5)
            return "x\n"

    assert Typed(Slow(), working).readline() == "x\n"
    assert screen.getvalue() == ""
    time.sleep(1.2)
    assert "working: drill" in screen.getvalue()
    Shown(screen, working).write("answer")
    assert screen.getvalue().endswith("\ranswer")
    working.end()


def test_where_lines_are_typed_work_is_told_once_on_a_line_of_its_own(monkeypatch):
    """What is typed meanwhile is echoed behind it: nothing is written over it, and nothing glued to it."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    screen = Terminal()
    monkeypatch.setattr("diagnose.terminal.console.PATIENCE_S", 0.2)
    working = Working(screen)
    working.begin("drill")
    assert Typed(Terminal("x\n"), working).readline() == "x\n"
    time.sleep(1.8)
    assert screen.getvalue() == "(working)\n"
    Shown(screen, working).write("answer")
    working.end()
    assert screen.getvalue() == "(working)\nanswer"


def test_the_streams_are_given_back(capsys):
    before = sys.stdin, sys.stdout, sys.stderr
    with pytest.raises(DiagnoseError), streams():
        raise DiagnoseError("x")
    assert (sys.stdin, sys.stdout, sys.stderr) == before


# ------------------------------------------------------------------ what was seen to fail


def test_a_case_without_snapshots_is_exported_nowhere(tmp_path, capsys):
    (tmp_path / "c.toml").write_text('title = "x"\npanel = "single_pump"\n')
    assert main(["export", str(tmp_path / "c.toml")]) == 1
    assert "nothing has been said yet" in capsys.readouterr().err


def test_without_the_library_the_rest_works_and_it_is_said(monkeypatch, capsys):
    for name in [name for name in sys.modules if name.partition(".")[0] == "pgmpy"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pgmpy", None)
    assert main(["rank", "disagreement_only", "--cross-check"]) == 0
    shown = capsys.readouterr().out
    assert "Cross-check not run: pgmpy is not installed" in " ".join(shown.split())
    assert main(["export", "disagreement_only"]) == 1
    assert "this needs pgmpy" in capsys.readouterr().err


def test_the_size_of_an_exported_network_is_said_before_and_is_about_right():
    done = diagnose("export", "disagreement_only")
    said = float(re.search(r"takes about ([\d.]+) MB", done.stderr.decode())[1])
    assert 0.8 * len(done.stdout) < said * 1e6 < 1.25 * len(done.stdout)
