"""Each scripted fault once, with the real driver at the near end: refused by name, or got over."""

import re
import tomllib
from importlib.resources import files

import pytest
import tomli_w

from drivers.errors import (
    DeviceFault,
    GarbledReply,
    MotionRefused,
    NoReply,
    PortLost,
    PositionLost,
)
from drivers.simulated.peer import DAMAGE, STALE
from drivers.simulated.scenario import packaged
from drivers.simulated.script import bench_with_script, script_from_table
from drivers.simulated.spec import ScenarioError
from rig.build import build
from rig.profile import read_profile
from rig.toml_faults import ConfigError
from tests.drivers.far_end import finish

EXAMPLE = files("drivers.simulated.scenarios").joinpath("faults-example.toml")
PROFILE = {
    "format": 1,
    "bench": {"scenario": "quick", "instruments": "faults.toml"},
    "light_sensor": {"kind": "sdi12-quantum-sensor", "port": "bench:light_sensor", "crc": True},
    "power_meter": {
        "kind": "modbus-power-meter",
        "port": "bench:power_meter",
        "registers": [
            {"quantity": "wall_power_w", "register": 0},
            {"quantity": "line_voltage_v", "register": 2},
        ],
    },
    "stage": {
        "kind": "gcode-gantry",
        "port": "bench:stage",
        "travel_x_mm": [0.0, 600.0],
        "travel_y_mm": [0.0, 600.0],
        "barrier_test": False,
    },
}


def profile_of(folder, script):
    (folder / "faults.toml").write_text(tomli_w.dumps({"format": 1, **script}))
    (folder / "rig.toml").write_text(tomli_w.dumps(PROFILE))
    return folder / "rig.toml"


@pytest.fixture
def bench_of(tmp_path):
    opened = []

    def make(**script):
        opened.append(build(read_profile(profile_of(tmp_path, script)), "Brook"))
        return opened[-1]

    yield make
    for bench in opened:
        bench.close()


def with_fault(section, kind, at_exchange=1, **more):
    return {section: {"faults": [{"kind": kind, "at_exchange": at_exchange, **more}]}}


def values(bench, section):
    instrument = getattr(bench.instruments, section)
    instrument.start()
    return {r.quantity: r.value for r in finish(instrument, bench.clock)}


@pytest.mark.parametrize(
    ("kind", "more", "retries"),
    [
        ("delay", {"delay_s": 0.4}, 1),
        ("truncate", {"keep_bytes": 3}, 1),
        ("garble", {"at_byte": 2, "flip_bits": 0x44}, 1),
        ("drop", {}, 1),
        ("drop", {"exchanges": 3}, 3),
        ("stale", {}, 1),
        ("wrong-address", {"address": "7"}, 1),
        ("double", {}, 0),
        ("garbage", {"data": "00ff7f"}, 0),
        ("no-service-request", {}, 0),
    ],
)
def test_light_sensor_gets_over_it_by_the_retries_of_its_protocol(bench_of, kind, more, retries):
    bench = bench_of(**with_fault("light_sensor", kind, **more))
    for _ in range(2):  # and is not one reply behind afterwards
        value = values(bench, "light_sensor")["ppfd_umol_m2_s"]
        truth = bench.virtual.truth.ppfd_map([120.0], [80.0], bench.clock.elapsed_s())[0]
        assert value == pytest.approx(truth, abs=3.0)
    assert bench.instruments.light_sensor.retries == retries


@pytest.mark.parametrize(
    ("section", "kind", "more", "refused"),
    [
        ("light_sensor", "drop", {"exchanges": float("inf")}, NoReply),
        ("light_sensor", "garble", {"at_byte": 2, "exchanges": float("inf")}, GarbledReply),
        ("light_sensor", "no-value", {"at_exchange": 2}, DeviceFault),
        ("power_meter", "delay", {"delay_s": 0.9}, NoReply),
        ("power_meter", "truncate", {"keep_bytes": 6}, GarbledReply),
        ("power_meter", "garble", {"at_byte": 5}, GarbledReply),
        ("power_meter", "drop", {}, NoReply),
        ("power_meter", "wrong-address", {"address": "9"}, GarbledReply),
        ("power_meter", "exception", {"code": 6}, DeviceFault),
    ],
)
def test_fault_is_refused_by_name_and_over_with_the_next_reading(
    bench_of, section, kind, more, refused
):
    bench = bench_of(**with_fault(section, kind, **more))
    with pytest.raises(refused):
        values(bench, section)
    if more.get("exchanges") is None:
        bench.clock.wait_until(bench.clock.elapsed_s() + 0.5)
        assert all(value == value for value in values(bench, section).values())


@pytest.mark.parametrize("kind", ["double", "garbage", "stuck", "value"])
def test_power_meter_reads_on_through_what_leaves_its_frame_whole(bench_of, kind):
    bench = bench_of(
        **with_fault("power_meter", kind, **({"value": 7.0} if kind == "value" else {}))
    )
    assert values(bench, "power_meter")["line_voltage_v"] == (
        7.0 if kind == "value" else pytest.approx(229.0, abs=5.0)
    )
    assert values(bench, "power_meter")["line_voltage_v"] == pytest.approx(229.0, abs=5.0)


@pytest.mark.parametrize(
    ("kind", "more", "refused"),
    [
        ("banner", {}, PositionLost),
        ("alarm", {"code": 1}, PositionLost),
        ("short", {}, PositionLost),
        ("dead", {}, PositionLost),
        ("drop", {}, PositionLost),
        ("error", {"code": 33}, MotionRefused),
        ("slow", {"delay_s": 0.5}, None),
        # Its barrier seems passed at once; the reports then say for too long that it runs.
        ("double", {}, PositionLost),
        ("stale", {}, PositionLost),
    ],
)
def test_stage_that_may_not_be_where_it_says_is_not_believed(bench_of, kind, more, refused):
    # Homing takes three lines ($H, the modes, a look at the settings); the next is the move.
    bench = bench_of(**with_fault("stage", kind, at_exchange=4, **more))
    stage = bench.instruments.stage
    stage.start_home()
    finish(stage, bench.clock)
    stage.start_move(300.0, 200.0)
    if refused is None:
        assert finish(stage, bench.clock)[:2] == pytest.approx((300.0, 200.0), abs=0.1)
        assert bench.virtual.gantry.position(bench.clock.elapsed_s())[:2] == pytest.approx(
            (300.0, 200.0), abs=0.5
        )
        return
    with pytest.raises(refused):
        finish(stage, bench.clock)
    # A refused line has moved nothing; anything else asks for homing.
    assert stage.is_homed == (refused is MotionRefused)


def test_port_is_lost_in_mid_reading_and_stays_lost(bench_of):
    bench = bench_of(port_losses=[{"port": "light_sensor", "lost_after_s": 5.0}])
    values(bench, "light_sensor")
    bench.clock.wait_until(4.5)
    with pytest.raises(PortLost, match="light sensor, bench:light_sensor"):
        values(bench, "light_sensor")
    with pytest.raises(PortLost):
        values(bench, "light_sensor")
    assert values(bench, "power_meter")["line_voltage_v"] > 200.0


def test_mains_dip_is_seen_by_the_meter_and_by_nobody_after_it(bench_of):
    bench = bench_of(mains_dips=[{"at_s": 10.0, "depth": 0.4, "duration_s": 2.0}])
    seen = []
    for at_s in (8.0, 11.5, 14.0):
        bench.clock.wait_until(at_s)
        seen.append(values(bench, "power_meter")["line_voltage_v"])
    assert seen[1] == pytest.approx(0.6 * seen[0], rel=0.02)
    assert seen[2] == pytest.approx(seen[0], rel=0.02)


# The file


def test_example_shows_every_kind_of_fault_and_can_be_played():
    text = EXAMPLE.read_text(encoding="utf-8")
    shown = set(re.findall(r'(?m)^(?:# )?kind = "([a-z-]+)"', text))
    bench, script = bench_with_script(packaged("quick"), EXAMPLE)
    every = {
        section: {"faults": [{"kind": "?", "at_exchange": 1}]}
        for section in ("light_sensor", "power_meter", "stage")
    }
    with pytest.raises(ScenarioError) as caught:
        script_from_table(every, "x", bench)
    allowed = {
        kind for fault in caught.value.faults for kind in fault.split("give one of ")[1].split(", ")
    }
    assert shown == allowed >= {*DAMAGE, STALE}
    # What it holds back as a comment is as sound as the rest.
    everything = re.sub(r"(?m)^# (?=\[\[|[a-z_]+ = )", "", text)
    whole = script_from_table(tomllib.loads(everything), "everything", bench)
    assert whole.port_losses[0].back_after_s == 10.0
    assert script.mains_dips[0].depth == 0.15
    assert script.instruments.stage.travel_x_mm == (0.0, 600.0)  # as suits the bench


def test_profile_tells_all_that_is_wrong_with_its_faults_at_once(tmp_path):
    path = profile_of(
        tmp_path,
        {
            **with_fault("light_sensor", "dead"),
            **with_fault("stage", "no-value"),
            "port_losses": [{"port": "lamp", "lost_after_s": 1.0}],
        },
    )
    with pytest.raises(ConfigError) as caught:
        read_profile(path)
    told = str(caught.value)
    assert "bench.instruments faults.toml: light_sensor.faults: fault kind 'dead' at exch" in told
    assert "stage.faults: fault kind 'no-value'" in told
    assert "port_losses: port is 'lamp'; give one of light_sensor" in told


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"mains_dips": 3}, r"mains_dips is not a list of tables; write \[\[mains_dips\]\]"),
        ({"mains_dips": [{"at_s": 1.0, "deep": 0.4}]}, "deep"),
        (
            {"port_losses": [{"port": "stage", "lost_after_s": -1.0}]},
            r"lost_after_s. must be >= 0.0: -1",
        ),
        ({"light_sensor": {"measuring_s": -1.0}}, r"measuring_s. must be >= 0.0: -1"),
        ({"sensor": {}}, "sensor"),
    ],
)
def test_what_is_wrong_in_the_file_is_named(table, message):
    with pytest.raises(ScenarioError, match=message):
        script_from_table(table, "faults.toml")


def test_file_that_is_not_there_is_named(tmp_path):
    content = {**PROFILE, "bench": {"scenario": "quick", "instruments": "nowhere.toml"}}
    (tmp_path / "rig.toml").write_text(tomli_w.dumps(content))
    with pytest.raises(ConfigError, match=r"bench.instruments nowhere.toml: cannot be read"):
        read_profile(tmp_path / "rig.toml")
