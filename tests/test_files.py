"""The one writer and the bounded readers: nothing half-written, nothing over or through anything unasked."""

from __future__ import annotations

import argparse
import os
import resource
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from diagnose.cli import parser
from diagnose.cli.command import Parser
from diagnose.model.errors import CaseError
from diagnose.model.files import (
    MOST_DEEP,
    escaped,
    harmless,
    json_of,
    private_file,
    private_folder,
    toml_of,
    write_whole,
)

PACKAGE = Path(__file__).parents[1] / "diagnose"


def run(*arguments, **more):
    """The command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "diagnose", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=300,
        **more,
    )


# ------------------------------------------------------------------ the writer


def test_a_file_that_is_there_stays_unless_told(tmp_path):
    path = tmp_path / "page.html"
    write_whole("one", path)
    with pytest.raises(CaseError, match="there is a file of this name already"):
        write_whole("two", path)
    assert path.read_text() == "one"
    write_whole("two", path, over=True)
    assert path.read_text() == "two"
    assert os.listdir(tmp_path) == ["page.html"]


def test_a_file_that_comes_meanwhile_stays(tmp_path):
    path = tmp_path / "page.html"

    def content():
        path.write_text("theirs")
        return "ours"

    with pytest.raises(CaseError, match="cannot be written"):
        write_whole(content, path)
    assert path.read_text() == "theirs"
    assert os.listdir(tmp_path) == ["page.html"]


@pytest.mark.parametrize("over", [False, True])
@pytest.mark.parametrize("there", [True, False])
def test_no_link_is_followed(tmp_path, over, there):
    target = tmp_path / "target"
    if there:
        target.write_text("theirs")
    (tmp_path / "link").symlink_to(target)
    with pytest.raises(CaseError, match="this is a link"):
        write_whole("ours", tmp_path / "link", over=over)
    assert (target.read_text() if there else not target.exists()) in ("theirs", True)


def test_an_output_that_is_read_is_refused_under_any_name(tmp_path):
    source = tmp_path / "flight.csv"
    source.write_text("rows")
    os.link(source, tmp_path / "same.csv")
    for path in (source, tmp_path / "same.csv", tmp_path / "." / "flight.csv"):
        with pytest.raises(CaseError, match="this file is read"):
            write_whole("picture", path, over=True, sources=[source])
    assert source.read_text() == "rows"


def test_what_fails_while_it_is_made_leaves_all_as_it_was(tmp_path):
    def broken():
        raise ZeroDivisionError

    (tmp_path / "page").write_text("old")
    with pytest.raises(ZeroDivisionError):
        write_whole(broken, tmp_path / "page", over=True)
    assert [(tmp_path / name).read_text() for name in os.listdir(tmp_path)] == ["old"]


def test_rights_are_kept_and_private_files_are_for_their_owner(tmp_path):
    page, state = tmp_path / "page", tmp_path / "state"
    write_whole("x", page)
    page.chmod(0o640)
    write_whole("y", page, over=True)
    assert stat.S_IMODE(page.stat().st_mode) == 0o640
    write_whole("x", state, private=True)
    assert stat.S_IMODE(state.stat().st_mode) == 0o600
    state.chmod(0o644)
    write_whole("y", state, over=True, private=True)
    assert stat.S_IMODE(state.stat().st_mode) == 0o600
    folder = tmp_path / "folder"
    folder.mkdir(mode=0o755)
    assert stat.S_IMODE(private_folder(folder).stat().st_mode) == 0o700
    (folder / "history").write_text("typed")
    (folder / "history").chmod(0o644)
    assert stat.S_IMODE(private_file(folder / "history").stat().st_mode) == 0o600
    assert (folder / "history").read_text() == "typed"


def test_a_full_disk_leaves_the_old_file(tmp_path):
    """The limit on a file's size stands for a disk that fills: both fail in the middle of the writing."""
    path = tmp_path / "page"
    path.write_text("old")
    code = (
        "import resource, signal, sys; from pathlib import Path; from diagnose.model.files import write_whole\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "write_whole('x' * 5000, Path(sys.argv[1]), over=True)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, timeout=60)
    assert "the file cannot be written (File too large)" in done.stderr
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["page"]


@pytest.mark.parametrize("name", ["a\x1b[31m.html", "a\nb.html", "a\x9b.html", "a\u202eb.html", "a\0b"])
def test_no_sign_that_steers_a_terminal_becomes_part_of_a_name(tmp_path, name):
    with pytest.raises(CaseError, match="control characters in its name"):
        write_whole("x", tmp_path / name)
    assert os.listdir(tmp_path) == []


def test_nothing_else_in_the_package_writes_a_file():
    """The general rule: whoever needs a file written goes through the one writer."""
    writing = ("write_text(", "write_bytes(", ".savez", "NamedTemporary", 'open("w', '"w", encoding')
    for path in PACKAGE.rglob("*.py"):
        if path.name in ("files.py",) and path.parent == PACKAGE:
            continue
        text = path.read_text().replace("np.savez_compressed(\n        packed", "")
        assert not [sign for sign in writing if sign in text], path


# ------------------------------------------------------------------ signs that steer a terminal


def test_steering_signs_are_shown_and_nothing_else_is_touched():
    assert harmless("a\x1b[2Jb\x07\x7f\x9b\u202e") == "a␛[2Jb␇␡\ufffd\ufffd"
    plain = "Übung – ½ °C\ttab\nline\r\nnext 🙂"
    assert harmless(plain) == plain
    assert harmless("covered\rup") == "covered␍up"


def test_data_with_such_signs_reads_back_the_same():
    for code in (*range(0x20), *range(0x7F, 0xA0), 0x202E, 0x2066):
        text = f"a{chr(code)}b"
        import json

        import tomli_w

        for written, read in ((tomli_w.dumps, toml_of), (json.dumps, lambda t: json_of(t.encode()))):
            data = escaped(written({"title": text}))
            assert harmless(data) == data
            assert read(data) == {"title": text}


# ------------------------------------------------------------------ the readers


def nested(deep):
    return "a = " + "[" * deep + "]" * deep


@pytest.mark.parametrize(
    "text",
    [
        nested(5000),
        nested(500),
        "a = " + "{ b = " * 5000 + "1" + " }" * 5000,
        "a = " + "9" * 5000,
        "a." * 20_000 + "b = 1",
        "x = { " + "a . " * 20_000 + "b = 1 }",
        "[" + "a." * 20_000 + "b]",
        "[[" + '"a".' * 20_000 + "b]]",
        "a = 1\n" * 2,
        "a = [",
        "#" * 5_000_000,
    ],
    ids=lambda text: text[:12],
)
def test_toml_that_would_break_or_hang_a_reader_is_refused_at_once(text):
    began = time.process_time()
    with pytest.raises(ValueError, match=r"\w"):
        toml_of(text)
    assert time.process_time() - began < 2.0


def test_toml_as_deep_as_any_file_of_ours_is_read():
    assert toml_of(nested(MOST_DEEP - 2))["a"]
    assert toml_of("a." * 20 + "b = 1")
    assert toml_of(f'note = "{"word. " * 5000}"')
    assert toml_of(f'note = "{"." * 5000}"\nmore = """{"a, b " * 5000}"""')


def test_reading_is_linear_in_a_long_text():
    def seconds(text):
        began = time.process_time()
        toml_of(text)
        return time.process_time() - began

    for text in ('a = "{}"', "# {}", "{} = 1"):
        assert seconds(text.format("a" * 2_000_000)) < 2.0
        assert seconds(text.format("a-b " * 500_000) if text[0] != "{" else "b = 1") < 2.0


@pytest.mark.parametrize(
    "text", ["[" * 5000 + "]" * 5000, '{"a":' * 5000 + "1" + "}" * 5000, "9" * 5000, "{", "\xff"]
)
def test_json_that_would_break_a_reader_is_refused(text):
    with pytest.raises(ValueError, match=r"\w"):
        json_of(text.encode("latin-1"))


# ------------------------------------------------------------------ every command that writes


def commands(top):
    """Every command of the command line with its parser, by its words."""
    for action in top._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, sub in action.choices.items():
                yield (name,), sub
                yield from (((name, *rest), below) for rest, below in commands(sub))


READ = (
    "map", "knowledge", "take", "read", "session", "data", "work", "table", "record", "file", "knowledge_first",
)  # fmt: skip


def test_every_option_that_names_a_file_to_write_says_so_to_the_guard():
    """An argument with a path is one that is read (listed here) or one that is guarded."""
    found = 0
    for words, command in commands(parser()):
        outputs = command.get_default("outputs") or ()
        for action in command._actions:
            if action.type is Path and action.dest not in outputs:
                assert action.dest in READ, (words, action.dest)
                assert not (action.dest == "file" and words[-1] == "new")
            found += action.dest in outputs
        assert not outputs or any(action.dest == "over" for action in command._actions), words
    assert found >= 20


def test_an_output_is_refused_before_any_work(tmp_path):
    (tmp_path / "there").write_text("old")
    for arguments in (
        ["derive", "--to"],
        ["calibrate", "--flights", "100000", "--to"],
        ["sensitivity", "--to"],
        ["coverage", "--every-panel", "--to"],
        ["evidence", "--html"],
        ["writeup", "disagreement_only", "-o"],
        ["report", "disagreement_only", "-o"],
        ["export", "disagreement_only", "--to"],
        ["scenario", "play", "green_arc", "--html"],
        ["scenario", "new", "--random"],
        ["tabletop", "green_arc", "--record"],
        ["tabletop", "green_arc", "--page"],
        ["drill", "--export"],
    ):
        began = time.process_time()
        from diagnose.cli import main

        assert main([*arguments, str(tmp_path / "there")]) == 1, arguments
        assert time.process_time() - began < 1.0
        assert (tmp_path / "there").read_text() == "old"


def test_two_results_do_not_go_into_one_file(tmp_path, capsys):
    from diagnose.cli import main

    (tmp_path / "r.csv").write_text("time,airspeed\n0,100\n1,100\n")
    same = str(tmp_path / "x")
    assert main(["review", str(tmp_path / "r.csv"), "--yes", "--svg", same, "--html", same]) == 1
    assert "two results are to be written into one file" in capsys.readouterr().err
    recording = str(tmp_path / "r.csv")
    assert main(["review", recording, "--yes", "--svg", recording, "--over"]) == 1
    assert "this file is read" in capsys.readouterr().err
    assert (tmp_path / "r.csv").read_text().startswith("time")


def test_a_page_is_written_over_only_when_told(tmp_path):
    page = tmp_path / "page.html"
    assert run("writeup", "disagreement_only", "-o", page).returncode == 0
    before = page.read_bytes()
    done = run("writeup", "disagreement_only", "-o", page)
    assert (done.returncode, "--over" in done.stderr) == (1, True)
    page.write_text("mine")
    assert run("writeup", "disagreement_only", "-o", page, "--over").returncode == 0
    assert page.read_bytes() == before


def test_guarded_arguments_may_stand_in_a_group():
    top = Parser()
    top.writes("--a", text="", group=top.add_mutually_exclusive_group())
    top.writes("--b", text="")
    chosen = top.parse_args(["--a", "x", "--over"])
    assert (chosen.outputs, chosen.over) == (("a", "b"), True)


# ------------------------------------------------------------------ a machine that gives no room and no rights


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_an_answer_that_cannot_be_written_is_told():
    for arguments in (["cases"], ["failures"], ["rank", "disagreement_only", "--json"]):
        with open("/dev/full", "w") as full:
            done = subprocess.run(
                [sys.executable, "-m", "diagnose", *arguments],
                stdout=full,
                stderr=subprocess.PIPE,
                text=True,
                timeout=120,
            )
        assert done.returncode == 1
        assert "the answer cannot be written (No space left on device)" in done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_a_pipe_that_is_closed_and_streams_that_are_not_there_are_no_fault():
    for tail in ("| head -1", ">&-", "<&- >/dev/null", "2>&- >/dev/null", ">&- 2>&- <&-"):
        command = f"{sys.executable} -m diagnose cases {tail}"
        done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, timeout=60)
        assert (done.returncode, done.stderr) == (0, ""), tail


@pytest.mark.skipif(os.name != "posix", reason="limits of a process")
def test_a_disk_that_fills_during_a_calibration_loses_nothing_and_it_goes_on_after(tmp_path):
    """Chunks flown before the limit stay whole; the same command goes on from them."""
    work, out = tmp_path / "work", tmp_path / "out.json"
    command = ["calibrate", "--flights", "2", "--healthy", "1", "--workers", "1", "--work", work, "--to", out]

    def limited():
        import signal

        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1200, 1200))

    done = run(*command, preexec_fn=limited)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "cannot be written (File too large)" in done.stderr
    assert not out.exists()
    kept = [path for path in work.rglob("*") if path.is_file()]
    assert all(path.suffix == ".json" and json_of(path.read_bytes()) for path in kept)
    done = run(*command)
    assert done.returncode == 0, done.stderr
    assert json_of(out.read_bytes())["scores"]


def test_a_disk_that_fills_while_tables_are_stored_leaves_the_old_ones(tmp_path):
    (tmp_path / "tables.npz").write_bytes(b"old")
    code = (
        "import resource, signal, sys, numpy as np; from pathlib import Path; from diagnose import load_knowledge; from diagnose.network import likelihood\n"
        "draws = np.random.default_rng(1)\n"
        "likelihood.simulate_counts = lambda *given: draws.integers(0, 1 << 40, 500)\n"
        "kb = load_knowledge()\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))\n"
        "likelihood.derive(kb, Path(sys.argv[1]))"
    )
    arguments = [sys.executable, "-c", code, str(tmp_path / "tables.npz")]
    done = subprocess.run(arguments, capture_output=True, text=True, timeout=120)
    assert "the tables cannot be written (File too large)" in done.stderr
    assert (tmp_path / "tables.npz").read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["tables.npz"]


@pytest.mark.skipif(os.name != "posix", reason="folders of Unix")
def test_who_may_write_nowhere_is_told_so_and_still_gets_answers(tmp_path):
    """Every folder that is ours by default lies below a file, where nobody can make one."""
    (tmp_path / "file").touch()
    home = {f"XDG_{kind}_HOME": str(tmp_path / "file" / "x") for kind in ("STATE", "DATA", "CACHE", "CONFIG")}
    environment = {**os.environ, **home}
    assert run("rank", "disagreement_only", env=environment).returncode == 0
    for arguments, said in (
        (["drill", "--progress"], "the progress cannot be read or written"),
        (["drill", "--export", str(tmp_path / "out.json")], "the progress cannot be read or written"),
        (["calibrate", "--flights", "1"], "cannot be used"),
        (["writeup", "disagreement_only", "-o", str(tmp_path / "file" / "page.html")], "cannot be written"),
        (["rank", str(tmp_path / "file" / "case.toml")], "there is no file"),
    ):
        done = run(*arguments, env=environment)
        assert done.returncode == 1, arguments
        assert said in done.stderr
        assert len(done.stderr.splitlines()) == 1, done.stderr


@pytest.mark.skipif(os.name != "posix", reason="rights of files")
def test_what_a_prompt_keeps_is_for_its_owner_only(tmp_path):
    from diagnose.terminal.prompt import open_keeper
    from tests.desks import desk_after

    folder = tmp_path / "state"
    folder.mkdir(mode=0o755)
    keeper = open_keeper(folder)
    keeper.keep(desk_after("snapshot level"), desk_after())
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    rights = {path.suffix: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert rights == {".lock": 0o600, ".toml": 0o600}
    keeper.close()


def test_a_session_saves_over_its_own_record_only(tmp_path, capsys, monkeypatch):
    import io

    from diagnose.cli import main

    (tmp_path / "theirs.json").write_text("theirs")
    own, theirs = tmp_path / "own.json", tmp_path / "theirs.json"
    lines = f"atc hello\nsave {own}\natc again\nsave {own}\nsave {theirs}\nquit\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    assert main(["tabletop", "green_arc"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert shown.count(f"saved in {own}") == 2
    assert "there is a file of this name already" in shown
    assert theirs.read_text() == "theirs"
    assert len(json_of(own.read_bytes())["calls"]) == 2
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"save {theirs} over\nquit\n"))
    assert main(["tabletop", "green_arc"]) == 0
    assert json_of(theirs.read_bytes())["calls"] == []
