import numpy as np
import pytest

from analysis.figures import charts
from analysis.figures.charts import Phase, Series, WarmUpLine


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


def test_drift_is_drawn_against_the_mean_of_each_map():
    tracks = [
        ("400 mm", Series.of([6000.0, 6060.0, 6120.0], [99.0, 100.0, 101.0])),
        ("500 mm", Series.of([9000.0, 9060.0], [50.0, 50.0])),
    ]
    axes, other = charts.drift(tracks, limit=0.03, title="Reference point").axes
    (line,) = [one for one in axes.lines if one.get_marker() == "o"]
    assert line.get_xdata() == pytest.approx([0.0, 1.0, 2.0])
    assert axes.get_ylim() == other.get_ylim()
    assert line.get_ydata() == pytest.approx([-1.0, 0.0, 1.0])
    dashed = sorted(
        float(line.get_ydata()[0]) for line in axes.lines if line.get_linestyle() == "--"
    )
    assert dashed == pytest.approx([-1.5, 1.5])  # a span of 3 % is 1.5 % to either side
