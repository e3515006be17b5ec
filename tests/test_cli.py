"""The command line and the prompt through a pipe, as a user meets them."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

import diagnose
from diagnose.commands import COMMANDS, Desk, complete, obey
from diagnose.errors import CaseError, DiagnoseError, UnknownName
from diagnose.session import Session, dump_case, load_case, restore, save_case
from tests.small import shipped

ROOT = Path(diagnose.__file__).parent


def run(*arguments, text=""):
    return subprocess.run(
        [sys.executable, "-m", "diagnose", *arguments],
        input=text,
        capture_output=True,
        text=True,
        timeout=120,
    )


def test_rank_answers_in_text_and_json():
    shown = run("rank", "static_blocked_climb")
    assert shown.returncode == 0
    assert "static ports" in shown.stdout
    assert "the pilot in" in shown.stdout
    data = json.loads(run("rank", "static_blocked_climb", "--json").stdout)
    assert data["ranking"][0]["failures"] == ["static_ports_taped"]


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "is empty"),
        (b"\x00\xff\xfe\x80junk", "not text"),
        (b'title = "x"\npanel = "single_pump"\n[[snapsh', "not valid TOML"),
        (b'title = "x"\npanel = "single_pump"\ncolour = 1\n', "unknown field"),
        (b'title = 3\npanel = "single_pump"\n', "str"),
        (b'title = "x"\npanel = "glider"\n', "no panel 'glider'"),
        (
            b'title = "x"\npanel = "venturi"\n[[snapshot]]\nmanoeuvre = "levl"\nreadings = {"vacuum_light.state" = "lit", "airspeed.trend" = "fall"}\n',
            "no manoeuvre 'levl'",
        ),
    ],
)
def test_a_bad_case_file_is_explained(tmp_path, content, text):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    shown = run("rank", str(path))
    assert shown.returncode == 1
    assert text in shown.stderr
    assert "Traceback" not in shown.stderr


def test_all_problems_of_a_case_are_told_at_once(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        'title = "x"\npanel = "venturi"\n[[snapshot]]\nmanoeuvre = "levl"\n'
        'readings = {"vacuum_light.state" = "lit", "airspeed.trend" = "fall"}\n'
    )
    with pytest.raises(CaseError) as caught:
        load_case(str(path), shipped())
    for text in (
        "no manoeuvre 'levl', nearest: level",
        "vacuum_light.state",
        "airspeed.trend 'fall', nearest: falling",
    ):
        assert text in str(caught.value)


def test_unknown_case_offers_the_nearest():
    shown = run("rank", "static_blocked_clim")
    assert shown.returncode == 1
    assert "static_blocked_climb" in shown.stderr


def test_the_prompt_works_through_a_pipe():
    shown = run(text="snapshot climb\nairspeed falling; altimeter steady; vsi zero\nfoo bar\nrank\n")
    assert shown.returncode == 1
    assert "line 3: there is no gauge 'foo'" in shown.stdout
    assert "To fly on" in shown.stdout


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("airspeed falling", {"airspeed.trend": "falling"}),
        ("the ASI was dropping", {"airspeed.trend": "falling"}),
        ("attitude leaning left", {"attitude.behaviour": "leaning", "attitude.bank": "left"}),
        ("airspeed value low", {"airspeed.value": "low"}),
        ("vsi zero, altimeter steady", {"vertical_speed.rate": "zero", "altimeter.trend": "steady"}),
        ("altimiter stedy", {"altimeter.trend": "steady"}),
        ("suction reads nothing", {"suction.value": "zero"}),
    ],
)
def test_plain_words_are_understood(line, expected):
    desk, _ = obey(obey(Desk(kb=shipped()), "snapshot level")[0], line)
    assert desk.session.snapshot.readings == expected


def test_unsure_words_disagreement_and_the_rest():
    desk = Desk(kb=shipped())
    for line in (
        "snapshot level",
        "airspeed probably falling",
        "attitude disagrees with tc",
        "rest as expected",
    ):
        desk, _ = obey(desk, line)
    snapshot = desk.session.snapshot
    assert snapshot.unsure == {"airspeed.trend": ("falling", 0.8)}
    assert snapshot.disagree == (("attitude", "turn_coordinator"),)
    assert snapshot.readings["altimeter.trend"] == "steady"
    assert not any(f.startswith(("airspeed", "attitude", "turn_coordinator")) for f in snapshot.readings)


@pytest.mark.parametrize(
    ("line", "error", "text"),
    [
        ("airspeed purple", UnknownName, "no reading of the airspeed indicator"),
        ("airspeed", CaseError, "does not say what"),
        ("airspeed rising; airspeed falling", CaseError, "cannot be both"),
        ("electric attitude leaning", CaseError, "has no electric attitude"),
        ("switch pitot heat sideways", CaseError, "no position"),
        ("snapshot loop the loop", UnknownName, "no manoeuvre"),
        ("undo", CaseError, "nothing to take back"),
    ],
)
def test_what_is_not_understood_is_explained_and_nothing_is_lost(line, error, text):
    desk = Desk(kb=shipped()) if line == "undo" else obey(Desk(kb=shipped()), "snapshot level")[0]
    with pytest.raises(error, match=text):
        obey(desk, line)


def test_undo_and_redo_walk_the_whole_way():
    desk = Desk(kb=shipped())
    start = desk.case
    for line in (
        "panel dual pump",
        "context icing",
        "snapshot climb",
        "airspeed falling",
        "forget airspeed",
        "new",
    ):
        desk, _ = obey(desk, line)
    end = desk.case
    while desk.session.past:
        desk, _ = obey(desk, "undo")
    assert desk.case == start
    while desk.session.future:
        desk, _ = obey(desk, "redo")
    assert desk.case == end


def test_a_case_survives_saving_and_loading(tmp_path):
    for name in ("vacuum_pump_three_snapshots", "asrs_453364_primary_static_blocked", "disagreement_only"):
        case = load_case(name, shipped())
        path = tmp_path / f"{name}.toml"
        save_case(case, path)
        assert load_case(str(path), shipped()) == case
        assert restore(path, shipped()) == case
    assert not list(tmp_path.glob("*.part"))


def test_a_broken_autosave_is_passed_over(tmp_path):
    path = tmp_path / "autosave.toml"
    path.write_text(dump_case(Session().case)[:7])
    assert restore(path, shipped()) is None


def test_completion_offers_what_the_panel_has():
    desk = obey(Desk(kb=shipped()), "snapshot level")[0]
    assert "airspeed" in [c for c, _, _ in complete("air", desk)]
    assert [c for c, _, _ in complete("airspeed fal", desk)] == ["falling"]
    assert "falling" in [c for c, _, _ in complete("vsi zero; altimeter ", desk)]
    assert "climb" in [c for c, _, _ in complete("snapshot cl", desk)]
    assert not [c for c, _, _ in complete("electric", desk)]


def test_every_command_has_help_and_stands_in_the_readme():
    readme = (ROOT.parent / "README.md").read_text()
    _, text = obey(Desk(kb=shipped()), "help")
    for command in COMMANDS.values():
        assert command.usage in text
        assert f"`{command.name}" in readme, command.name


def test_help_and_rank_load_nothing_heavy():
    heavy = ("pgmpy", "pandas", "matplotlib", "prompt_toolkit")
    code = (
        "import sys\nfrom diagnose.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print('LOADED', [m for m in sys.modules if m in {!r}])"
    )
    for arguments, banned in ((["--help"], (*heavy, "numpy", "msgspec")), (["rank", "wrong_setting"], heavy)):
        shown = subprocess.run(
            [sys.executable, "-c", code.format(banned), *arguments],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert shown.stdout.rstrip().endswith("LOADED []"), shown.stdout[-300:]


ORDER = (
    "errors",
    "units",
    "model",
    "answer",
    "physics",
    "knowledge",
    "words",
    "readings",
    "memories",
    "likelihood",
    "validate",
    "network",
    "hidden",
    "evidence",
    "inference",
    "advise",
    "session",
    "text",
    "pgmpy_bridge",
    "commands",
    "terminal",
    "cli",
    "__main__",
)


def test_imports_follow_the_order():
    for path in ROOT.rglob("*.py"):
        own = path.relative_to(ROOT).parts[0].removesuffix(".py")
        if own == "__init__":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("diagnose."):
                other = node.module.split(".")[1]
                assert other == own or ORDER.index(other) < ORDER.index(own), f"{own} imports {other}"


def test_errors_are_json_when_json_was_asked_for():
    shown = run("rank", "nowhere", "--json")
    assert json.loads(shown.stderr)["error"]["exit_code"] == 1
    assert issubclass(CaseError, DiagnoseError)
