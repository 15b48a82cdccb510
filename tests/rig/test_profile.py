"""The rig profile: kinds and their options, ports, the virtual bench, and plans against it."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.registry import KINDS
from rig.plan import read_plan
from rig.profile import SHORT, cross_check, read_profile
from rig.toml_faults import ConfigError, either

GOOD = """\
format = 1
name = "bench 1"
[light_sensor]
kind = "sdi12-quantum-sensor"
port = "/dev/a"
[power_meter]
kind = "modbus-power-meter"
port = "/dev/b"
[[power_meter.registers]]
quantity = "wall_power_w"
register = 40
[stage]
kind = "gcode-gantry"
port = "/dev/c"
travel_x_mm = [0.0, 1200.0]
travel_y_mm = [0, 900]
travel_z_mm = [250.0, 900.0]
"""
PLAN = """\
format = 1
[test]
name = "T"
[device]
name = "D"
[lamp]
kind = "LED"
rated_power_w = 400
[area]
width_mm = 1200
depth_mm = 900
[heights]
mounting_height_mm = [400.0, 950.0]
"""


def profile_of(tmp_path: Path, content: str):
    path = tmp_path / "rig.toml"
    path.write_text(content, encoding="utf-8")
    return read_profile(path)


def plan_of(tmp_path: Path, content: str):
    path = tmp_path / "plan.toml"
    path.write_text(content, encoding="utf-8")
    return read_plan(path)


def problems(tmp_path: Path, content: str) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        profile_of(tmp_path, content)
    return caught.value.problems


def test_each_instrument_comes_with_the_options_of_its_kind(tmp_path):
    profile = profile_of(tmp_path, GOOD)
    assert list(profile.instruments) == ["light_sensor", "power_meter", "stage"]
    assert profile.light_sensor.kind == "sdi12-quantum-sensor"
    assert profile.light_sensor.options.address == "0"
    assert profile.power_meter.options.registers[0].register == 40
    assert profile.stage.options.travel_y_mm == (0.0, 900.0)
    assert profile.monitor_sensor is None
    assert profile.scenario is None
    assert profile.text == GOOD.encode()


def test_a_profile_with_five_faults_is_refused_with_all_five(tmp_path):
    content = (
        GOOD.replace('port = "/dev/a"', 'port = "/dev/a"\nadress = "0"\naveraging_s = -1')
        .replace("register = 40", 'register = 40\ntype = "float23"')
        .replace('port = "/dev/c"\n', "")
        .replace("[0, 900]", "[900, 0]")
    )
    with pytest.raises(ConfigError) as caught:
        profile_of(tmp_path, content)
    assert str(caught.value) == (
        f"5 problems in {tmp_path / 'rig.toml'}:\n"
        "  light_sensor.adress is not a known key; did you mean 'address'?\n"
        "  light_sensor.averaging_s is -1; give a number in s, 0 or more\n"
        "  power_meter.registers, entry 1: type is 'float23'; give one of 'float32', 'int16', "
        "'uint16', 'int32', 'uint32'\n"
        "  stage.port is missing; give some text in quotes: a serial port, or "
        '"tcp://192.168.0.20:502"\n'
        "  stage.travel_y_mm is [900, 0]; give two numbers in mm, the lower first, "
        "e.g. [0.0, 1200.0]"
    )


def kinds_of(role: str, *, without: str = "") -> str:
    """List the kinds of a role as a message does."""
    return either([k.name for k in KINDS.values() if k.role == role and k.name != without])


@pytest.mark.parametrize(
    ("section", "fitted"),
    [
        ("light_sensor", "sdi12-quantum-sensor"),
        ("power_meter", "modbus-power-meter"),
        ("stage", "gcode-gantry"),
    ],
)
def test_a_kind_that_is_unknown_or_of_another_role_is_refused(tmp_path, section, fitted):
    others = [kind.name for kind in KINDS.values() if kind.role != section]
    others = [name for name in others if (section, name) not in SHORT]
    for kind in ("unheard-of", *others):
        (problem,) = problems(tmp_path, GOOD.replace(f'kind = "{fitted}"', f'kind = "{kind}"'))
        refused = f"{section}.kind is '{kind}'; give {kinds_of(section)}"
        assert problem.split("; did you mean")[0] == refused


def test_a_misspelt_kind_gets_a_suggestion(tmp_path):
    assert problems(tmp_path, GOOD.replace("gcode-gantry", "gcode-gantri")) == (
        f"stage.kind is 'gcode-gantri'; give {kinds_of('stage')}; did you mean 'gcode-gantry'?",
    )


def test_missing_instruments_are_named_with_their_kinds(tmp_path):
    assert problems(tmp_path, "format = 1\n") == (
        f"light_sensor is missing; give a section with kind = {kinds_of('light_sensor')}",
        f"power_meter is missing; give a section with kind = {kinds_of('power_meter')}",
        f"stage is missing; give a section with kind = {kinds_of('stage')}",
    )


def test_a_section_without_kind_is_refused(tmp_path):
    assert problems(tmp_path, GOOD.replace('kind = "gcode-gantry"\n', "")) == (
        f"stage.kind is missing; give {kinds_of('stage')}",
    )


def test_a_power_meter_without_wall_power_is_refused(tmp_path):
    (problem,) = problems(tmp_path, GOOD.replace('"wall_power_w"', '"line_voltage_v"'))
    assert problem.endswith(
        "give one [[power_meter.registers]] table for each quantity, each quantity once, "
        "wall_power_w among them"
    )


def test_two_instruments_that_speak_differently_cannot_share_a_port(tmp_path):
    assert problems(tmp_path, GOOD.replace("/dev/b", "/dev/a")) == (
        "power_meter.port is '/dev/a', which light_sensor has already, and modbus-power-meter "
        "cannot share a line with sdi12-quantum-sensor; give each of them a port of its own",
    )


def test_a_port_of_the_network_has_a_host_and_a_number(tmp_path):
    for port in ("tcp://192.168.0.20:502", "tcp://[fe80::1]:502", "tcp://meter.local:4001"):
        profile = profile_of(tmp_path, GOOD.replace("/dev/b", port))
        assert profile.power_meter.options.port == port
    for port in (
        "tcp://",
        "tcp://meter",
        "tcp://meter:",
        "tcp://:502",
        "tcp://meter:65536",
        "tcp://meter:0",
        "tcp://fe80::1:502",
        "tcp://[fe80::1:502",
    ):
        (problem,) = problems(tmp_path, GOOD.replace("/dev/b", port))
        assert problem == (
            f"power_meter.port is {port!r}; give some text in quotes: a serial port, or "
            '"tcp://192.168.0.20:502"'
        )


SECOND_ON_THE_LINE = """[monitor_sensor]
kind = "sdi12-quantum-sensor"
port = "/dev/a"
address = "1"
"""


def test_instruments_of_one_protocol_share_a_port_by_address(tmp_path):
    profile = profile_of(tmp_path, GOOD + SECOND_ON_THE_LINE)
    assert profile.monitor_sensor.options.port == profile.light_sensor.options.port


def test_instruments_on_one_port_need_addresses_of_their_own(tmp_path):
    assert problems(tmp_path, GOOD + SECOND_ON_THE_LINE.replace('"1"', '"0"')) == (
        "monitor_sensor.address is '0', as that of light_sensor on the same port; give each "
        "instrument on a line an address of its own",
    )


@pytest.mark.parametrize(
    ("key", "made"),
    [("baud = 9600", "9600 baud 7E1"), ('character_format = "8N1"', "1200 baud 8N1")],
)
def test_instruments_on_one_port_need_the_same_settings(tmp_path, key, made):
    assert problems(tmp_path, GOOD + SECOND_ON_THE_LINE + key) == (
        f"monitor_sensor.{key.split()[0]} makes it {made}, but light_sensor on the same port has "
        "1200 baud 7E1; set both instruments, and both sections, alike",
    )


def test_a_monitor_sensor_is_a_light_sensor(tmp_path):
    section = '[monitor_sensor]\nkind = "sdi12-quantum-sensor"\nport = "/dev/d"\naddress = "1"\n'
    profile = profile_of(tmp_path, GOOD + section)
    assert profile.monitor_sensor.options.address == "1"
    assert problems(tmp_path, GOOD + section.replace("sdi12-quantum-sensor", "gcode-gantry")) == (
        "monitor_sensor.kind is 'gcode-gantry'; give "
        + kinds_of("light_sensor", without="keyed"),  # nobody can type it for each reading
    )


def test_a_keyed_wattmeter_may_be_called_keyed(tmp_path):
    meter = GOOD[GOOD.index("[power_meter]") : GOOD.index("[stage]")]
    keyed = GOOD.replace(meter, '[power_meter]\nkind = "keyed"\n\n')
    by_hand = keyed[: keyed.index("[stage]")] + '[stage]\nkind = "manual"\n'
    assert profile_of(tmp_path, by_hand).power_meter.kind == "keyed-power-meter"
    (problem,) = problems(tmp_path, keyed)  # beside a gantry nobody reads a display off
    assert problem.startswith("power_meter.kind is 'keyed-power-meter', which a person reads off")
    (problem,) = problems(tmp_path, GOOD.replace('kind = "gcode-gantry"', "kind = [1]"))
    assert problem.startswith("stage.kind is")


def test_a_display_cannot_be_read_in_the_moments_of_a_monitor_sensor(tmp_path):
    by_hand = """format = 1
[light_sensor]
kind = "keyed"
[monitor_sensor]
kind = "sdi12-quantum-sensor"
port = "/dev/d"
[power_meter]
kind = "keyed"
[stage]
kind = "manual"
"""
    (problem,) = problems(tmp_path, by_hand)
    assert problem.startswith("monitor_sensor has to be read in the moments of the light sensor")


def bench_profile() -> str:
    content = GOOD + '[bench]\nscenario = "own.toml"\n'
    for port, name in (("a", "light_sensor"), ("b", "power_meter"), ("c", "stage")):
        content = content.replace(f"/dev/{port}", f"bench:{name}")
    return content


def test_the_scenario_of_the_virtual_bench_is_counted_from_the_profile(tmp_path):
    (tmp_path / "own.toml").write_text("format = 1\n")
    assert profile_of(tmp_path, bench_profile()).scenario == tmp_path / "own.toml"


def test_a_scenario_of_ours_is_named_without_its_suffix(tmp_path):
    profile = profile_of(tmp_path, bench_profile().replace("own.toml", "demo"))
    assert profile.scenario.is_file()
    (problem,) = problems(tmp_path, bench_profile().replace("own.toml", "nowhere"))
    assert problem.startswith("bench.scenario cannot be used: ")
    assert "demo" in problem


def test_a_scenario_that_is_not_there_is_refused(tmp_path):
    assert problems(tmp_path, bench_profile()) == (
        f"bench.scenario is 'own.toml', and {tmp_path / 'own.toml'} is not there; give a file, "
        "counted from the folder of the profile, or the name of a scenario",
    )


def test_real_and_virtual_ports_are_never_mixed(tmp_path):
    content = bench_profile().replace("own.toml", "demo").replace("bench:stage", "/dev/c")
    (problem,) = problems(tmp_path, content)
    assert problem.startswith("stage.port is '/dev/c', but section [bench] says that this is the")
    content = GOOD.replace("/dev/a", "bench:light_sensor")
    assert problems(tmp_path, content) == (
        "light_sensor.port is 'bench:light_sensor', on the virtual bench, but there is no section "
        "[bench]; add it with its scenario",
    )


def test_a_bench_port_of_another_instrument_is_refused(tmp_path):
    content = bench_profile().replace("own.toml", "demo").replace("bench:stage", "bench:stag")
    assert problems(tmp_path, content) == (
        "stage.port is 'bench:stag'; the virtual bench has it at 'bench:stage'",
    )


# -- a plan on this rig -------------------------------------------------------------------------


def test_a_plan_within_the_travel_has_no_problem(tmp_path):
    plan = plan_of(tmp_path, PLAN.replace("950.0", "900.0"))
    assert cross_check(plan, profile_of(tmp_path, GOOD)) == []


def test_a_height_above_the_travel_is_a_problem(tmp_path):
    assert cross_check(plan_of(tmp_path, PLAN), profile_of(tmp_path, GOOD)) == [
        "heights.mounting_height_mm, entry 2 is 950.0 mm, outside the travel of the height axis; "
        "give 250 to 900 mm (stage.travel_z_mm)"
    ]


def test_heights_are_free_where_a_person_changes_them(tmp_path):
    profile = profile_of(tmp_path, GOOD.replace("travel_z_mm = [250.0, 900.0]\n", ""))
    assert cross_check(plan_of(tmp_path, PLAN), profile) == []


def test_points_beyond_the_travel_are_counted_and_the_worst_is_named(tmp_path):
    # 9 columns on 1200 mm: the outer ones at 66.67 and 1133.33 mm. With the corner at stage
    # x 100 mm the last column, 9 points, stands at 1233.33 mm, beyond 1200 mm.
    profile = profile_of(tmp_path, GOOD + "x_at_origin_mm = 100.0\n")
    plan = plan_of(tmp_path, PLAN.replace("950.0", "900.0"))
    assert cross_check(plan, profile) == [
        "grid: 9 of 81 points lie beyond the travel of the stage, the worst at x 1133.33 mm "
        "(stage x 1233.33 mm); stage.travel_x_mm is 0 to 1200 mm: change the grid, or "
        "stage.x_at_origin_mm"
    ]


def test_a_sensor_too_coarse_for_the_stabilisation_rule_is_a_problem(tmp_path):
    # A step of 10 at 600 is 1.7 %; the rule "bench" has a limit of 0.5 %.
    coarse = GOOD.replace('port = "/dev/a"', 'port = "/dev/a"\nstep_umol_m2_s = 10.0')
    plan = plan_of(
        tmp_path, PLAN.replace("950.0", "900.0") + "[limits]\ntarget_ppfd_umol_m2_s = 600\n"
    )
    (problem,) = cross_check(plan, profile_of(tmp_path, coarse))
    assert problem.startswith(
        "light_sensor against warm_up: a steady lamp would show a span of 1.67"
    )
    fine = coarse.replace("step_umol_m2_s = 10.0", "step_umol_m2_s = 0.1")
    assert cross_check(plan, profile_of(tmp_path, fine)) == []


def test_a_device_that_the_virtual_bench_does_not_know_is_a_fault_of_the_plan(tmp_path):
    profile = profile_of(tmp_path, bench_profile().replace("own.toml", "demo"))
    plan = plan_of(tmp_path, PLAN.replace("950.0", "900.0"))
    (problem,) = cross_check(plan, profile)
    assert problem.startswith(f"device.name: no device '{plan.device.name}'; known are ")


def test_an_entered_plan_is_never_run(tmp_path):
    entered = '[entered]\ntable = "t.csv"\nsha256 = "0"\nfirst_line = "far"\n'
    (problem,) = cross_check(plan_of(tmp_path, PLAN + entered), profile_of(tmp_path, GOOD))
    assert problem.startswith("entered: this plan was written by 'evenfall enter'")
