import numpy as np
import pytest

from analysis.figures import charts
from analysis.figures.charts import Phase, Series, WarmUpLine
from analysis.figures.plane import Setting
from analysis.figures.style import Scale
from analysis.run_folder import load
from analysis.summary import summarise
from tests import synthetic_run

SETTING = Setting(walls="none", target_ppfd_umol_m2_s=300.0)


def test_missing_values_are_left_out_of_a_series():
    series = Series.of([0.0, 1.0, 2.0], [5.0, np.nan, 7.0])
    assert series.elapsed_s.tolist() == [0.0, 2.0]
    assert series.values.tolist() == [5.0, 7.0]


def power_figure(watts, **changes):
    how = {
        "phases": [Phase(name="map at 400 mm", begun_s=0.0, ended_s=9999.0, is_map=True)],
        "dips": [],
        "mean_w": 640.0,
        "title": "Wall power",
        "dip_rule": "longer than 2.0 s",
    }
    at = np.arange(float(len(watts)))
    return charts.wall_power(Series.of(at, watts), **{**how, **changes})


def test_a_dip_of_one_reading_in_three_hours_is_still_drawn():
    watts = np.full(10_000, 640.0)
    watts[5000] = 500.0
    axes = power_figure(watts, dips=[(5000.0, 500.0)]).axes[0]
    envelope = axes.collections[0].get_paths()[0].vertices[:, 1]
    assert envelope.min() == pytest.approx(500.0)
    marks = [line for line in axes.lines if line.get_marker() == "v"]
    assert [float(line.get_ydata()[0]) for line in marks] == [500.0]


def test_a_long_record_is_thinned():
    axes = power_figure(np.full(100_000, 640.0)).axes[0]
    assert len(axes.lines[0].get_xdata()) <= 420


def test_the_number_of_dips_is_said():
    figure = power_figure(np.full(100, 640.0))
    assert any("none seen" in text.get_text() for text in figure.texts)


def test_the_moment_of_stability_and_the_band_of_the_rule_are_drawn():
    at = np.arange(0.0, 2400.0, 60.0)
    line = WarmUpLine(
        name="light",
        readings=Series.of(at, 500.0 * (1 - np.exp(-at / 300.0))),
        block_means=Series.of(at, 500.0 * (1 - np.exp(-at / 300.0))),
        final=500.0,
    )
    figure = charts.warm_up(
        [line], on_since_s=0.0, moment_s=1860.0, window_s=900.0, limit=0.005, title="Warm-up"
    )
    whole, near = figure.axes
    assert any(set(one.get_xdata()) == {31.0} for one in near.lines)
    band = [patch for patch in near.patches if patch.get_height() == pytest.approx(0.5)]
    assert [patch.get_y() for patch in band] == [pytest.approx(99.75)]
    assert any("stable at 31 min" in text.get_text() for text in whole.texts)


def test_no_moment_is_drawn_where_there_was_none():
    at = np.arange(0.0, 600.0, 60.0)
    rising = Series.of(at, at + 1)
    line = WarmUpLine(name="light", readings=rising, block_means=rising, final=500.0)
    figure = charts.warm_up(
        [line], on_since_s=0.0, moment_s=None, window_s=900.0, limit=0.005, title="Warm-up"
    )
    assert not any("stable" in text.get_text() for axes in figure.axes for text in axes.texts)


def profile_lines(folder, rows, columns):
    plan = synthetic_run.plan(grid={"rows": rows, "columns": columns})
    run = summarise(
        load(synthetic_run.write_run(folder, plan=plan, field=synthetic_run.lambertian))
    )
    map_ = run.maps[0]
    figure = charts.profiles(map_, Scale(2000.0), SETTING)
    return map_, figure


def test_profiles_run_through_the_centre_within_least_and_greatest(tmp_path):
    map_, figure = profile_lines(tmp_path / "run", 5, 5)
    matrix = map_.grid.to_matrix(map_.ppfd)
    along_x, along_y = figure.axes
    assert along_x.lines[0].get_ydata() == pytest.approx(matrix[2, :])
    assert along_y.lines[0].get_ydata() == pytest.approx(matrix[:, 2])
    envelope = along_x.collections[0].get_paths()[0].vertices[:, 1]
    assert envelope.min() == pytest.approx(matrix.min())
    assert envelope.max() == pytest.approx(matrix.max())


def test_profiles_of_an_even_grid_say_that_two_lines_were_averaged(tmp_path):
    map_, figure = profile_lines(tmp_path / "run", 4, 4)
    matrix = map_.grid.to_matrix(map_.ppfd)
    axes = figure.axes[0]
    assert axes.lines[0].get_ydata() == pytest.approx((matrix[1] + matrix[2]) / 2)
    assert any("mean of the two middle rows" in text.get_text() for text in axes.texts)


def test_all_profiles_share_the_axis_of_the_scale(tmp_path):
    _, figure = profile_lines(tmp_path / "run", 3, 3)
    assert {axes.get_ylim() for axes in figure.axes} == {(0.0, 2000.0)}


def test_drift_is_drawn_against_the_mean_of_each_map():
    tracks = [("at 400 mm", Series.of([0.0, 60.0, 120.0], [99.0, 100.0, 101.0]))]
    axes = charts.drift(tracks, limit=0.03, title="Reference point").axes[0]
    assert axes.lines[0].get_ydata() == pytest.approx([-1.0, 0.0, 1.0])
    dashed = sorted(
        float(line.get_ydata()[0]) for line in axes.lines if line.get_linestyle() == "--"
    )
    assert dashed == pytest.approx([-1.5, 1.5])  # a span of 3 % is 1.5 % to either side
