from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis.control_chart import control_chart
from analysis.figures.control import Panel, control_figure
from analysis.figures.style import to_png, to_svg


def drawn(values):
    values = np.asarray(values, dtype=float)
    days = 9.0 * np.arange(len(values))
    begun = [datetime(2026, 1, 5, tzinfo=UTC) + timedelta(days=day) for day in days]
    panels = [
        Panel(name="plane efficacy", unit="µmol J⁻¹", chart=control_chart(days, values)),
        Panel(name="mean PPFD", unit="µmol m⁻² s⁻¹", chart=control_chart(days, 400 * values)),
    ]
    return control_figure(panels, begun=begun, title="Control reflector A", about="lamp L-07")


def words(values):
    return to_svg(drawn(values), name="c", alt="").replace("\n", "")


def test_centre_and_limits_are_drawn_where_the_chart_has_them():
    # 1.25 and 1.26 in turn: centre 1.255, σ 0.01 / 1.128, limits 1.255 ± 0.0266.
    axes = drawn([1.25, 1.26] * 5).axes[0]
    lines = sorted(line.get_ydata()[0] for line in axes.lines if len(line.get_xdata()) == 2)
    assert lines == pytest.approx([1.255 - 0.0266, 1.255, 1.255 + 0.0266], abs=1e-4)
    text = words([1.25, 1.26] * 5)
    for said in ("centre 1.255", "limit 1.282", "limit 1.228", "steady"):
        assert f">{said}<" in text


def test_few_results_have_no_limits():
    text = words([1.25, 1.26, 1.25])
    assert "3 results; limits from 8 on" in text
    assert "limit 1" not in text
    assert "Western Electric" not in text


def test_an_odd_result_is_marked_and_the_rules_are_named_with_their_source():
    values = [1.25, 1.252] * 5 + [1.31]
    axes = drawn(values).axes[0]
    (marked,) = [line for line in axes.lines if line.get_marker() == "D"]
    assert list(marked.get_ydata()) == [1.31]
    text = words(values)
    assert "diamonds: 1 out of the ordinary" in text
    assert "Western Electric 1956" in text
    assert "Nelson 1984" in text


def test_fading_is_drawn_as_a_line_and_put_into_figures():
    # 0.9 % of 1.25 every 9 days.
    values = 1.25 * (1 - 0.009 * np.arange(10)) + 1e-4 * (-1.0) ** np.arange(10)
    assert "line: \u22123.2\u202f% ± 0.0\u202f% a month" in words(values)


def test_mere_noise_is_not_blown_up_to_the_height_of_the_panel():
    low, high = drawn([1.2501, 1.2502, 1.2501]).axes[0].get_ylim()
    assert high - low >= 0.02 * 1.25


def test_a_single_result_is_drawn_the_same_each_time():
    assert to_png(drawn([1.25]), 60) == to_png(drawn([1.25]), 60)
