"""The one loop that attends to the bench.

Whatever the sequence is waiting for, a light reading, a move, a person, the attendant goes on
polling the wattmeter at its deadlines, has every reading written down, keeps the promise that no
row stays unacknowledged for more than a second, and sees a request to stop at its next step.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import TypeVar

from attrs import evolve

from drivers.clock import Clock, Watchable
from drivers.contracts import Instrument, LampRelay, Position, TwoPhase
from drivers.errors import DriverError
from drivers.reading import Reading
from rig import faults
from rig.beside import Attended, Beside, is_due
from rig.instruments import Instruments
from rig.logbook import Logbook
from rig.operator import Operator, Prompt, StopRequested
from rig.power_watch import PowerWatch
from rig.rows import Place
from rig.watches import Watch

Result = TypeVar("Result")

#: Wall power is never asked for more often than this. [s]
CLOSEST_S = 0.1
#: How many wall-power readings the loop itself remembers, for stabilisation; all are on disk.
HISTORY = 20_000


class Attendant:
    """Serves whichever instrument is due, and records.

    Parameters
    ----------
    clock : Clock
    instruments : Instruments
    log : Logbook
    operator : Operator
    stop : StopRequested
    power_interval_s : float
        Time between wall-power readings; infinity where they are asked for (`read_power`). [s]
    power_averaging_s : float
        Time over which the wattmeter averages. While light is read, wall power is read as often
        as that, so that its windows cover the light's. [s]
    most_power_w : float
        Wall power above this is a hazard. [W]
    watches : sequence of Watch
        What is looked at beside all this.
    """

    def __init__(
        self,
        clock: Clock,
        instruments: Instruments,
        log: Logbook,
        operator: Operator,
        stop: StopRequested,
        *,
        power_interval_s: float,
        power_averaging_s: float = math.inf,
        most_power_w: float = math.inf,
        watches: Sequence[Watch] = (),
    ) -> None:
        self.clock = clock
        self.instruments = instruments
        self.operator = operator
        self.log = log
        self._stop = stop
        self._power_interval_s = power_interval_s
        self._close_interval_s = min(power_interval_s, max(power_averaging_s, CLOSEST_S))
        if math.isinf(power_interval_s):
            self._close_interval_s = math.inf
        self._latest_w = math.nan
        self._latest_end_s = -math.inf
        self._latest_light = math.nan
        self.power_watch = PowerWatch(most_power_w)
        self._watches = watches
        self._identities: dict[str, str] = {}
        self._history: deque[tuple[float, float]] = deque(maxlen=HISTORY)
        self._power = Beside(
            name="power_meter",
            clock=clock,
            instrument=instruments.power_meter,
            take=self._take_power,
            complain=lambda fault, place, tries: self.log.failed(
                "power_meter", fault, place, tries
            ),
            interval_s=power_interval_s,
            due_s=clock.elapsed_s() if math.isfinite(power_interval_s) else math.inf,
        )
        self._beside: list[Attended] = [self._power]
        self._monitor: Beside | None = None
        if instruments.monitor_sensor is not None:
            self._monitor = Beside(
                name="monitor_sensor",
                clock=clock,
                instrument=instruments.monitor_sensor,
                take=lambda found, place, n: self.log.readings("monitor_sensor", found, place, n),
                complain=lambda fault, place, tries: self.log.failed(
                    "monitor_sensor", fault, place, tries
                ),
            )
            self._beside.append(self._monitor)

    # -- what the sequence asks for -------------------------------------------------------

    def attend(self, one: Attended) -> None:
        """Serve one more in the loop from now on."""
        self._beside.append(one)

    def once(
        self, start: Callable[[], float], poll: Callable[[], Result | None], instrument: TwoPhase
    ) -> Result:
        """Carry one conversation through, once, the log going on.

        Raises
        ------
        DriverError
            It failed; nothing is tried again here.
        """
        start()
        return self._carry_on(
            lambda: poll() if is_due(self.clock, instrument) else None,
            lambda: instrument.wake_s,
            instrument.lines,
        )

    def power_goes_to(self, place: Place) -> None:
        """File the wall power read from now on under this role and installation."""
        self._power.place = place

    @property
    def latest_power_w(self) -> float:
        """The newest wall power, NaN before the first. [W]"""
        return self._latest_w

    @property
    def power_history(self) -> list[tuple[float, float]]:
        """The wall power remembered, as pairs of window end and value. [s], [W]"""
        return list(self._history)

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
        answer = self.ask_within(prompt, math.inf)
        if answer is None or answer == "stop":
            raise faults.RunStopped("stopped by the operator at a prompt", exit_code=130)
        return answer

    def ask_within(self, prompt: Prompt, until_s: float) -> str | None:
        """Put a question, and wait for the answer until then only; None without one. [s]"""
        self.log.event("prompt", prompt.kind, prompt.text)
        self.log.acknowledge()
        self.operator.ask(prompt)
        answer = self._carry_on(
            lambda: self.operator.answer() or ("" if self.clock.elapsed_s() >= until_s else None),
            lambda: until_s,
            (self.operator,),
        )
        self.log.event("answer", prompt.kind, answer or "none in time")
        return answer or None

    def identify(self) -> dict[str, str]:
        """Ask instruments and lamp relay who they are; the run depends on each answering."""
        found = {}
        known: dict[str, Instrument | LampRelay] = {**self.instruments.measuring()}
        if self.instruments.lamp_relay is not None:
            known["lamp_relay"] = self.instruments.lamp_relay
        for name, instrument in known.items():
            with self.without(instrument):
                found[name] = self._with_retries(
                    name,
                    Place(),
                    instrument.start_identify,
                    instrument.poll_identity,
                    instrument,
                )
            self.log.event("identified", name, found[name])
        self._identities = found
        return found

    def home(self) -> None:
        """Home the stage, the only way its position becomes known."""
        stage = self.instruments.stage
        self._with_retries("stage", Place(), stage.start_home, stage.poll, stage)
        self.log.event("homed", "stage")
        for remark in stage.remarks:
            self.log.event("note", "stage", remark)

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
        sensor, monitor = self.instruments.light_sensor, self._monitor
        if place.role != "warm-up":
            self._power.interval_s = self._close_interval_s
        if not self.power_is_asked:
            self._power.ask_now()
        if monitor is not None:
            monitor.place, monitor.sample = evolve(place, role="monitor"), sample
            monitor.ask_now()
        readings = self._with_retries("light_sensor", place, sensor.start, sensor.poll, sensor)
        self.log.readings("light_sensor", readings, place, sample)
        if not self.power_is_asked and self._latest_end_s <= min(
            reading.window_start_s for reading in readings
        ):
            self._power.ask_now()  # no wall power in this window yet
        if monitor is not None:
            self._carry_on(lambda: None if monitor.is_wanted else True, lambda: math.inf, ())
        self._power.interval_s = self._power_interval_s
        self._latest_light = next(r.value for r in readings if r.quantity == "ppfd_umol_m2_s")
        return self._latest_light

    @property
    def power_is_asked(self) -> bool:
        """Whether wall power is read only when somebody is asked for it."""
        return math.isinf(self._power_interval_s)

    def read_power(self) -> None:
        """Have a wattmeter read now that a person reads off; any other is read all the time."""
        if self.power_is_asked:
            meter, place = self.instruments.power_meter, self._power.place
            found = self._with_retries("power_meter", place, meter.start, meter.poll, meter)
            self._take_power(found, place, None)

    @property
    def latest_light(self) -> float:
        """The newest reading of the light sensor, NaN before the first. [µmol m⁻² s⁻¹]"""
        return self._latest_light

    def glance(self) -> float:
        """Read the light once, wherever the sensor is; NaN where that gives nothing."""
        sensor = self.instruments.light_sensor
        sensor.cancel()
        try:
            readings = self.once(sensor.start, sensor.poll, sensor)
        except DriverError:
            return math.nan
        self.log.readings("light_sensor", readings, self._power.place, None)
        return next(r.value for r in readings if r.quantity == "ppfd_umol_m2_s")

    def stand_still(self) -> None:
        """Stop the stage and give up what is under way; the lamp relay is held as it was."""
        with suppress(DriverError):
            self.instruments.stage.stop()
        self.instruments.stage.cancel()
        self.instruments.light_sensor.cancel()
        for one in self._beside:
            if isinstance(one, Beside):
                one.forget()
        self._power.interval_s = self._power_interval_s

    def answers(self, name: str, *, reopen: bool) -> tuple[Reading, ...] | None:
        """Ask an instrument that failed who it is, and for a reading; None unless both are right.

        Parameters
        ----------
        name : str
            Its section of the profile.
        reopen : bool
            Its port is gone and is opened anew first.
        """
        instrument = self.instruments.measuring()[name]
        try:
            if reopen:
                self.instruments.reopen(name)
            who = self.once(instrument.start_identify, instrument.poll_identity, instrument)
            readings = self.once(instrument.start, instrument.poll, instrument)
        except DriverError:
            return None
        is_sound = all(self.log.is_plausible(name, reading) for reading in readings)
        return readings if is_sound and who == self._identities.get(name, who) else None

    def cancel_all(self) -> None:
        """Give up whatever is under way and stop the stage; for the end of a run.

        Raises
        ------
        DriverError
            The stage could not be told to stop; everything else was given up.
        """
        try:
            self.instruments.stage.stop()
        finally:
            for instrument in self.instruments.all().values():
                instrument.cancel()

    # -- the loop -------------------------------------------------------------------------

    @contextmanager
    def without(self, instrument: TwoPhase) -> Iterator[None]:
        """Keep the loop from speaking to an instrument that we are about to speak to ourselves."""
        beside = [one for one in self._beside if one.instrument is instrument]
        for one in beside:
            if one.is_busy:
                self._carry_on(partial(_when_free, one), lambda: math.inf, ())
        self._beside = [one for one in self._beside if one not in beside]
        try:
            yield
        finally:
            self._beside += beside

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
            lines = [line for one in self._beside if one.is_busy for line in one.instrument.lines]
            until_s = min(
                wake(),
                self.log.acknowledge_due_s,
                *(one.wake_s for one in self._beside),
                *(watch.due_s for watch in self._watches),
            )
            self.clock.wait_until(until_s, watching=[*watching, *lines, self._stop])

    def _serve_background(self) -> None:
        if self.clock.elapsed_s() >= self.log.acknowledge_due_s:
            self.log.acknowledge()
        for one in self._beside:
            one.serve()
        for watch in self._watches:
            if self.clock.elapsed_s() >= watch.due_s:
                watch.look()

    def _take_power(self, readings: tuple[Reading, ...], place: Place, sample: int | None) -> None:
        self.log.readings("power_meter", readings, place, sample)
        for reading in readings:
            if reading.quantity == "wall_power_w" and not reading.is_missing:
                self._latest_w = reading.value
                end_s = reading.window_end_s
                self._latest_end_s = self.clock.elapsed_s() if math.isnan(end_s) else end_s
                self._history.append((self._latest_end_s, reading.value))
                self.power_watch.see(reading.value)

    def _with_retries(
        self,
        name: str,
        place: Place,
        start: Callable[[], float],
        poll: Callable[[], Result | None],
        instrument: TwoPhase,
    ) -> Result:
        """Carry one thing through, as often as the fault table allows; every try on record."""
        tries = 0
        while True:
            try:
                return self.once(start, poll, instrument)
            except DriverError as fault:
                tries += 1
                self.log.failed(name, fault, place, tries)
                pause_s = faults.retry_pause_s(fault, tries, of_stage=name == "stage")
                if pause_s is None:
                    raise faults.stop_for(fault, tries, name) from fault
                self.wait_until(self.clock.elapsed_s() + pause_s)


def _when_free(one: Attended) -> bool | None:
    return None if one.is_busy else True
