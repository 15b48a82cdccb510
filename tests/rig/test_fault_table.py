"""Every row of the fault table, struck at a random moment of a night lit by the relay.

Each case says which row it is, and in which of the two states the night ends: all measured, or
safely stopped (`assert_safe`: one line, data kept, relay open, lamp dark, no motion after it). A
kill, the third way out, is in `tests/crash/`; faults on real ports are in `tests/wire/`.
"""

from __future__ import annotations

import math
import random
import shutil
from collections import namedtuple
from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from attrs import evolve, frozen

from analysis import run_folder
from analysis.summary import summarise
from drivers.errors import (
    DeviceFault,
    DriverError,
    GarbledReply,
    NoReply,
    PortLost,
    RelayError,
    StageError,
    WriteStalled,
)
from drivers.simulated.instruments import ModbusThermometer
from drivers.simulated.peer import Fault
from rig import faults, watches
from rig.faults import RunStopped
from tests.rig.bench_run import do_run
from tests.rig.test_lamp_relay import lamp_power_w
from tests.rig.test_pauses import (
    PAUSES,
    Away,
    assert_safe,
    bench_relay_is_closed,
    night,
    plain,  # noqa: F401  (a fixture)
    put_out,
    suspend,
)

Strike = Callable[..., None]
FOR_GOOD = math.inf
BY_HAND = {"lamp": {"switching": "hand", "armed": False, "minimum_off_s": 60.0}}
SENSOR, METER, STAGE, RELAY = "light_sensor", "power_meter", "stage", "lamp_relay"


def of(bench, section):
    return getattr(bench.instruments, section)


def reply(section: str, kind: str, exchanges: float = FOR_GOOD, **more) -> Strike:
    """Let the far end misbehave from a moment on."""

    def strike(bench, at_s, patch):
        script = of(bench, section).lines[0]._peer._script

        def begin():
            first = script.exchange + 1
            fault = Fault(kind=kind, at_exchange=first, exchanges=exchanges, **more)
            script._faults = (*script._faults, fault)

        bench.clock.call_at(at_s, begin)

    return strike


def plug(section: str, for_s: float = math.inf) -> Strike:
    def strike(bench, at_s, patch):
        line = of(bench, section).lines[0]
        bench.clock.call_at(at_s, line.unplug)
        if for_s < math.inf:
            bench.clock.call_at(at_s + for_s, line.replug)

    return strike


def stalled(section: str, for_s: float) -> Strike:
    def strike(bench, at_s, patch):
        line = of(bench, section).lines[0]
        bench.clock.call_at(at_s, line.stall)
        bench.clock.call_at(at_s + for_s, partial(line.stall, False))

    return strike


def seen_as(section: str, quantity: str, change: Callable[[float], float]) -> Strike:
    """Let what an instrument measures be something else from a moment on."""

    def strike(bench, at_s, patch):
        instrument = of(bench, section)
        poll = instrument.poll

        def changed():
            readings = poll()
            if readings is None or bench.clock.elapsed_s() < at_s:
                return readings
            return tuple(
                evolve(one, value=change(one.value)) if one.quantity == quantity else one
                for one in readings
            )

        patch.setattr(instrument, "poll", changed)

    return strike


def failing(section: str, error: Exception) -> Strike:
    def strike(bench, at_s, patch):
        instrument = of(bench, section)
        poll = instrument.poll

        def failed():
            if bench.clock.elapsed_s() < at_s:
                return poll()
            instrument.cancel()
            raise error

        patch.setattr(instrument, "poll", failed)

    return strike


def never_closes(bench, at_s, patch):
    peer = of(bench, RELAY).lines[0]._peer
    peer._script._faults = (Fault(kind="stuck", at_exchange=1, exchanges=math.inf),)


def lamp_out(bench, at_s, patch):
    put_out(bench, at_s)


def asleep(bench, at_s, patch):
    if not bench.instruments.lamp_relay.lines[0]._peer.is_closed:
        bench.virtual.isolate_lamp(False, bench.clock.elapsed_s())  # the lamp is lit by hand
    suspend(bench, at_s, 1200.0)


def stepped(seconds: float) -> Strike:
    return lambda bench, at_s, patch: bench.clock.call_at(
        at_s, partial(bench.clock.step_utc, seconds)
    )


def full_disk(bench, at_s, patch):
    usage = namedtuple("usage", "total used free")

    def free(folder):
        left = 10**9 if bench.clock.elapsed_s() < at_s else 19_000_000
        return usage(10**9, 10**9 - left, left)

    patch.setattr(watches.shutil, "disk_usage", free)


def too_long(bench, at_s, patch):
    """Nothing more: the plan of this case allows less time than the night takes."""


@frozen
class Case:
    """What strikes, what the table has for it, and how the night ends."""

    strike: Strike
    row: type[Exception] | None
    ends: str
    """What the one line begins with, or "measured"."""
    share: tuple[float, float] = (0.0, 0.95)
    """Of the map; where in it the moment may lie."""
    night: Mapping[str, Any] = MappingProxyType({})
    nobody_mends: bool = False
    opens_within_s: float = 0.0
    """What the relay may take to open by itself. [s]"""


NO_LONGER = "measurement fault: light sensor, .* Paused for 10 min, no longer."
LOST = "hazard: control of the lamp relay is lost"
CASES = {
    "sensor silent, then back": Case(reply(SENSOR, "drop", 12), NoReply, "measured"),
    "sensor silent": Case(reply(SENSOR, "drop"), NoReply, NO_LONGER),
    "sensor garbled": Case(reply(SENSOR, "garble", at_byte=3), GarbledReply, NO_LONGER),
    "sensor cut short": Case(reply(SENSOR, "truncate", keep_bytes=2), GarbledReply, NO_LONGER),
    "sensor without a value": Case(reply(SENSOR, "no-value", 40), DeviceFault, "measured"),
    "sensor beyond its range": Case(
        reply(SENSOR, "value", value=54321.0),
        faults.ImplausibleLight,
        "measurement fault: light sensor.*54321.*no longer.",
    ),
    "sensor frozen": Case(
        reply(SENSOR, "value", value=612.3),
        faults.StuckSensor,
        "measurement fault: light sensor: 612.3 .*A stuck sensor: .*no longer.",
        share=(0.0, 0.4),
        nobody_mends=True,
    ),
    "sensor takes no bytes": Case(stalled(SENSOR, 60.0), WriteStalled, "measured"),
    "sensor unplugged, then back": Case(plug(SENSOR, 70.0), PortLost, "measured"),
    "sensor unplugged": Case(plug(SENSOR), PortLost, NO_LONGER),
    "meter silent, then back": Case(reply(METER, "drop", 40), NoReply, "measured"),
    "meter cut short": Case(reply(METER, "truncate", 6, keep_bytes=4), GarbledReply, "measured"),
    "meter garbled": Case(
        reply(METER, "garble"), GarbledReply, "measurement fault: wattmeter, .*no longer."
    ),
    "meter refuses": Case(
        reply(METER, "exception", code=4), DeviceFault, "measurement fault: wattmeter.*no longer."
    ),
    "meter unplugged": Case(plug(METER), PortLost, "measurement fault: wattmeter, .*no longer."),
    "meter fails in a way nobody knows": Case(
        failing(METER, DriverError("wattmeter: strange", "strange")),
        DriverError,
        "measurement fault: wattmeter: strange.*no longer.",
    ),
    "stage in alarm": Case(reply(STAGE, "alarm", 1, code=1), StageError, "measured"),
    "stage starts anew": Case(reply(STAGE, "banner", 1), StageError, "measured"),
    "stage refuses": Case(
        reply(STAGE, "error", 1, code=15), StageError, "motion fault: stage", nobody_mends=True
    ),
    "stage silent": Case(
        reply(STAGE, "drop"), StageError, "motion fault: stage", nobody_mends=True
    ),
    "stage unplugged": Case(
        plug(STAGE), faults.StagePortLost, "motion fault: stage", nobody_mends=True
    ),
    "relay that does not close": Case(
        never_closes, faults.Hazard, f"{LOST}: .*told to close, coil 0 reads back open"
    ),
    "relay silent": Case(reply(RELAY, "drop"), faults.Hazard, LOST),
    "relay refuses": Case(reply(RELAY, "exception", code=4), faults.Hazard, LOST),
    "relay unplugged": Case(plug(RELAY), faults.Hazard, LOST, opens_within_s=20.0),
    "lamp out, relit": Case(lamp_out, faults.LampOut, "measured"),
    "lamp out, not relit": Case(
        lamp_out,
        faults.LampOut,
        "hazard: wall power fell from ",
        night={"trouble": {**PAUSES, "relight_most": 0}},
    ),
    "over-power": Case(
        seen_as(METER, "wall_power_w", lambda w: 2.0 * w),
        faults.Hazard,
        "hazard: wall power .*allowed up to",
    ),
    "step of power": Case(
        seen_as(METER, "wall_power_w", lambda w: 1.3 * w),
        faults.UnexplainedStep,
        "hazard: wall power .*and stays there",
    ),
    "step of light": Case(
        seen_as(SENSOR, "ppfd_umol_m2_s", lambda e: 0.6 * e),
        faults.UnexplainedStep,
        "hazard: the light at the reference point went from ",
        share=(0.1, 0.95),  # before the first reference reading there is none to hold it against
    ),
    "over-temperature": Case(
        seen_as("thermometer", "temperature_c", lambda c: c + 200.0),
        faults.Hazard,
        r"hazard: thermometer \(reflector\): .* allowed up to 150 °C",
        night={"thermometer": ModbusThermometer(highest_c=150.0)},
    ),
    "lamp lit too long": Case(
        too_long,
        faults.Hazard,
        "hazard: the lamp has been lit for ",
        night={"trouble": {**PAUSES, "lamp_on_most_h": 0.03}},
    ),
    "asleep for 20 minutes, lit by relay": Case(asleep, faults.Hazard, LOST),
    "asleep for 20 minutes, lit by hand": Case(
        asleep, faults.TimeMissing, "measured", night=BY_HAND
    ),
    "clock an hour on": Case(stepped(3600.0), None, "measured"),
    "clock an hour back": Case(stepped(-3600.0), None, "measured"),
    "disk nearly full": Case(full_disk, None, "disk nearly full: "),
}


#: Whoever holds the relay says "hazard" itself. (A person who pauses is in tests/rig/hand.)
ELSEWHERE = {"RelayError"}


def test_every_row_of_the_table_is_played():
    played = {case.row.__name__ for case in CASES.values() if case.row}
    assert played == {kind.__name__ for kind in faults.TABLE} - ELSEWHERE
    assert faults.TABLE[RelayError].then is faults.Then.STOP


@pytest.mark.parametrize("name", CASES)
def test_a_fault_at_a_random_moment_ends_measured_or_safely_stopped_as_the_table_says(
    name,
    plain,  # noqa: F811
    tmp_path,
    monkeypatch,
):
    case = CASES[name]
    plan, profile, bench = night(tmp_path, **case.night)
    share = random.Random(name).uniform(*case.share)
    at_s = plain.begun_s + share * (plain.ended_s - plain.begun_s)
    case.strike(bench, at_s, monkeypatch)
    asked = rows_asked(monkeypatch)
    person = Away(bench, plan.device.name, "mend") if case.nobody_mends else None
    if case.ends == "measured":
        run = run_folder.load(do_run(tmp_path, plan, profile, bench, operator=person))
        assert run.events.event.iloc[-1] == "run-ended"
        (one,) = summarise(run).maps
        assert one.is_complete
        np.testing.assert_allclose(one.ppfd, plain.map.ppfd, rtol=2e-3)
        assert not bench_relay_is_closed(bench)
        assert not plan.lamp.armed or lamp_power_w(bench) < 5.0
    else:
        with pytest.raises(RunStopped, match=case.ends) as stopped:
            do_run(tmp_path, plan, profile, bench, operator=person)
        assert stopped.value.exit_code == 1
        bench.clock.wait_until(bench.clock.elapsed_s() + case.opens_within_s)
        assert_safe(bench, stopped.value)
        run = run_folder.load(stopped.value.folder)
    assert shutil.disk_usage is watches.shutil.disk_usage
    assert (np.diff(run.readings.elapsed_s.to_numpy()) >= 0.0).all()
    assert case.row is None or case.row in asked


def rows_asked(monkeypatch):
    """Return the rows that the run asks the table for, as it goes."""
    asked, row_for = set(), faults.row_for

    def noting(fault, *, of_stage=False):
        row = row_for(fault, of_stage=of_stage)
        asked.update(kind for kind, known in faults.TABLE.items() if known is row)
        return row

    monkeypatch.setattr(faults, "row_for", noting)
    return asked
