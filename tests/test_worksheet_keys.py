"""The worksheet by keys and mouse, and in a real terminal."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.mouse_events import MouseButton, MouseEvent, MouseEventType
from prompt_toolkit.output import DummyOutput

import diagnose
from diagnose.terminal import sheet as moves
from diagnose.terminal.commands import Desk
from diagnose.terminal.sheet import Sheet
from diagnose.terminal.worksheet import Worksheet, run_worksheet
from tests.small import shipped
from tests.test_worksheet import ENGINES, climb, desk_after, screen, typed

# ------------------------------------------------------------------ keys and mouse


class Sized(DummyOutput):
    def get_size(self):
        return Size(rows=24, columns=80)


def pressed(keys, *lines):
    kept = []
    with create_pipe_input() as keyboard:
        keyboard.send_text(keys)
        desk = desk_after(*lines)
        after = run_worksheet(
            desk, True, lambda _, desk: kept.append(desk) or "", input=keyboard, output=Sized()
        )
    assert not after.later
    return after, kept


DOWN, RIGHT, LEFT, F4, F10, PASTE = "\x1b[B", "\x1b[C", "\x1b[D", "\x1bOS", "\x1b[21~", "\x1b[200~{}\x1b[201~"


@pytest.mark.parametrize(
    ("keys", "readings"),
    [
        ("f" + F4, {"airspeed.trend": "falling"}),
        ("f" + DOWN + "l" + F4, {"airspeed.trend": "falling", "airspeed.value": "low"}),
        ("\r" + DOWN + DOWN + "\r" + F4, {"airspeed.trend": "falling"}),
        (" " + DOWN + "\r" + F4, {"airspeed.trend": "rising"}),
        ("f\x7f" + F4, {}),
        ("f\x1b[3~" + F4, {}),
        ("f\x1a" + F4, {}),
        ("f\x1a\x19" + F4, {"airspeed.trend": "falling"}),
        (DOWN * 2 + "=" + F4, {"altimeter.trend": "rising", "altimeter.value": "right"}),
        (":vsi zero; airspeed rising\r" + F4, {"vertical_speed.rate": "zero", "airspeed.trend": "rising"}),
        (":half a line\x03" + F4, {}),
        ("f\x03\x04", {"airspeed.trend": "falling"}),
        (
            PASTE.format("airspeed falling\nvsi zero") + F4,
            {"airspeed.trend": "falling", "vertical_speed.rate": "zero"},
        ),
        (":" + PASTE.format("vsi zero") + "\r" + F4, {"vertical_speed.rate": "zero"}),
    ],
)
def test_keys_do_what_they_say(keys, readings):
    desk, kept = pressed(keys, "snapshot climb")
    assert desk.case.snapshot[0].readings == readings
    assert desk.face == "lines"
    assert not desk.done
    assert kept[-1].case == desk.case


def test_the_first_letters_say_what_was_flown():
    desk, _ = pressed("climb\r" + "f" + F4)
    assert [s.manoeuvre for s in desk.case.snapshot] == ["climb"]
    assert desk.case.snapshot[0].readings == {"airspeed.trend": "falling"}


def test_a_sentence_on_the_empty_sheet_is_held_and_the_next_says_what_was_flown():
    sheet = Sheet(desk=Desk(kb=shipped(), later=True, asks=True, face="worksheet"))
    sheet = moves.command_line(sheet, "my attitude indicator is leaning")
    assert sheet.message.startswith("Noted: attitude indicator: behavior leaning.")
    assert "what were you flying then?" in sheet.message
    assert not sheet.page
    after, _ = pressed(":my attitude indicator is leaning\rlevel\r" + F4)
    (snapshot,) = after.case.snapshot
    # what changes the sheet is told below it, not on a page that hides it
    said = "airspeed went to zero in the climb. We were in cloud, I think. Pitot heat may have been off"
    told = moves.command_line(Sheet(desk=Desk(kb=shipped(), later=True)), said)
    assert told.message.startswith("Heard: + airspeed indicator: value zero")
    assert told.desk.case.context == ()  # a doubt and a guess are no conditions
    assert not told.page
    assert (snapshot.manoeuvre, snapshot.readings) == ("level", {"attitude.behaviour": "leaning"})


def test_keys_between_snapshots_and_commands():
    desk, _ = pressed(LEFT + "f" + RIGHT + "r" + ":copy 1\r" + "s" + F10, "snapshot climb", "snapshot level")
    assert [s.readings for s in desk.case.snapshot] == [
        {"airspeed.trend": reading} for reading in ("falling", "steady", "rising")
    ]
    assert desk.done


def test_a_line_that_is_not_understood_stays_to_be_mended():
    desk, _ = pressed(":airspeed purple\r" + "\x7f" * 6 + "rising\r" + F4, "snapshot climb")
    assert desk.case.snapshot[0].readings == {"airspeed.trend": "rising"}


def test_the_question_mark_is_doubt_and_a_star_fills_in():
    desk, _ = pressed("f?*" + F4, "snapshot climb")
    snapshot = desk.case.snapshot[0]
    assert snapshot.unsure["airspeed.trend"] == ("falling", 0.75)
    assert set(snapshot.unsure) - {"airspeed.trend"} == {"radios.state", "engine.state"} & set(
        snapshot.filled
    )
    assert "altimeter.trend" in snapshot.filled


def click(worksheet, row, column):
    handler = worksheet._clicked(("cell", row, column))
    handler(MouseEvent((0, 0), MouseEventType.MOUSE_UP, MouseButton.LEFT, frozenset()))


def test_the_mouse_selects_offers_and_takes():
    desk = desk_after("snapshot climb", "snapshot level")
    worksheet = Worksheet(sheet=Sheet(desk=desk), keep=lambda *_: "")
    click(worksheet, 4, 0)
    assert (worksheet.sheet.facet, worksheet.sheet.desk.session.now.at) == ("altimeter.trend", 0)
    click(worksheet, 4, 0)  # offers
    click(worksheet, 4, 0)  # the next
    click(worksheet, 4, 1)  # elsewhere: takes
    assert worksheet.sheet.desk.case.snapshot[0].readings == {"altimeter.trend": "jerky"}
    worksheet.work.end()


def test_a_telling_command_is_answered_on_a_page():
    worksheet = Worksheet(sheet=climb(), keep=lambda *_: "")
    worksheet.line.text = "help falling"
    worksheet.accept(worksheet.line)
    assert worksheet.work.wait()
    assert "'falling' counts in one moment as:" in worksheet.sheet.page[0]
    assert "Esc: back to the sheet" in screen(worksheet.sheet, 80, 40, answered=False)
    assert not moves.leave(worksheet.sheet).page
    worksheet.work.end()


@pytest.mark.parametrize(
    "line", ["next", "fly", "rank", "why", "writeup", "compare pump sheared, suction gauge zero"]
)
def test_what_takes_a_while_is_carried_out_behind_the_screen(line):
    assert moves.tells(line)


def test_numbers_given_with_a_telling_command_stay_in_the_case():
    worksheet = Worksheet(sheet=typed(climb(), "f"), keep=lambda *_: "")
    worksheet.line.text = "fly 95 kt"
    worksheet.accept(worksheet.line)
    assert worksheet.work.wait()
    assert worksheet.sheet.desk.case.true_airspeed_kt == 95.0
    assert "Partial panel, fly by" in worksheet.sheet.page[0]
    worksheet.work.end()


def test_lines_and_worksheet_share_one_session(tmp_path, capsys):
    from diagnose.terminal.prompt import Options, run_terminal

    with create_pipe_input() as keyboard:
        keyboard.send_text(
            "snapshot climb\rairspeed falling\rworksheet\r" + DOWN * 2 + "s" + F4 + "show\rquit\r"
        )
        desk = Desk(kb=shipped(), engines=ENGINES)
        run_terminal(desk, tmp_path, Options(), input=keyboard, output=Sized())
    shown = capsys.readouterr().out
    assert "altimeter           trend steady" in shown
    assert "airspeed indicator  trend falling" in shown


# ------------------------------------------------------------------ in a real terminal

TMUX = shutil.which("tmux")


@pytest.mark.skipif(TMUX is None, reason="needs tmux")
@pytest.mark.parametrize(("width", "height"), [(80, 24), (160, 50)])
def test_a_run_in_a_real_terminal(width, height, tmp_path):
    server = ("tmux", "-L", f"diagnose-test-{os.getpid()}-{width}")
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path), "TERM": "xterm-256color"}
    environment["PYTHONPATH"] = str(Path(diagnose.__file__).parent.parent)

    def tmux(*arguments):
        return subprocess.run((*server, *arguments), env=environment, capture_output=True, text=True).stdout

    def seen(text, seconds=60):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            # what has scrolled off a small screen was seen too
            captured = tmux("capture-pane", "-p", "-S", "-100")
            if text in captured and "(old: working" not in captured:
                return captured
            time.sleep(0.2)
        raise AssertionError(f"{text!r} does not come up:\n{captured}")

    command = f"{sys.executable} -m diagnose worksheet static_blocked_climb"
    tmux("new-session", "-d", "-x", str(width), "-y", str(height), command)
    try:
        text = seen("LOOK NEXT")
        assert "[falling   ]" in text
        assert "x airspeed trend" in text
        assert ("engine" in text) == (height == 50)
        tmux("send-keys", "Down", "Down", "r")
        assert "[rising    ]" in seen("[rising    ]")
        tmux("send-keys", "C-z", ":", "what if vsi climb", "Enter")
        seen("WHAT IF (keep or drop)")
        tmux("resize-window", "-x", "60", "-y", "20")
        narrow = seen("WHAT HAS FAILED")
        assert "| WHAT HAS FAILED" not in narrow
        tmux("resize-window", "-x", str(width), "-y", str(height))
        tmux("send-keys", "F4")
        seen("WHAT IF |")
        tmux("send-keys", "drop", "Enter")
        seen("Dropped")
    finally:
        tmux("kill-server")
