"""Scenarios flown second by second: the true motion, the systems, what every gauge shows, and the
snapshots that an observer would write down.

``simulate`` flies a scenario; ``state_at`` gives the panel's state for its picture; ``snapshots`` codes
the time history through the same readings as everywhere.
"""

from diagnose.practice.simulate.coding import Window, snapshots, windows
from diagnose.practice.simulate.flight import FOLLOWED, Simulation, simulate
from diagnose.practice.simulate.plan import filled_legs
from diagnose.practice.simulate.shown import channel, shown_histories, state_at

__all__ = [
    "FOLLOWED",
    "Simulation",
    "Window",
    "channel",
    "filled_legs",
    "shown_histories",
    "simulate",
    "snapshots",
    "state_at",
    "windows",
]
