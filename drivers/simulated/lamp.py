"""A discharge lamp behind its ballast.

The arc heats the tube; light and power follow the heat with time constants of their own,
light in two stages. After that a slow creep remains while the fixture warms. Broken by a dip
of the mains, the arc does not strike again before the tube has cooled: the restrike delay.
A lamp relit while still warm runs up from where it stands.

The shape is that of the trade (common practice, no source); the time constants come with the
scenario. Light rises more than in proportion to lamp power; a magnetic ballast passes the
line voltage on to the lamp's power, an electronic one hardly.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.simulated import scenario
from drivers.simulated.mains import Supply
from drivers.simulated.noise import CorrelatedNoise, stream


class LampState(NamedTuple):
    """All that the lamp remembers. Fractions of the warm, settled state."""

    is_burning: bool = False
    heat: float = 0.0
    first_stage: float = 0.0
    second_stage: float = 0.0
    power_stage: float = 0.0
    creep: float = 0.0
    hours: float = 0.0
    starts: int = 0


class LampOutput(NamedTuple):
    """What comes out, and what goes in, over one step."""

    light_umol_s: float
    wall_power_w: float
    line_current_a: float


class Lamp:
    """Lamp and ballast, carried forward in equal steps.

    Parameters
    ----------
    lamp, ballast : scenario.Lamp, scenario.Ballast
        What they are.
    nominal_v : float
        Line voltage at which the lamp gets its rated power. [V]
    step_s : float
        Length of one step. [s]
    seed : int
        The same seed gives the same arc.
    """

    def __init__(
        self,
        lamp: scenario.Lamp,
        ballast: scenario.Ballast,
        *,
        nominal_v: float,
        step_s: float,
        seed: int,
    ) -> None:
        self._lamp = lamp
        self._ballast = ballast
        self._nominal_v = nominal_v
        self._step_s = step_s
        self._strikes_below = math.exp(-lamp.restrike_s / lamp.cooling_s)
        self._keeps = {
            name: math.exp(-step_s / seconds)
            for name, seconds in (
                ("heat", lamp.heating_s),
                ("cool", lamp.cooling_s),
                ("first", lamp.first_stage_s),
                ("second", lamp.second_stage_s),
                ("power", lamp.power_run_up_s),
                ("creep", lamp.creep_s),
            )
        }
        self._light_wander = CorrelatedNoise(
            lamp.wander_light_percent / 100.0, lamp.wander_s, stream(seed, "arc light")
        )
        self._power_wander = CorrelatedNoise(
            lamp.wander_power_percent / 100.0, lamp.wander_s, stream(seed, "arc power")
        )

    def first_state(self) -> LampState:
        """Return the state of a cold lamp."""
        return LampState(hours=self._lamp.hours)

    def step(
        self,
        state: LampState,
        supply: Supply,
        *,
        at_s: float,
        is_switched_on: bool,
        power_effect: float,
    ) -> tuple[LampState, LampOutput]:
        """Carry the lamp forward by one step.

        Parameters
        ----------
        state : LampState
            Before the step.
        supply : Supply
            Line voltage over the step.
        at_s : float
            Start of the step. [s]
        is_switched_on : bool
            Whether the circuit is closed.
        power_effect : float
            Factor on lamp power by the heat that the device throws back. [1]
        """
        ballast = self._ballast
        is_held = is_switched_on and not (
            supply.lowest_v < ballast.drop_out_fraction * self._nominal_v
            and supply.low_s > ballast.hold_s
        )
        # The step in which the supply sags has no arc; the next may strike one.
        burning = is_held and (state.is_burning or state.heat <= self._strikes_below)
        after = self._relaxed(state, burning)
        if not burning:
            standby_w = ballast.standby_w if is_switched_on and supply.mean_v > 0.0 else 0.0
            return after, LampOutput(0.0, standby_w, self._current_a(standby_w, supply, 0.5))
        lamp = self._lamp
        settled = (
            (supply.mean_v / self._nominal_v) ** ballast.voltage_exponent
            * power_effect
            * (1.0 + self._power_wander.at(at_s))
            * (1.0 + lamp.creep_power_percent / 100.0 * (after.creep - 1.0))
        )
        run_up = lamp.strike_power + (1.0 - lamp.strike_power) * after.power_stage
        wall_w = lamp.rated_power_w * settled * run_up * (1.0 + ballast.loss_percent / 100.0)
        stages = (
            lamp.first_stage_share * after.first_stage
            + (1.0 - lamp.first_stage_share) * after.second_stage
        )
        light = (
            lamp.rated_flux_umol_s
            * self.maintenance(after.hours)
            * (lamp.strike_light + (1.0 - lamp.strike_light) * stages)
            * settled**lamp.light_per_power
            * (1.0 + lamp.creep_light_percent / 100.0 * (after.creep - 1.0))
            * (1.0 + self._light_wander.at(at_s))
        )
        return after, LampOutput(
            light, wall_w, self._current_a(wall_w, supply, ballast.power_factor)
        )

    def maintenance(self, hours: float) -> float:
        """Return light at these burning hours over light at 100 h. [1]"""
        lamp = self._lamp

        def excess(at: float) -> float:
            return lamp.unseasoned_excess_percent / 100.0 * math.exp(-at / 30.0)

        lost = lamp.loss_percent_per_1000_h / 100.0 * (hours - 100.0) / 1000.0
        return max(0.0, (1.0 + excess(hours)) / (1.0 + excess(100.0)) - lost)

    def _relaxed(self, state: LampState, burning: bool) -> LampState:
        keep = self._keeps
        target = 1.0 if burning else 0.0

        def toward(value: float, goal: float, kept: float) -> float:
            return goal + (value - goal) * kept

        heat = toward(state.heat, target, keep["heat" if burning else "cool"])
        cool = keep["cool"]
        return LampState(
            is_burning=burning,
            heat=heat,
            first_stage=toward(state.first_stage, heat, keep["first"] if burning else cool),
            second_stage=toward(state.second_stage, heat, keep["second"] if burning else cool),
            power_stage=toward(state.power_stage, heat, keep["power"] if burning else cool),
            creep=toward(state.creep, target, keep["creep"]),
            hours=state.hours + (self._step_s / 3600.0 if burning else 0.0),
            starts=state.starts + (1 if burning and not state.is_burning else 0),
        )

    @staticmethod
    def _current_a(power_w: float, supply: Supply, power_factor: float) -> float:
        return power_w / (supply.mean_v * power_factor) if supply.mean_v > 0.0 else 0.0
