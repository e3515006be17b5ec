"""The command line as a user meets it: answers, exit codes, and what is imported when."""

from __future__ import annotations

import html
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import diagnose
from diagnose import cli
from diagnose.cli.command import NARROWEST
from diagnose.language.case_files import case_paths
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.render import manual, text
from diagnose.terminal.commands import COMMANDS
from tests.console import PYTHON, process, run
from tests.test_readme import pages

ROOT = Path(diagnose.__file__).parent


# ------------------------------------------------------------------ rank


def test_rank_answers_in_text_and_json():
    shown = process("rank", "static_blocked_climb")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert shown.stdout == run("rank", "static_blocked_climb").stdout
    assert "LIKELY   Static ports" in shown.stdout
    assert "the pilot in" in shown.stdout
    full = run("rank", "static_blocked_climb", "--full").stdout
    assert "\nInstruments\n" in full
    assert len(shown.stdout.splitlines()) <= 24 < len(full.splitlines())
    data = json.loads(run("rank", "static_blocked_climb", "--json").stdout)
    assert data["case"] == "static_blocked_climb"
    assert data["ranking"][0]["failures"] == ["static_ports_taped"]
    assert sum(chance["posterior"] for chance in data["ranking"]) <= 1.0 + 1e-9


def test_several_cases_are_ranked_and_a_bad_one_does_not_keep_the_others_back():
    shown = run("rank", "wrong_setting", "nowhere", "static_blocked_climb")
    assert shown.returncode == 1
    assert shown.stdout.count("LIKELY ") == 2
    assert "diagnose: there is no case 'nowhere'. Try:" in shown.stderr
    shown = run("rank", "wrong_setting", "nowhere", "--json")
    assert shown.returncode == 1
    first, second = json.loads(shown.stdout)
    assert first["ranking"]
    assert second["error"]["what"] == "there is no case 'nowhere'"


def test_the_reason_for_being_here_can_be_said_in_words():
    data = json.loads(run("rank", "wrong_setting", "--json", "--setting", "routine flight").stdout)
    assert data["setting"] == "routine"
    shown = run("rank", "wrong_setting", "--setting", "bogus")
    assert shown.returncode == 1
    assert "there is no setting 'bogus'. Try: routine, anomaly, exercise, watched." in shown.stderr


def test_a_bad_case_file_is_explained_without_a_traceback(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text('title = "x"\npanel = "glider"\n')
    shown = run("rank", str(path))
    assert shown.returncode == 1
    assert shown.stderr.startswith("diagnose: there is no panel 'glider', nearest: ")
    assert f"Where: {path}." in shown.stderr
    assert "Traceback" not in shown.stderr


def test_errors_are_json_when_json_was_asked_for():
    shown = run("rank", "nowhere", "--json")
    assert shown.returncode == 1
    assert shown.stdout == ""
    assert json.loads(shown.stderr)["error"]["exit_code"] == 1
    assert issubclass(CaseError, DiagnoseError)


IMPOSSIBLE = """
[[gauge]]
id = "engine"
name = "tachometer"
group = "independent"
words = ["engine"]
[[gauge.facets]]
id = "state"
name = "power as set or not"
parents = []
misreport = 0.0
source = "judgement"
readings = [{ id = "as_set", means = "as set" }, { id = "not_as_set", means = "not as set" }]
rows = [{ gives = { as_set = 1.0, not_as_set = 0.0 } }]
"""


def test_impossible_evidence_names_the_reading_and_gives_three(tmp_path):
    overlay, case = tmp_path / "mine.toml", tmp_path / "case.toml"
    overlay.write_text(IMPOSSIBLE)
    case.write_text(
        'title = "x"\npanel = "single_pump"\n[[snapshot]]\nmanoeuvre = "level"\n'
        'readings = {"engine.state" = "not_as_set", "airspeed.trend" = "steady"}\n'
    )
    # the overlay counts wherever it stands on the line
    for arguments in (
        ("rank", str(case), "--knowledge", str(overlay)),
        ("--knowledge", str(overlay), "rank", str(case)),
    ):
        shown = run(*arguments)
        assert shown.returncode == 3
        assert "these cannot all be true: engine.state not_as_set (moment 1, level). Try" in shown.stderr
    lines = "snapshot level\nengine not as set\n"
    shown = run("--knowledge", str(overlay), text=lines)
    assert shown.returncode == 3
    assert "line 2: these cannot all be true" in shown.stdout


# ------------------------------------------------------------------ other commands and usage


def test_cases_lists_every_shipped_case_with_its_title():
    lines = run("cases").stdout.splitlines()
    assert [line.split()[0] for line in lines] == list(case_paths())
    assert all(len(line.split()) > 1 for line in lines)


def test_validate_says_what_is_sound_and_what_is_not(tmp_path):
    assert run("validate").stdout.startswith("The knowledge base is sound: ")
    (tmp_path / "mine.toml").write_text("no toml")
    shown = run("validate", "--knowledge", str(tmp_path / "mine.toml"))
    assert shown.returncode == 1
    assert "mine.toml: is not valid TOML" in shown.stderr


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("bogus",), "diagnose: there is no command 'bogus'. Try: diagnose --help."),
        (("rankk",), "there is no command 'rankk'. Try: rank."),
        (("scenario", "plya"), "there is no command 'plya'. Try: play."),
        (("rank", "x", "--paper", "a5"), "'--paper a5' is not known here"),
        (("report", "x", "-o", "y", "--paper", "a5"), "there is no paper 'a5'. Try: a4, letter."),
        (("rank",), "case is missing. Try: diagnose rank --help."),
        (("rank", "x", "--width", "wide"), "--width must be a width from 56 to 1000, not 'wide'"),
        (("rank", "x", "--width", "-3"), "must be a width from 56 to 1000"),
        (("rank", "x", "--width", "0"), "must be a width from 56 to 1000"),
    ],
)
def test_wrong_usage_gives_two(arguments, text):
    shown = run(*arguments)
    assert shown.returncode == 2
    assert text in shown.stderr
    assert shown.stdout == ""


def test_the_narrowest_width_is_that_of_the_text():
    assert NARROWEST == text.NARROWEST


def test_version():
    assert run("--version").stdout == f"diagnose {diagnose.__version__}\n"


def listed(*arguments):
    """The commands that a list of commands shows."""
    return re.findall(r"^    (\w[\w-]*)(?: |$)", run(*arguments, "--help").stdout, re.MULTILINE)


def test_a_user_sees_a_dozen_commands_and_every_command_stands_in_the_manual():
    (choices,) = (action.choices for action in cli.parser()._subparsers._group_actions)
    assert len(listed()) <= 12
    assert set(listed()) < set(choices)
    told = run("manual", "--width", "1000").stdout
    for name in set(choices) - {"proof", "help", "manual"}:
        assert f"diagnose {name}" in told, name
    for command in COMMANDS.values():
        assert f"  {command.name}" in told, command.name


def test_what_maintainers_run_stands_behind_one_word_and_works_without_it():
    words = listed("proof")
    assert {"calibrate", "coverage", "derive", "evidence", "export", "sensitivity", "validate"} == set(words)
    assert not set(words) & set(listed())
    assert run("proof", "validate").stdout == run("validate").stdout != ""
    for word in words:
        own = run(word, "--help").stdout.split("\n\n", 1)[1]
        behind = run("proof", word, "--help").stdout
        assert all(line in behind for line in own.splitlines() if line.startswith("  -")), word


def test_help_tells_topics_commands_gauges_and_terms():
    topics = run("help").stdout
    for topic in manual.TOPICS:
        assert re.search(rf"^  {topic} +{re.escape(manual.title(topic))}$", topics, re.MULTILINE)
        told = run("help", topic).stdout
        assert told.startswith(manual.title(topic).upper() + "\n\n")
        assert told in run("manual").stdout
        assert "**" not in told
    assert run("help", "compare").stdout.startswith("usage: diagnose compare")
    assert "airspeed indicator" in run("help", "airspeed").stdout
    assert "precession" in run("help", "precession").stdout
    assert run(text="help drill\n").stdout.count(manual.title("drill").upper()) == 1
    shown = run("help", "xyzzyq")
    assert (shown.returncode, shown.stdout) == (1, "")
    assert "'xyzzyq' is not a command, a gauge, a reading or a term" in shown.stderr


def test_the_manual_is_one_page_with_every_topic_and_option(tmp_path):
    page = tmp_path / "manual.html"
    assert run("manual", "-o", str(page)).returncode == 0
    text = page.read_text(encoding="utf-8")
    for topic in manual.TOPICS:
        assert f'<h2 id="{topic}">' in text
        for screen in re.findall(r"^```\w*\n(.*?)\n```$", manual.source(topic), re.MULTILINE | re.DOTALL):
            assert f"<pre>{html.escape(screen)}</pre>" in text
    assert "--cross-check" in text
    assert "{commands}" not in text
    assert "```" not in text
    assert text.count("<ul>") == text.count("</ul>") > 3
    assert run("manual", "-o", str(page)).returncode == 1  # it is there already


# ------------------------------------------------------------------ failures, compare, why


def test_rank_gives_reasons_when_asked():
    shown = run("rank", "static_blocked_climb", "--full")
    assert re.search(r"\nWhy: [^.]*altimeter\ssteady\s\(\w+", shown.stdout)
    shown = run("rank", "static_blocked_climb", "--why")
    assert "\nWhy static ports blocked (tape" in shown.stdout
    assert "Another explanation would come first:" in shown.stdout
    assert "why" not in json.loads(run("rank", "static_blocked_climb", "--json").stdout)
    reasons = json.loads(run("rank", "static_blocked_climb", "--json", "--why").stdout)["why"]
    assert reasons["explanation"] == ["static_ports_taped"]
    nothing = reasons["against"][0]
    assert nothing["explanation"] == []
    weights = sum(entry["weight"] for entry in nothing["weights"])
    assert weights + nothing["weight_together"] == pytest.approx(
        nothing["log_odds_now"] - nothing["log_odds_before"]
    )


def test_failures_are_listed_and_have_a_page_each():
    listed = run("failures").stdout
    assert "standby_valve_stuck" in listed
    assert "standby_valve_stuck" not in run("failures", "--panel", "single pump").stdout
    assert {entry["failure"] for entry in json.loads(run("failures", "--json").stdout)} >= {"pump_sheared"}
    shown = run("failures", "wasp", "nest")
    assert shown.stdout.startswith(
        "pitot tube inlet blocked (insects or dirt), drain open (pitot_insect_nest)"
    )
    assert shown.returncode == 0
    # without --panel the first panel that has the part; with it, said when it has not
    assert "six round dials, two vacuum pumps" in " ".join(
        run("failures", "left_pump_stopped", "--full").stdout.split()
    )
    assert "Not on this panel" in run("failures", "left_pump_stopped", "--panel", "single_pump").stdout
    page = json.loads(run("failures", "pump_sheared", "--json").stdout)
    assert page["signature"]["tell_tale"]["facet"] == "suction.value"
    shown = run("failures", "pumb")
    assert shown.returncode == 1
    assert "there is no failure 'pumb'. Try: " in shown.stderr


def test_failures_are_compared_by_ids_or_words():
    by_id = run("compare", "pump_sheared", "suction_gauge_zero")
    by_words = run("compare", "pump", "sheared,", "suction", "gauge", "zero")
    assert by_id.stdout == by_words.stdout
    assert "A lit; B out" in by_id.stdout
    data = json.loads(
        run("compare", "turn_dead", "turn_supply_open", "--json", "--manoeuvre", "left turn").stdout
    )
    assert data["manoeuvre"] == "left_turn"
    assert data["parted_by"][0]["facet"] == "turn_coordinator.flag"
    assert run("compare", "pump_sheared").returncode == 1
    assert "compare which failures?" in run("compare").stderr


def test_groups_that_look_alike():
    data = json.loads(run("compare", "--manoeuvre", "climb", "--json", "--panel", "single_pump").stdout)
    assert (data["manoeuvre"], data["panel"]) == ("climb", "single_pump")
    assert any({"static_ports_taped", "static_line_iced"} <= set(group) for group in data["alike"])


def test_readme_and_manual_show_what_is_really_answered():
    """Blocks that begin with these commands; the text of a block is the whole output, of a flight a part of it."""
    text = "\n".join(pages().values())
    shown = re.findall(r"```\n\$ diagnose ((?:failures|compare|scenario) [^\n]*)\n(.*?)```", text, re.DOTALL)
    assert {arguments.split()[0] for arguments, _ in shown} == {"failures", "compare", "scenario"}
    for arguments, output in shown:
        real = run(*arguments.split(), "--width", "80").stdout
        assert output == real or (arguments.startswith("scenario") and output in real), arguments


# ------------------------------------------------------------------ the prompt through a pipe


def test_the_prompt_works_through_a_pipe():
    shown = run(text="snapshot climb\nairspeed falling; altimeter steady; vsi zero\nfoo bar\n\nrank\n")
    assert shown.returncode == 1
    assert "line 3: there is no gauge 'foo'" in shown.stdout
    assert shown.stdout.index("line 3") < shown.stdout.rindex("LIKELY ")
    assert shown.stdout.startswith("For ground training and review only.")
    assert "gauges>" not in shown.stdout


def test_a_pipe_without_faults_gives_nought_and_always_the_same():
    lines = "snapshot level\nsuction zero\nquit\nnot read any more\n"
    first, second = run(text=lines), process(text=lines)
    assert (first.returncode, first.stderr) == (0, "")
    assert first.stdout == second.stdout
    assert "not read" not in first.stdout


def test_a_batch_stops_at_the_first_fault_with_its_exit_code():
    lines = "snapshot level\nfoo bar\nsuction zero\n"
    shown = run("--batch", text=lines)
    assert shown.returncode == 1
    assert "line 2: there is no gauge 'foo'" in shown.stdout
    assert "> suction zero" not in shown.stdout
    assert run("--batch", text="snapshot level\nsuction zero\n").returncode == 0


def test_plain_output_has_no_table_and_is_always_the_same():
    lines = "snapshot level\nsuction zero\nrank\n"
    first, second = run("--plain", text=lines).stdout, process("--plain", text=lines).stdout
    assert first == second
    assert "LIKELY: Vacuum pump failed, " in first
    assert "  " not in first


def test_bytes_that_are_no_text_are_a_bad_line_and_no_crash():
    shown = subprocess.run(PYTHON, input=b"snapshot level\n\xff\xfe\n", capture_output=True, timeout=120)
    assert shown.returncode == 1
    assert b"Traceback" not in shown.stderr


def test_a_screen_without_the_signs_is_no_reason_to_stop():
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    shown = process(text="help\nfoo é\n", env=environment)
    assert shown.returncode == 1
    assert "Traceback" not in shown.stderr


def test_no_input_at_all_is_no_crash():
    shown = subprocess.run(PYTHON, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120)
    assert (shown.returncode, shown.stderr) == (0, "")


# ------------------------------------------------------------------ interruptions


@pytest.mark.skipif(os.name != "posix", reason="signals and pipes as on POSIX")
def test_a_reader_that_goes_away_is_no_fault():
    shown = subprocess.run(
        f"{sys.executable} -m diagnose rank static_blocked_climb wrong_setting | head -n 1",
        shell=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert shown.stderr == ""
    assert shown.stdout.startswith("Climb out of Karelund")


@pytest.mark.skipif(os.name != "posix", reason="signals and pipes as on POSIX")
def test_control_c_gives_130_without_a_traceback():
    running = subprocess.Popen(
        PYTHON,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # a shell that starts the tests in the background has them ignore it
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    # the first line of output tells that it is reading
    assert running.stdout.readline()
    running.send_signal(signal.SIGINT)
    _, errors = running.communicate(timeout=60)
    assert running.returncode == 130
    assert errors == "stopped\n"


def test_an_unknown_exception_keeps_its_traceback(monkeypatch):
    def broken(chosen, working):
        raise ZeroDivisionError

    monkeypatch.setattr(cli, "_run", broken)
    with pytest.raises(ZeroDivisionError):
        cli.main(["cases"])


# ------------------------------------------------------------------ imports


def test_help_and_rank_load_nothing_heavy():
    heavy = ("pgmpy", "pandas", "matplotlib", "prompt_toolkit")
    code = (
        "import sys\nfrom diagnose.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print('LOADED', [m for m in sys.modules if m in {!r}])"
    )
    light = (*heavy, "numpy", "msgspec", "networkx", "platformdirs", "tomli_w")
    for arguments, lines, banned in (
        (["--help"], "", light),
        (["--version"], "", light),
        (["rank", "wrong_setting"], "", heavy),
        # numpy comes with the engine, and the prompt is there before
        ([], "snapshot level\nhelp\nshow\n", (*heavy, "numpy", "networkx")),
        ([], "snapshot level\nvsi zero\n", heavy),
    ):
        shown = subprocess.run(
            [sys.executable, "-c", code.format(banned), *arguments],
            input=lines,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert shown.stdout.rstrip().endswith("LOADED []"), shown.stdout[-300:]
