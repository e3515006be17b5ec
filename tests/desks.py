"""Desks for tests: lines are obeyed one after the other, and what the last one says is given."""

from __future__ import annotations

import pytest

from diagnose.model.errors import DiagnoseError
from diagnose.network.engine import Engine
from diagnose.terminal.commands import Desk, obey
from tests.small import shipped

#: shared by all desks of this file, as one prompt shares them among its lines
ENGINES: dict[str, Engine] = {}


def desk_after(*lines):
    desk = Desk(kb=shipped(), engines=ENGINES)
    for line in lines:
        desk, _ = obey(desk, line)
    return desk


def answer_to(*lines):
    desk = desk_after(*lines[:-1])
    return " ".join(obey(desk, lines[-1])[1].split())


def refusal(*lines):
    with pytest.raises(DiagnoseError) as caught:
        answer_to(*lines)
    return str(caught.value)


def last(*lines):
    return desk_after(*lines).case.snapshot[-1]
