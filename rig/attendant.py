"""The one loop that attends to the bench.

Whatever the sequence is waiting for, a light reading, a move, a person, the attendant goes on
polling the wattmeter at its deadlines, writes every reading down, keeps the promise that no row
stays unacknowledged for more than a second, and sees a request to stop at its next step.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

from attrs import define, evolve, field, frozen

from analysis.quantities import MEASURED
from analysis.run_folder import EventRow, ReadingRow
from drivers.clock import Clock, Watchable
from drivers.contracts import Instrument, Position, Stage, TwoPhase
from drivers.errors import DriverError
from drivers.reading import Reading
from rig import faults
from rig.operator import Operator, Prompt
from rig.recorder import Recorder

Result = TypeVar("Result")

#: An fsync is due before a row has waited a full second for it. [s]
ACKNOWLEDGE_AFTER_S = 0.8
#: Wall power below this share of its level when stable means that the lamp went out.
LAMP_OUT_SHARE = 0.5
#: How many wall-power readings the loop itself remembers, for stabilisation; all are on disk.
HISTORY = 20_000


class StopRequested(Protocol):
    """Something that may ask the run to stop."""

    reason: str | None

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None."""
        ...

    def readable(self) -> bool:
        """Say whether a stop was asked for."""
        ...


@frozen(kw_only=True)
class Place:
    """What a reading is taken for, and where. Empty where it does not apply."""

    role: str = "background"
    installation: int = 1
    grid_row: int | None = None
    grid_column: int | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    mounting_height_mm: float | None = None

    @property
    def words(self) -> str:
        """The point as a person counts it."""
        if self.grid_row is None or self.grid_column is None:
            return "no grid point"
        return f"row {self.grid_row + 1}, column {self.grid_column + 1}"


@define(kw_only=True)
class Instruments:
    """What stands on the bench, ready to be spoken to."""

    light_sensor: Instrument
    power_meter: Instrument
    stage: Stage
    monitor_sensor: Instrument | None = None

    def measuring(self) -> dict[str, Instrument]:
        """Return the instruments that measure, by their sections of the profile."""
        fitted = {"light_sensor": self.light_sensor, "power_meter": self.power_meter}
        if self.monitor_sensor is not None:
            fitted["monitor_sensor"] = self.monitor_sensor
        return fitted

    def all(self) -> dict[str, TwoPhase]:
        """Return every instrument fitted, by its section of the profile."""
        return {**self.measuring(), "stage": self.stage}


@define
class _PowerLog:
    """The wattmeter's place in the loop."""

    interval_s: float
    due_s: float = -math.inf
    is_busy: bool = False
    tries: int = 0
    latest_w: float = math.nan
    history: deque[tuple[float, float]] = field(factory=lambda: deque(maxlen=HISTORY))
    stable_w: float = math.nan
    place: Place = field(factory=Place)


class Attendant:
    """Serves whichever instrument is due, and records.

    Parameters
    ----------
    clock : Clock
    instruments : Instruments
    recorder : Recorder
    operator : Operator
    stop : StopRequested
    power_interval_s : float
        Time between wall-power readings. [s]
    """

    def __init__(
        self,
        clock: Clock,
        instruments: Instruments,
        recorder: Recorder,
        operator: Operator,
        stop: StopRequested,
        *,
        power_interval_s: float,
    ) -> None:
        self.clock = clock
        self.instruments = instruments
        self.operator = operator
        self._recorder = recorder
        self._stop = stop
        self._power = _PowerLog(power_interval_s)

    # -- what the sequence asks for -------------------------------------------------------

    def event(self, event: str, subject: str = "", detail: str = "") -> None:
        """Write down that something happened."""
        utc, elapsed_s = self.clock.stamp()
        self._recorder.event(
            EventRow(elapsed_s=elapsed_s, utc=utc, event=event, subject=subject, detail=detail)
        )

    def acknowledge(self) -> None:
        """Return once everything recorded so far is on disk."""
        self._recorder.acknowledge()

    def power_goes_to(self, place: Place) -> None:
        """File the wall power read from now on under this role and installation."""
        self._power.place = place

    def watch_power(self, level_w: float | None) -> None:
        """Treat a collapse of wall power below this level as a hazard; None stops watching."""
        self._power.stable_w = math.nan if level_w is None else level_w

    @property
    def latest_power_w(self) -> float:
        """The newest wall power, NaN before the first. [W]"""
        return self._power.latest_w

    @property
    def power_history(self) -> list[tuple[float, float]]:
        """The wall power remembered, as pairs of window end and value. [s], [W]"""
        return list(self._power.history)

    def wait_until(self, elapsed_s: float) -> None:
        """Let time pass, the log going on. [s]"""
        self._carry_on(
            lambda: True if self.clock.elapsed_s() >= elapsed_s else None, lambda: elapsed_s, ()
        )

    def ask(self, prompt: Prompt) -> str:
        """Put a question to the operator and wait for the answer, the log going on.

        Raises
        ------
        RunStopped
            The answer was "stop".
        """
        self.event("prompt", prompt.kind, prompt.text)
        self.acknowledge()
        self.operator.ask(prompt)
        answer = self._carry_on(self.operator.answer, lambda: math.inf, (self.operator,))
        self.event("answer", prompt.kind, answer)
        if answer == "stop":
            raise faults.RunStopped("stopped by the operator at a prompt", exit_code=130)
        return answer

    def identify(self) -> dict[str, str]:
        """Ask every measuring instrument who it is; the run depends on each answering."""
        found = {}
        for name, instrument in self.instruments.measuring().items():
            found[name] = self._with_retries(
                name,
                Place(),
                instrument.start_identify,
                instrument.poll_identity,
                instrument,
            )
            self.event("identified", name, found[name])
        return found

    def home(self) -> None:
        """Home the stage, the only way its position becomes known."""
        stage = self.instruments.stage
        self._with_retries("stage", Place(), stage.start_home, stage.poll, stage)
        self.event("homed", "stage")

    def move(self, x_mm: float, y_mm: float, z_mm: float | None = None) -> Position:
        """Carry the sensor to a point of the plane and confirm that it stands there. [mm]"""
        stage = self.instruments.stage
        return self._with_retries(
            "stage", Place(), lambda: stage.start_move(x_mm, y_mm, z_mm), stage.poll, stage
        )

    def read_light(self, place: Place, sample: int) -> float:
        """Take one light reading, the monitor's and the wall power in the same window.

        Returns
        -------
        float
            PPFD as the sensor gave it, NaN where it says that it has none. [µmol m⁻² s⁻¹]
        """
        sensor, monitor = self.instruments.light_sensor, self.instruments.monitor_sensor
        self._power.due_s = min(self._power.due_s, self.clock.elapsed_s())
        if monitor is not None:
            monitor.start()
        readings = self._with_retries("light_sensor", place, sensor.start, sensor.poll, sensor)
        self._record("light_sensor", readings, place, sample)
        if monitor is not None:
            beside = evolve(place, role="monitor")
            found = self._with_retries(
                "monitor_sensor", beside, monitor.start, monitor.poll, monitor, is_started=True
            )
            self._record("monitor_sensor", found, beside, sample)
        return next(r.value for r in readings if r.quantity == "ppfd_umol_m2_s")

    def cancel_all(self) -> None:
        """Give up whatever is under way and stop the stage; for the end of a run."""
        self.instruments.stage.stop()
        for instrument in self.instruments.all().values():
            instrument.cancel()

    # -- the loop -------------------------------------------------------------------------

    def _carry_on(
        self,
        step: Callable[[], Result | None],
        wake: Callable[[], float],
        watching: Sequence[Watchable],
    ) -> Result:
        while True:
            if self._stop.reason is not None:
                raise faults.RunStopped(self._stop.reason, exit_code=130)
            self._serve_background()
            result = step()
            if result is not None:
                return result
            meter = self.instruments.power_meter
            background_s, lines = self._power.due_s, list(watching)
            if self._power.is_busy:
                background_s = meter.wake_s
                lines += meter.lines
            until_s = min(wake(), background_s, self._acknowledge_due_s)
            self.clock.wait_until(until_s, watching=[*lines, self._stop])

    @property
    def _acknowledge_due_s(self) -> float:
        return self._recorder.oldest_unacknowledged_s + ACKNOWLEDGE_AFTER_S

    def _serve_background(self) -> None:
        if self.clock.elapsed_s() >= self._acknowledge_due_s:
            self._recorder.acknowledge()
        power, meter = self._power, self.instruments.power_meter
        try:
            if not power.is_busy:
                if self.clock.elapsed_s() < power.due_s:
                    return
                meter.start()
                power.is_busy = True
                # To deadlines, so that the log does not drift; a late start skips, never crowds.
                now_s = self.clock.elapsed_s()
                planned_s = power.due_s + power.interval_s
                power.due_s = planned_s if planned_s > now_s else now_s + power.interval_s
            readings = meter.poll()
        except DriverError as fault:
            power.is_busy = False
            power.tries += 1
            self._failed("power_meter", "wall_power_w", fault, power.place, power.tries)
            pause_s = faults.retry_pause_s(fault, power.tries)
            if pause_s is None:
                raise faults.stop_for(fault, power.tries) from fault
            power.due_s = self.clock.elapsed_s() + pause_s
            return
        if readings is None:
            return
        power.is_busy = False
        power.tries = 0
        self._record("power_meter", readings, power.place, None)
        for reading in readings:
            if reading.quantity == "wall_power_w" and not reading.is_missing:
                power.latest_w = reading.value
                power.history.append((reading.window_end_s, reading.value))
        if power.latest_w < LAMP_OUT_SHARE * power.stable_w:
            power.stable_w, level_w = math.nan, power.stable_w
            raise faults.stop_for(
                faults.Hazard(
                    f"wall power fell from {level_w:.1f} W to {power.latest_w:.1f} W: the lamp "
                    "went out, or the meter lost it. Do not restrike a hot lamp; leave it off for "
                    "its minimum off time and begin a new run."
                ),
                1,
            )

    def _with_retries(
        self,
        name: str,
        place: Place,
        start: Callable[[], float],
        poll: Callable[[], Result | None],
        instrument: TwoPhase,
        *,
        is_started: bool = False,
    ) -> Result:
        """Carry one thing through, as often as the fault table allows; every try on record."""
        tries = 0
        while True:
            try:
                if not is_started:
                    start()
                return self._carry_on(poll, lambda: instrument.wake_s, instrument.lines)
            except DriverError as fault:
                is_started = False
                tries += 1
                self._failed(name, "ppfd_umol_m2_s", fault, place, tries)
                pause_s = faults.retry_pause_s(fault, tries)
                if pause_s is None:
                    raise faults.stop_for(fault, tries) from fault
                self.wait_until(self.clock.elapsed_s() + pause_s)

    def _failed(
        self, name: str, quantity: str, fault: DriverError, place: Place, tries: int
    ) -> None:
        """Record a try that gave nothing valid: an event, and a row where a value was due."""
        self.event("retry" if tries > 1 else "fault", name, str(fault))
        if name == "stage":
            return
        utc, elapsed_s = self.clock.stamp()
        self._recorder.reading(
            ReadingRow(
                elapsed_s=elapsed_s,
                utc=utc,
                window_start_s=None,
                window_end_s=None,
                instrument=name,
                quantity=quantity,
                value=None,
                unit=MEASURED[quantity].ucum,
                status="failed",
                raw=fault.reply,
                **_cells(place),
            )
        )

    def _record(
        self, name: str, readings: tuple[Reading, ...], place: Place, sample: int | None
    ) -> None:
        utc, elapsed_s = self.clock.stamp()
        for reading in readings:
            quantity = MEASURED[reading.quantity]
            low, high = quantity.plausible
            status = "ok" if low <= reading.value <= high else "implausible"
            self._recorder.reading(
                ReadingRow(
                    elapsed_s=elapsed_s,
                    utc=utc,
                    window_start_s=reading.window_start_s,
                    window_end_s=reading.window_end_s,
                    instrument=name,
                    quantity=reading.quantity,
                    value=None if reading.is_missing else reading.value,
                    unit=quantity.ucum,
                    sample=sample,
                    status="missing" if reading.is_missing else status,
                    raw=reading.raw,
                    **_cells(place),
                )
            )


def _cells(place: Place) -> dict[str, object]:
    return {
        "role": place.role,
        "installation": place.installation,
        "grid_row": place.grid_row,
        "grid_column": place.grid_column,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
        "mounting_height_mm": place.mounting_height_mm,
    }
