"""Each real driver against its simulated instrument, in memory, on the virtual clock."""

import math
import time

import pytest

from drivers.clock import VirtualClock
from drivers.errors import DeviceFault, GarbledReply, MotionRefused, NoReply, PositionLost
from drivers.registry import KINDS
from drivers.simulated.attach import attach, rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.peer import Fault
from drivers.simulated.scenario import packaged
from rig.profile import read_profile

INF = math.inf


class Rig:
    """The quick bench with its drivers, as a profile builds them."""

    def __init__(self, folder, **faults):
        self.bench = VirtualBench.from_scenario(packaged("quick"))
        self.clock = VirtualClock()
        instruments = usual_instruments(self.bench).with_faults(**faults)
        self.lines = attach(self.bench, self.clock, instruments)
        file = folder / "rig.toml"
        file.write_text(rig_text(instruments, name="test", scenario="quick"))
        self.profile = read_profile(file)
        for section, entry in self.profile.instruments.items():
            kind = KINDS[entry.kind]
            line = self.lines[entry.options.port]
            setattr(self, section, kind.make(entry.options, line, self.clock, section))

    def finish(self, instrument, poll=None):
        poll = poll or instrument.poll
        for _ in range(10_000):
            if (result := poll()) is not None:
                return result
            self.clock.wait_until(instrument.wake_s, watching=instrument.lines)
        raise AssertionError("no result")

    def measure(self, instrument):
        instrument.start()
        return {r.quantity: r for r in self.finish(instrument)}

    def ppfd(self):
        return self.measure(self.light_sensor)["ppfd_umol_m2_s"]

    def home(self):
        self.stage.start_home()
        return self.finish(self.stage)

    def move(self, x_mm, y_mm):
        self.stage.start_move(x_mm, y_mm)
        return self.finish(self.stage)


@pytest.fixture
def make(tmp_path):
    return lambda **faults: Rig(tmp_path, **faults)


def test_whole_chain_measures_what_was_true(make):
    rig = make()
    rig.home()
    rig.bench.switch_lamp(True, rig.clock.elapsed_s())
    rig.clock.wait_until(rig.clock.elapsed_s() + 120.0)
    rig.move(250.0, 350.0)
    rig.clock.wait_until(rig.clock.elapsed_s() + 2.0)
    ppfd = rig.ppfd()
    window = (ppfd.window_start_s, ppfd.window_end_s)
    (true,) = rig.bench.truth.ppfd_map([250.0], [350.0], *window)
    # The bench's sensor errs by some per cent (its calibration and cosine response).
    assert ppfd.value == pytest.approx(true, rel=0.06)
    power = rig.measure(rig.power_meter)["wall_power_w"]
    true_w = rig.bench.truth.wall_power_w(power.window_start_s, power.window_end_s)
    assert power.value == pytest.approx(true_w, rel=0.01)


def test_declared_window_is_the_window_that_was_measured(make):
    rig = make()
    asked = []
    measured = rig.bench.measured_ppfd
    rig.bench.measured_ppfd = lambda *a: asked.append(a) or measured(*a)
    reading = rig.ppfd()
    name, start_s, end_s = asked[-1]
    lag_s = rig.profile.light_sensor.options.lag_s
    assert name == "light_sensor"
    assert reading.window_end_s + lag_s == pytest.approx(end_s, abs=0.02)
    assert reading.window_start_s + lag_s == pytest.approx(start_s, abs=0.02)


def test_sensor_is_woken_by_a_break_and_spoken_to_in_7e1(make):
    rig = make()
    rig.ppfd()
    events = rig.lines["bench:light_sensor"].events
    kinds = [event.kind for event in events]
    assert kinds[:4] == ["break", "marking", "out", "in"]
    for event in events:
        if event.kind == "break":
            assert event.end_s - event.start_s >= 0.012
        elif event.kind == "marking":
            assert event.end_s - event.start_s >= 0.00833
        else:
            assert (event.settings.baud, event.settings.character_format) == (1200, "7E1")


def test_power_is_read_while_light_is_measured(make):
    rig = make()
    rig.light_sensor.start()
    powers = []
    rig.power_meter.start()
    light = None
    while light is None:
        instruments = (rig.light_sensor, rig.power_meter)
        light = rig.light_sensor.poll()
        if (power := rig.power_meter.poll()) is not None:
            powers += power
            rig.power_meter.start()
        rig.clock.wait_until(
            min(i.wake_s for i in instruments),
            watching=[line for i in instruments for line in i.lines],
        )
    assert len([p for p in powers if p.quantity == "wall_power_w"]) >= 3


def test_benches_of_one_scenario_say_the_same(make):
    values = []
    for _ in range(2):
        rig = make()
        rig.home()
        values.append([rig.ppfd().value, rig.measure(rig.power_meter)["wall_power_w"].value])
    assert values[0] == values[1]


def test_hour_of_readings_takes_seconds_of_real_time(make):
    rig = make()
    begun = time.process_time()
    while rig.clock.elapsed_s() < 3600.0:
        rig.ppfd()
        rig.measure(rig.power_meter)
    assert time.process_time() - begun < 15.0


# ---------------------------------------------------------------- light sensor


@pytest.mark.parametrize("kind", ["drop", "garble", "truncate"])
def test_spoilt_reply_is_asked_for_again_and_counted(make, kind):
    rig = make(light_sensor=[Fault(kind=kind, at_exchange=2, keep_bytes=3)])
    assert rig.ppfd().value < 5.0
    assert rig.light_sensor.retries == 1


def test_silent_sensor_is_no_reply(make):
    rig = make(light_sensor=[Fault(kind="drop", at_exchange=3, exchanges=INF)])
    rig.ppfd()
    with pytest.raises(NoReply, match="light_sensor, bench:light_sensor address 0: no reply"):
        rig.ppfd()


def test_wrong_address_is_a_garbled_reply(make):
    rig = make(light_sensor=[Fault(kind="wrong-address", at_exchange=1, exchanges=INF)])
    with pytest.raises(GarbledReply):
        rig.ppfd()


def test_sensor_without_a_value_is_a_device_fault(make):
    rig = make(light_sensor=[Fault(kind="no-value", at_exchange=1, exchanges=INF)])
    with pytest.raises(DeviceFault):
        rig.ppfd()


def test_value_out_of_range_arrives_as_it_is(make):
    rig = make(light_sensor=[Fault(kind="value", at_exchange=2, value=99_999.0)])
    assert rig.ppfd().value == 99_999.0


def test_missing_service_request_costs_time_only(make):
    plain, late = make(), make(light_sensor=[Fault(kind="no-service-request", at_exchange=1)])
    assert plain.ppfd().value == pytest.approx(late.ppfd().value, abs=1.0)
    assert late.clock.elapsed_s() > plain.clock.elapsed_s()


# ---------------------------------------------------------------- power meter


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (Fault(kind="drop", at_exchange=1), NoReply),
        (Fault(kind="garble", at_exchange=1), GarbledReply),
        (Fault(kind="truncate", at_exchange=1, keep_bytes=6), GarbledReply),
        (Fault(kind="wrong-address", at_exchange=1), GarbledReply),
        (Fault(kind="delay", at_exchange=1, delay_s=2.0), NoReply),
        (Fault(kind="exception", at_exchange=1, code=6), DeviceFault),
    ],
)
def test_failed_meter_says_who_and_how_and_recovers(make, fault, error):
    rig = make(power_meter=[fault])
    with pytest.raises(error, match="power_meter, bench:power_meter address 1"):
        rig.measure(rig.power_meter)
    rig.clock.wait_until(rig.clock.elapsed_s() + 3.0)
    assert rig.measure(rig.power_meter)["line_voltage_v"].value > 200.0


def test_meter_that_says_not_a_number_gives_a_missing_reading(make):
    rig = make(power_meter=[Fault(kind="value", at_exchange=1, value=math.nan)])
    assert rig.measure(rig.power_meter)["wall_power_w"].is_missing


# ---- stage: $H, modes, $$, the barrier tested out and back (4 to 7), then move and barrier


def test_stage_confirms_where_the_bench_says_it_is(make):
    rig = make()
    assert rig.home()[:2] == (0.0, 0.0)
    position = rig.move(300.0, 200.0)
    assert position[:2] == (300.0, 200.0)
    assert rig.bench.gantry.reported(rig.clock.elapsed_s())[:2] == (300.0, 200.0)
    assert not rig.bench.gantry.is_moving(rig.stage.still_since_s)


def test_late_arrival_is_waited_for(make):
    rig = make(stage=[Fault(kind="slow", at_exchange=8, delay_s=1.0)])
    rig.home()
    begun_s = rig.clock.elapsed_s()
    rig.move(100.0, 0.0)
    assert rig.stage.still_since_s - begun_s > 1.0
    assert not rig.bench.gantry.is_moving(rig.stage.still_since_s)


@pytest.mark.parametrize("kind", ["banner", "alarm", "short", "dead"])
def test_lost_position_is_noticed_and_homing_mends_it(make, kind):
    rig = make(stage=[Fault(kind=kind, at_exchange=8, code=1)])
    rig.home()
    with pytest.raises(PositionLost):
        rig.move(300.0, 200.0)
    assert not rig.stage.is_homed
    with pytest.raises(MotionRefused):
        rig.stage.start_move(10.0, 10.0)
    if kind in ("banner", "short"):
        rig.home()
        assert rig.move(300.0, 200.0)[:2] == (300.0, 200.0)


def test_refusal_of_the_controller_is_motion_refused(make):
    rig = make(stage=[Fault(kind="error", at_exchange=8, code=9)])
    rig.home()
    with pytest.raises(MotionRefused, match="error 9"):
        rig.move(300.0, 200.0)


def test_stop_ends_the_motion_on_the_bench(make):
    rig = make()
    rig.home()
    rig.stage.start_move(550.0, 0.0)
    rig.stage.poll()
    rig.clock.wait_until(rig.clock.elapsed_s() + 0.5)
    rig.stage.stop()
    rig.clock.wait_until(rig.clock.elapsed_s() + 1.0)
    now_s = rig.clock.elapsed_s()
    assert not rig.bench.gantry.is_moving(now_s)
    assert 0.0 < rig.bench.gantry.reported(now_s)[0] < 550.0
    rig.home()
