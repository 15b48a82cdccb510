"""How the gantry moves: trapezoidal velocity, travel limits, position error, homing.

Two positions are kept apart. The controller believes the **reported** one, which starts at
zero wherever the gantry happens to stand when it is switched on; the **true** one is where
the sensor is. Homing makes them agree, apart from the position errors: a part that repeats
(scale and screw), and one drawn anew for each stop. An axis driven against its end stays
there and loses steps, as a real one does.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from typing import NamedTuple

from attrs import evolve, frozen

from drivers.simulated import scenario
from drivers.simulated.noise import HashedNoise, stream

Triple = tuple[float, float, float]
_KEPT_MOVES = 1000


class Travel(NamedTuple):
    """One straight move with equal acceleration and braking."""

    distance_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float

    @property
    def peak_speed_mm_s(self) -> float:
        """The speed reached: less than asked for where the way is too short for it."""
        return min(self.speed_mm_s, math.sqrt(self.distance_mm * self.acceleration_mm_s2))

    @property
    def duration_s(self) -> float:
        """From standstill to standstill. [s]"""
        peak = self.peak_speed_mm_s
        if peak <= 0.0:
            return 0.0
        return self.distance_mm / peak + peak / self.acceleration_mm_s2

    def way_mm(self, since_s: float) -> float:
        """Return the way covered this long after the start. [mm]"""
        peak, duration = self.peak_speed_mm_s, self.duration_s
        if since_s <= 0.0:
            return 0.0
        if since_s >= duration:
            return self.distance_mm
        ramp_s = peak / self.acceleration_mm_s2
        if since_s < ramp_s:
            return 0.5 * self.acceleration_mm_s2 * since_s**2
        left_s = duration - since_s
        if left_s < ramp_s:
            return self.distance_mm - 0.5 * self.acceleration_mm_s2 * left_s**2
        return peak * (since_s - 0.5 * ramp_s)

    def share(self, of_duration: float) -> float:
        """Return the share of the way covered after a share of the duration. [1]"""
        if self.distance_mm <= 0.0:
            return 1.0
        return self.way_mm(of_duration * self.duration_s) / self.distance_mm


@frozen
class _Leg:
    """A stretch of time with one motion, in reported and in true coordinates."""

    start_s: float
    end_s: float
    span_s: float
    """Duration had it not been cut short."""
    shape: Callable[[float], float]
    """Share of the way after a share of the span."""
    acceleration_mm_s2: float
    reported_from: Triple
    reported_to: Triple
    true_from: Triple
    true_to: Triple
    is_homing: bool = False

    def share(self, at_s: float) -> float:
        if self.span_s <= 0.0:
            return 1.0
        return self.shape(min((min(at_s, self.end_s) - self.start_s) / self.span_s, 1.0))


class GantryMotion:
    """The gantry of the virtual bench.

    Parameters
    ----------
    spec : scenario.Gantry
        Travel, speeds and errors.
    height_mm : float
        Mounting height at the start. [mm]
    seed : int
        Of the position errors.
    """

    def __init__(self, spec: scenario.Gantry, height_mm: float, seed: int) -> None:
        self._spec = spec
        self._random = HashedNoise(stream(seed, "gantry"))
        self._homed_from: float = math.inf
        x, y = spec.standing_at_mm
        z = height_mm if spec.travel_z_mm is None else self._clamped((x, y, height_mm))[2]
        here = (x, y, z)
        # Switched on, the controller believes that it stands at its origin.
        believed = (0.0, 0.0, 0.0 if spec.travel_z_mm is not None else height_mm)
        self._offset = _minus(here, believed)
        standing = _Leg(-math.inf, -math.inf, 0.0, _brake, 1.0, believed, believed, here, here)
        self._legs = [standing]
        self._starts = [-math.inf]
        self._ordered = 0

    def is_homed(self, at_s: float) -> bool:
        """Say whether a homing has ended by this time and none was cut short since. [s]"""
        return self._homed_from <= at_s

    def move(
        self,
        at_s: float,
        x_mm: float | None = None,
        y_mm: float | None = None,
        z_mm: float | None = None,
        speed_mm_s: float | None = None,
    ) -> float:
        """Begin a straight move, or queue it behind the one under way; return its arrival. [s]

        Parameters
        ----------
        at_s : float
            When it is ordered. [s]
        x_mm, y_mm, z_mm : float, optional
            Target in reported coordinates; an axis not given keeps its place. [mm]
        speed_mm_s : float, optional
            Along the path; the top speeds bound it. [mm/s]
        """
        last = self._legs[-1]
        x, y, z = last.reported_to
        wanted = (
            x if x_mm is None else x_mm,
            y if y_mm is None else y_mm,
            z if z_mm is None or self._spec.travel_z_mm is None else z_mm,
        )
        return self._drive(max(at_s, last.end_s), wanted, speed_mm_s)

    def home(self, at_s: float) -> float:
        """Drive all axes to their switches; return when the position is known. [s]

        Where there is a height axis, it homes to its upper end.
        """
        self._homed_from = math.inf
        begin_s = max(at_s, self._legs[-1].end_s)
        spec = self._spec
        last = self._legs[-1]
        here = last.true_to
        home = (
            spec.travel_x_mm[0],
            spec.travel_y_mm[0],
            here[2] if spec.travel_z_mm is None else spec.travel_z_mm[1],
        )
        # Each axis seeks its switch, backs off 5 mm and comes back slowly: counted as one leg.
        slowest_s = 0.0
        for axis in range(3):
            way = abs(home[axis] - here[axis])
            top = spec.top_z_speed_mm_s if axis == 2 else spec.homing_speed_mm_s
            if axis == 2 and spec.travel_z_mm is None:
                continue
            speed = min(top, spec.homing_speed_mm_s)
            seek = Travel(way, speed, spec.acceleration_mm_s2).duration_s
            again = Travel(5.0, speed / 4.0, spec.acceleration_mm_s2).duration_s
            slowest_s = max(slowest_s, seek + 2.0 * again)
        self._append(
            _Leg(
                begin_s,
                begin_s + slowest_s,
                slowest_s,
                _glide,
                spec.acceleration_mm_s2,
                last.reported_to,
                home,
                here,
                home,
                is_homing=True,
            )
        )
        self._offset = (0.0, 0.0, 0.0)
        self._homed_from = begin_s + slowest_s
        return self._homed_from

    def stop(self, at_s: float) -> float:
        """Brake at once, drop what is queued; return when it stands. [s]

        A homing cut short leaves the position unknown.
        """
        while len(self._legs) > 1 and self._legs[-1].start_s > at_s:
            self._legs.pop()
            self._starts.pop()
        leg = self._legs[-1]
        if at_s >= leg.end_s:
            return at_s
        total = math.dist(leg.reported_from, leg.reported_to) or math.dist(
            leg.true_from, leg.true_to
        )
        here = leg.share(at_s)
        speed = (here - leg.share(at_s - 1e-4)) / 1e-4 * total
        acceleration = leg.acceleration_mm_s2
        braking_s = speed / acceleration
        there = min(here + 0.5 * speed * braking_s / total, 1.0) if total else 1.0
        reported = [_between(leg.reported_from, leg.reported_to, s) for s in (here, there)]
        true = [_between(leg.true_from, leg.true_to, s) for s in (here, there)]
        # The part already driven keeps its shape, so that the past does not change.
        self._legs[-1] = evolve(leg, end_s=at_s)
        self._append(
            _Leg(
                at_s,
                at_s + braking_s,
                braking_s,
                _brake,
                acceleration,
                reported[0],
                reported[1],
                true[0],
                true[1],
            )
        )
        self._offset = _minus(true[1], reported[1])
        if leg.is_homing:
            self._homed_from = math.inf
        return at_s + braking_s

    def put_height(self, height_mm: float, at_s: float) -> None:
        """Hang the device by hand at this mounting height; heights are known then. [mm]"""
        last = self._legs[-1]
        start_s = max(at_s, last.end_s)
        true = (*last.true_to[:2], height_mm)
        reported = (*last.reported_to[:2], height_mm)
        self._append(_Leg(start_s, start_s, 0.0, _brake, 1.0, reported, reported, true, true))
        self._offset = _minus(true, reported)

    def position(self, at_s: float) -> Triple:
        """Return where sensor and lamp truly are: x, y and mounting height. [mm]"""
        leg = self._leg(at_s)
        return _between(leg.true_from, leg.true_to, leg.share(at_s))

    def reported(self, at_s: float) -> Triple:
        """Return where the controller believes to be. [mm]"""
        leg = self._leg(at_s)
        return _between(leg.reported_from, leg.reported_to, leg.share(at_s))

    def is_moving(self, at_s: float) -> bool:
        """Say whether an axis moves at this time. [s]"""
        return at_s < self._leg(at_s).end_s

    def rests_over(self, start_s: float, end_s: float) -> bool:
        """Say whether nothing moves in the whole window. [s]"""
        leg = self._leg(end_s)
        return leg.end_s <= start_s

    def heights(self, at_s: float) -> tuple[float, float, float]:
        """Return the heights between which the lamp is under way, and the share done. [mm]

        Where the height does not change both are the same.
        """
        leg = self._leg(at_s)
        below, above = leg.true_from[2], leg.true_to[2]
        return below, above, leg.share(at_s) if below != above else 1.0

    def _leg(self, at_s: float) -> _Leg:
        return self._legs[max(bisect.bisect_right(self._starts, at_s) - 1, 0)]

    def _append(self, leg: _Leg) -> None:
        self._legs.append(leg)
        self._starts.append(leg.start_s)
        if len(self._legs) > 2 * _KEPT_MOVES:
            del self._legs[1:_KEPT_MOVES]
            del self._starts[1:_KEPT_MOVES]

    def _drive(self, start_s: float, wanted: Triple, speed_mm_s: float | None) -> float:
        spec = self._spec
        last = self._legs[-1]
        way = math.dist(last.reported_to, wanted)
        height = abs(wanted[2] - last.reported_to[2])
        speed = min(speed_mm_s or math.inf, spec.top_speed_mm_s)
        if height > 0.0:
            speed = min(speed, spec.top_z_speed_mm_s * way / height)
        travel = Travel(way, speed, spec.acceleration_mm_s2)
        span_s = travel.duration_s
        self._ordered += 1
        aimed = self._aimed(wanted) if way else last.true_to
        true = self._clamped(aimed)
        self._append(
            _Leg(
                start_s,
                start_s + span_s,
                span_s,
                travel.share,
                spec.acceleration_mm_s2,
                last.reported_to,
                wanted,
                last.true_to,
                true,
            )
        )
        if true != aimed:
            # Steps were lost against the end: the error stays until the next homing.
            self._offset = tuple(
                offset + got - want
                for offset, got, want in zip(self._offset, true, aimed, strict=True)
            )  # type: ignore[assignment]
        return start_s + span_s

    def _aimed(self, wanted: Triple) -> Triple:
        spec = self._spec
        x, y, z = (a + b for a, b in zip(wanted, self._offset, strict=True))
        n = float(self._ordered)
        chance = [spec.random_error_mm * self._random.normal(n, 0.0, axis) for axis in range(3)]
        screw, scale = spec.repeatable_error_mm, spec.scale_error_percent / 100.0
        return (
            x + scale * x + screw * math.sin(x / 90.0 + y / 400.0) + chance[0],
            y + scale * y + screw * math.cos(y / 110.0 - x / 500.0) + chance[1],
            z + chance[2] if spec.travel_z_mm is not None else z,
        )

    def _clamped(self, place: Triple) -> Triple:
        spec = self._spec
        x, y, z = place
        # The ends are a little beyond the travel: 5 mm to the buffers.
        x = min(max(x, spec.travel_x_mm[0] - 5.0), spec.travel_x_mm[1] + 5.0)
        y = min(max(y, spec.travel_y_mm[0] - 5.0), spec.travel_y_mm[1] + 5.0)
        if spec.travel_z_mm is not None:
            z = min(max(z, spec.travel_z_mm[0] - 5.0), spec.travel_z_mm[1] + 5.0)
        return x, y, z


def _brake(share: float) -> float:
    return 1.0 - (1.0 - share) ** 2


def _glide(share: float) -> float:
    return share * share * (3.0 - 2.0 * share)


def _minus(first: Triple, second: Triple) -> Triple:
    return first[0] - second[0], first[1] - second[1], first[2] - second[2]


def _between(start: Triple, end: Triple, share: float) -> Triple:
    if share >= 1.0:
        return end
    x, y, z = (a + (b - a) * share for a, b in zip(start, end, strict=True))
    return x, y, z
