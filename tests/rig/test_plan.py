"""The test plan: sound ones are read as they are, others are refused as a whole."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pytest

from rig.plan import read_plan
from rig.toml_faults import ConfigError

SMALLEST = """\
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
mounting_height_mm = [400.0, 500]
"""


def plan_of(tmp_path: Path, content: str):
    path = tmp_path / "plan.toml"
    path.write_text(content, encoding="utf-8")
    return read_plan(path)


def problems(tmp_path: Path, content: str) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        plan_of(tmp_path, content)
    return caught.value.problems


def test_the_smallest_plan_gets_the_defaults_of_the_design(tmp_path):
    plan = plan_of(tmp_path, SMALLEST)
    assert (plan.grid.layout, plan.grid.rows, plan.grid.columns) == ("cell-centres", 9, 9)
    assert plan.heights.mounting_height_mm == (400.0, 500.0)
    assert plan.dark.points == 5
    assert plan.sampling.reference_point == "auto"
    assert plan.lamp.rated_flux_umol_s is None
    assert plan.lamp.minimum_off_s == 900.0
    assert plan.text == SMALLEST.encode()
    assert plan.raw["lamp"] == {"kind": "LED", "rated_power_w": 400}


def test_dates_all_dark_and_a_chosen_reference_point_are_read(tmp_path):
    content = SMALLEST.replace("depth_mm = 900", "depth_mm = 900\nwalls_state_date = 2026-01-02")
    plan = plan_of(
        tmp_path, content + '[dark]\npoints = "all"\n[sampling]\nreference_point = [4, 8]\n'
    )
    assert plan.area.walls_state_date == datetime.date(2026, 1, 2)
    assert plan.dark.points == "all"
    assert plan.sampling.reference_point == (4, 8)


def test_faults_within_and_between_keys_stand_in_one_list(tmp_path):
    content = SMALLEST.replace('name = "D"', 'name = "D"\nclearance_mm = 450\nspecimens = "A"')
    content = content.replace('kind = "LED"', 'kind = "Led"').replace("format = 1\n", "")
    with pytest.raises(ConfigError) as caught:
        plan_of(
            tmp_path,
            content
            + "[grid]\nrows = 5\nx_mm = [1.0]\n[dark]\npoints = 0\n"
            + "[sampling]\nreference_point = [5, 0]\nsettle_s = -1\n[limit]\n"
            + '[warm_up]\npreset = "bnech"\n',
        )
    assert str(caught.value) == (
        f"8 problems in {tmp_path / 'plan.toml'}:\n"
        "  limit is not a known section; did you mean 'limits'?\n"
        "  format is missing; give format = 1\n"
        "  device.specimens is not a known key; did you mean 'specimen'?\n"
        '  lamp.kind is \'Led\'; give "high-pressure sodium", "metal halide", '
        '"ceramic metal halide", "fluorescent", "LED" or "other"; did you mean \'LED\'?\n'
        "  sampling.settle_s is -1; give a number of s from 0 to 600, e.g. 1.0\n"
        '  grid.x_mm does not belong to grid.layout "cell-centres", which takes rows and '
        "columns; leave it out\n"
        "  dark.skip_reason is missing, and dark.points is 0; give the reason, e.g. "
        '"sensor shows 0.0 with its cap on"\n'
        "  warm_up.preset is 'bnech'; give one of 'bench', 'lm-79-08', 'lm-79-19', 'cie-s-025', "
        "'cie-121', 'lm-51'"
    )


def test_a_height_below_the_clearance_of_the_device_is_refused(tmp_path):
    content = SMALLEST.replace('name = "D"', 'name = "D"\nclearance_mm = 450')
    assert problems(tmp_path, content) == (
        "heights.mounting_height_mm, entry 1 is 400.0 mm, below the clearance of the device "
        "(device.clearance_mm = 450.0); give 450.0 mm or more",
    )


def test_a_mean_wanted_above_the_peak_allowed_is_refused(tmp_path):
    content = SMALLEST + "[limits]\npeak_ppfd_umol_m2_s = 900\nmean_ppfd_umol_m2_s = 950\n"
    assert problems(tmp_path, content) == (
        "limits.mean_ppfd_umol_m2_s is 950.0, above the highest PPFD allowed "
        "(limits.peak_ppfd_umol_m2_s = 900.0); give less",
    )


def test_a_height_at_the_clearance_is_allowed(tmp_path):
    plan_of(tmp_path, SMALLEST.replace('name = "D"', 'name = "D"\nclearance_mm = 400'))


def test_a_height_given_twice_is_refused(tmp_path):
    assert problems(tmp_path, SMALLEST.replace("[400.0, 500]", "[400.0, 500, 400]")) == (
        "heights.mounting_height_mm, entry 3 is 400.0 mm, which stands there already; give it once",
    )


def test_no_heights_at_all_are_refused(tmp_path):
    assert problems(tmp_path, SMALLEST.replace("[400.0, 500]", "[]")) == (
        "heights.mounting_height_mm is []; give a list of numbers of mm above 0 and at most 5000, "
        "e.g. [400.0, 500.0]",
    )


@pytest.mark.parametrize(
    ("dark", "problem"),
    [
        ("points = 0", "dark.skip_reason is missing, and dark.points is 0; give the reason"),
        ('points = 0\nskip_reason = " "', "dark.skip_reason is missing, and dark.points is 0"),
        ("points = 4", 'dark.points is 4; give 5 or more, "all", or 0 with dark.skip_reason'),
        ("points = 82", 'dark.points is 82; the grid has 81 points: give "all"'),
        ("points = true", 'dark.points is true; give 5 or more, "all", or 0'),
        ('points = "many"', "dark.points is 'many'; give 5 or more, \"all\", or 0"),
        ('points = 5\nskip_reason = "x"', "dark.skip_reason is 'x', but dark.points is 5; leave"),
    ],
)
def test_a_dark_reading_is_full_enough_or_skipped_with_a_reason(tmp_path, dark, problem):
    (found,) = problems(tmp_path, SMALLEST + f"[dark]\n{dark}\n")
    assert found.startswith(problem)


def test_dark_may_be_skipped_with_a_reason(tmp_path):
    plan = plan_of(tmp_path, SMALLEST + '[dark]\npoints = 0\nskip_reason = "cap reads 0.0"\n')
    assert plan.dark.skip_reason == "cap reads 0.0"


def test_the_whole_of_a_small_grid_is_enough_for_the_dark_reading(tmp_path):
    plan_of(tmp_path, SMALLEST + "[grid]\nrows = 2\ncolumns = 2\n[dark]\npoints = 4\n")


@pytest.mark.parametrize("point", ["[9, 0]", "[0, 9]", "[-1, 0]"])
def test_a_reference_point_off_the_grid_is_refused(tmp_path, point):
    (found,) = problems(tmp_path, SMALLEST + f"[sampling]\nreference_point = {point}\n")
    assert found == (
        f'sampling.reference_point is {point}, where the grid has no point; give "auto" or a row '
        "from 0 to 8 and a column from 0 to 8 that holds one"
    )


def test_a_reference_point_in_the_corner_of_a_round_area_is_refused(tmp_path):
    content = SMALLEST.replace(
        "width_mm = 1200\ndepth_mm = 900", 'shape = "round"\ndiameter_mm = 90'
    )
    plan_of(tmp_path, content + "[sampling]\nreference_point = [4, 0]\n")
    (found,) = problems(tmp_path, content + "[sampling]\nreference_point = [0, 0]\n")
    assert "[0, 0], where the grid has no point" in found


@pytest.mark.parametrize("point", ["[4]", "[4, 4, 4]", "[4.0, 4]", '"centre"', "4"])
def test_a_reference_point_of_another_form_is_refused(tmp_path, point):
    (found,) = problems(tmp_path, SMALLEST + f"[sampling]\nreference_point = {point}\n")
    assert found.endswith('; give "auto" or [row, column] counted from 0, e.g. [4, 4]')


def test_sizes_that_belong_to_the_other_shape_are_refused(tmp_path):
    assert problems(tmp_path, SMALLEST.replace("depth_mm = 900", "diameter_mm = 900")) == (
        'area.diameter_mm does not belong to area.shape "rectangle", which takes width_mm and '
        "depth_mm; leave it out",
        "area.depth_mm is missing; give a number of millimetres above 0, e.g. 1200.0",
    )


def test_lines_beyond_the_area_are_refused(tmp_path):
    grid = '[grid]\nlayout = "lines"\nx_mm = [100.0, 1300.0]\ny_mm = [100.0, 100.0]\n'
    assert problems(tmp_path, SMALLEST + grid) == (
        "grid.x_mm holds 1300, outside the area (0 to 1200 mm)",
        "grid.y_mm goes from 100 to 100; each line must lie beyond the last",
    )


def test_a_wait_too_short_for_the_rule_is_refused(tmp_path):
    # The rule "bench" calls nothing stable before half an hour.
    (found,) = problems(tmp_path, SMALLEST + "[warm_up]\nmaximum_s = 1799\n")
    assert found == (
        "warm_up.maximum_s is 1799.0; by this rule no lamp is called stable before 1800 s: "
        "give more"
    )


def test_a_window_too_short_for_its_blocks_is_refused(tmp_path):
    (found,) = problems(tmp_path, SMALLEST + "[warm_up]\nwindow_s = 100\n")
    assert re.match(r"warm_up: a window of 100 s holds 2 blocks of 60 s; at least 3", found)


def test_a_plan_for_a_run_must_state_its_lamp(tmp_path):
    content = SMALLEST.replace('kind = "LED"\nrated_power_w = 400\n', "")
    assert problems(tmp_path, content) == (
        'lamp.kind is missing; give "high-pressure sodium", "metal halide", '
        '"ceramic metal halide", "fluorescent", "LED" or "other"',
        "lamp.rated_power_w is missing; give a number of W above 0 and at most 5000, e.g. 600.0",
    )


def test_missing_sections_are_named_with_what_they_need(tmp_path):
    assert problems(tmp_path, "format = 1\n") == (
        "test is missing; give a section [test] with name",
        "device is missing; give a section [device] with name",
        "lamp is missing; give a section [lamp]",
        "area is missing; give a section [area]",
        "heights is missing; give a section [heights] with mounting_height_mm",
    )


def test_a_value_where_a_section_belongs_is_refused(tmp_path):
    content = SMALLEST.replace('[test]\nname = "T"\n', 'test = "T"\n')
    assert problems(tmp_path, content) == ("test is 'T'; give a section with its keys",)
