"""What the past of one simulated flight has left behind, followed exactly: rotors, battery, sealed lines.

Each is brought to the start of a snapshot (``enter``), where it gives the state of its memory, and then
through the snapshot's minute (``leave``). The engine knows the same only by chances over coarse classes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from diagnose.physics.airdata import impact_pressure_inhg
from diagnose.physics.atmosphere import pressure_altitude_ft, pressure_inhg
from diagnose.physics.electrical import battery_minutes
from diagnose.physics.suction_dials import starved_rotor_speed

if TYPE_CHECKING:
    from diagnose.proof.calibrate.flights import Flight


class Rotor:
    """Speed of one rotor as a share of full, followed through the flight."""

    def __init__(self, flight: Flight, name: str) -> None:
        self.flight, self.memory = flight, flight.network.memories[name].memory
        self.speed, self.was = 1.0, ""
        draws = flight.draws
        self.down_min = float(draws("rotor.run_down_min", 1)[0])
        self.up_min = float(draws("rotor.run_up_min", 1)[0])
        self.classes = draws.fixed("rotor.up_to_speed_above"), draws.fixed("rotor.stopped_below")

    def _settles(self, number: int, state: Mapping[str, str]) -> float:
        """Speed at which what drives it now would hold it."""
        flight = self.flight
        match self.memory.carry.get(state.get(self.memory.driver, "")):
            case "run_down":
                return 0.0
            case "swing":
                return float(flight.draws("rotor.swinging_suction_speed", 1)[0])
            case "sag":
                starved = "weak" if state.get("suction") == "weak" else "low"
            case "aid":
                starved = "standby"
            case _:
                return 1.0
        return float(starved_rotor_speed((starved,), flight.flown[number], flight.draws)[0])

    def _move(self, minutes: float, number: int, state: Mapping[str, str]) -> None:
        target = self._settles(number, state)
        tau = self.up_min if target > self.speed else self.down_min
        self.speed = target + (self.speed - target) * float(np.exp(-minutes / tau))

    def enter(self, number: int, state: Mapping[str, str]) -> str:
        """Bring it to the start of a snapshot; gives its class there."""
        condition = state.get(self.memory.driver, "")
        if condition == self.was:
            self._move(self.flight.plan.snapshot[number].minutes_before, number, state)
        elif number == 0 and self.memory.carry.get(condition) == "spin_up":
            begun = float(self.flight.draws("rotor.spin_up.minutes", 1)[0])
            self.speed = 1.0 - float(np.exp(-begun / self.up_min))
        else:
            self._move(self.flight.onset_min(number), number, state)
        self.was = condition
        up, stopped = self.classes
        names = tuple(self.memory.states)
        return names[0] if self.speed >= up else names[1] if self.speed >= stopped else names[2]

    def leave(self, number: int, state: Mapping[str, str]) -> None:
        """Fly the snapshot's minute."""
        self._move(1.0, number, state)

    @property
    def equivalent_min(self) -> float:
        """Minutes of running down after which a rotor is as slow as this one."""
        return max(-self.down_min * float(np.log(max(self.speed, 1e-6))), 0.0)


class Battery:
    """Minutes that are left in the battery at full load."""

    def __init__(self, flight: Flight, name: str) -> None:
        self.flight, self.memory = flight, flight.network.memories[name].memory
        draws = flight.draws
        exponent, knee = draws.fixed("battery.peukert_exponent"), draws.fixed("battery.knee_used_share")
        self.full = float(
            battery_minutes(
                draws("battery.capacity_ah", 1)[0],
                draws("battery.load_a", 1)[0],
                draws("battery.sound_share", 1)[0],
                exponent,
            )
        )
        self.sagging = (1.0 - knee) * self.full
        self.slow = float(1.0 - draws("battery.low_output_share", 1)[0]) ** -exponent
        self.left, self.was = self.full, ""

    def _use(self, minutes: float, condition: str) -> None:
        carry = self.memory.carry.get(condition, "recharge")
        if carry == "recharge":
            self.left = self.full
            return
        self.left -= minutes / (self.slow if carry == "slow_discharge" else 1.0)

    def enter(self, number: int, state: Mapping[str, str]) -> str:
        """Bring it to the start of a snapshot; gives its class there."""
        condition = state.get(self.memory.driver, "")
        if condition == self.was:
            minutes = self.flight.plan.snapshot[number].minutes_before
        else:
            minutes = self.flight.onset_min(number)
        self._use(minutes, condition)
        self.was = condition
        names = tuple(self.memory.states)
        return names[0] if self.left > self.sagging else names[1] if self.left > 0.0 else names[2]

    def leave(self, state: Mapping[str, str]) -> None:
        """Fly the snapshot's minute."""
        self._use(1.0, state.get(self.memory.driver, ""))


class Line:
    """A sealed line: the pressure that is trapped in it, and the altitude that this stands for."""

    def __init__(self, flight: Flight, name: str) -> None:
        self.flight, self.memory = flight, flight.network.memories[name].memory
        self.trapped_inhg: float | None = None
        self.above_ft = 0.0

    def _impact_inhg(self, number: int) -> float:
        if self.memory.driver == "static":
            return 0.0
        flights = self.flight.flown[number]
        speed = float(flights.airspeed_kt[0, 0])
        return float(impact_pressure_inhg(speed)) if speed >= 1.0 else 0.0

    def enter(self, number: int, drivers: Mapping[str, str]) -> str:
        """Seal it if it is sealed from here on; gives on which side of its altitude the aircraft is."""
        names = tuple(self.memory.states)
        if drivers.get(self.memory.driver) not in self.memory.carry:
            self.trapped_inhg, self.above_ft = None, 0.0
            return self.memory.start
        flights = self.flight.flown[number]
        height = float(flights.height_ft[0, 0])
        if self.trapped_inhg is None:
            above = self._first_above_ft(number)
            self.trapped_inhg = float(pressure_inhg(height - above)) + self._impact_inhg(number)
            if self.memory.driver != "static" and not flights.airborne[0]:
                self.trapped_inhg = float(pressure_inhg(height))
        still = self.trapped_inhg - self._impact_inhg(number)
        self.above_ft = height - float(pressure_altitude_ft(still))
        limit = self.flight.draws.fixed("memory.near_limit_ft")
        return names[0] if self.above_ft < -limit else names[2] if self.above_ft > limit else names[1]

    def _first_above_ft(self, number: int) -> float:
        """Altitude above the sealing altitude at the first snapshot with it."""
        flight = self.flight
        if number or not flight.flown[0].airborne[0]:
            # sealed somewhere on the way from the snapshot before
            return float(flight.draws.either_way("memory.near_ft", 1)[0])
        side = str(flight.rng.choice(list(self.memory.first), p=list(self.memory.first.values())))
        place = tuple(self.memory.states).index(side)
        if place == 1:
            return float(flight.draws.either_way("memory.near_ft", 1)[0])
        return float(flight.draws("memory.far_ft", 1)[0]) * (place - 1)
