"""Scenario files: what is refused, and how it is said."""

import copy
import tomllib

import pytest

from drivers.simulated.bench import VirtualBench
from drivers.simulated.scenario import FOLDER, load, packaged
from drivers.simulated.spec import ScenarioError

WHOLE = tomllib.loads(packaged("demo").read_text(encoding="utf-8"))


def changed(**changes):
    content = copy.deepcopy(WHOLE) | {"errors": ""}
    for path, value in changes.items():
        place = content
        *way, last = path.split("__")
        for step in way:
            place = place[int(step) if step.isdigit() else step]
        if value is None:
            del place[last]
        else:
            place[last] = value
    return content


def faults(content) -> tuple[str, ...]:
    with pytest.raises(ScenarioError) as caught:
        load(content)
    return caught.value.faults


@pytest.mark.parametrize(
    "name",
    [p.stem for p in FOLDER.glob("*.toml") if not p.stem.endswith(("errors", "faults-example"))],
)
def test_scenarios_that_come_with_the_program_build_a_bench(name):
    bench = VirtualBench.from_scenario(packaged(name))
    bench.switch_lamp(True, 0.0)
    assert bench.truth.delivered_flux_umol_s(3600.0) > 0.0


def test_all_faults_are_listed_at_once_each_with_its_path_and_what_is_allowed():
    content = changed(
        area__width_mm=-5.0,
        area__wall_reflectance=[0.8, 0.8],
        ballast__kind="choke",
        lamp__rated_flux_umol_s=None,
        mains__nominal_volt=230.0,
        devices__1__efficiency=True,
        gantry=3,
    )
    found = faults(content)
    assert sorted(found) == sorted(
        [
            "area.width_mm is -5.0; give a number above 0 [mm]",
            "area.wall_reflectance is [0.8, 0.8]; give 4 numbers at least 0 and at most 0.99",
            "lamp.rated_flux_umol_s is missing; give a number above 0 [µmol/s]",
            "ballast.kind is 'choke'; give one of 'electronic', 'magnetic'",
            "mains.nominal_volt is not a known key, did you mean 'nominal_v'?",
            "gantry is 3; give a table",
            "devices[1].efficiency is True; give a number above 0 and at most 1",
        ]
    )
    with pytest.raises(ScenarioError, match=r"^7 problems in the scenario: "):
        load(content)


def test_whole_messages_are_fit_to_read():
    assert faults(changed(area__width_mm=-5.0)) == (
        "area.width_mm is -5.0; give a number above 0 [mm]",
    )
    assert faults(changed(area__wall_reflectance=[0.8, 0.8])) == (
        "area.wall_reflectance is [0.8, 0.8]; give 4 numbers at least 0 and at most 0.99",
    )
    assert faults(changed(area__floor_reflectance=float("nan"))) == (
        "area.floor_reflectance is nan; give a number at least 0 and at most 0.99",
    )


def test_a_newer_format_is_refused_with_both_versions():
    with pytest.raises(ScenarioError, match="format is 2; this program reads format 1"):
        load(changed(format=2))


def test_a_device_that_does_not_exist_is_refused_with_those_that_do():
    with pytest.raises(ScenarioError, match="'Medow'; give one of Meadow, Orchard, Terrace"):
        load(changed(device="Medow"))
    with pytest.raises(ScenarioError, match="no device 'Medow'; known are Meadow, Orchard"):
        VirtualBench.from_scenario(packaged("demo"), device="Medow")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"devices__0__aperture_x_mm": 1300.0}, "aperture of 'Meadow' reaches into a wall"),
        ({"devices__0__aperture_y_mm": 0.0}, "aperture_y_mm must be above 0"),
        ({"devices__1__name": "Meadow"}, "names must differ"),
        ({"devices__2__lobes__0__share": 1.5}, "share is 1.5; give a number above 0"),
        ({"devices__0__distribution": {}}, "give exponent_x, or theta_deg with intensity"),
        (
            {"devices__2__distribution__intensity": [1.0, 2.0]},
            "intensity holds 2 values; 10 are wanted",
        ),
        ({"devices": []}, "devices is empty"),
        ({"area__above": "lid", "mounting_height_mm": 1200.0}, "at most 1100 mm"),
        ({"gantry__travel_x_mm": [500.0, 100.0]}, "travel_x_mm must rise"),
    ],
)
def test_what_does_not_fit_together_is_refused(changes, message):
    with pytest.raises(ScenarioError, match=message):
        load(changed(**changes))


def test_a_file_that_is_missing_or_not_toml_is_one_plain_line(tmp_path):
    with pytest.raises(ScenarioError, match=r"cannot be read \(No such file"):
        load(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("format = \n", encoding="utf-8")
    with pytest.raises(ScenarioError, match="is not valid TOML"):
        load(broken)
    with pytest.raises(ScenarioError, match="no scenario of that name; known are demo, quick"):
        packaged("dmeo")


def test_faults_in_the_file_of_instrument_errors_name_that_file(tmp_path):
    (tmp_path / "bench.toml").write_text(
        packaged("demo").read_text(encoding="utf-8").replace("demo-errors", "mine"),
        encoding="utf-8",
    )
    (tmp_path / "mine.toml").write_text(
        "[light_sensor]\nnoise_percent = -1.0\n[power_metre]\n", encoding="utf-8"
    )
    with pytest.raises(ScenarioError) as caught:
        load(tmp_path / "bench.toml")
    assert str(caught.value) == (
        "2 problems in mine.toml: power_metre is not a known key, did you mean 'power_meter'?; "
        "light_sensor.noise_percent is -1.0; give a number at least 0 [%]"
    )
