"""Bars of a budget: what is drawn is what was given, and nothing is cut off."""

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex

from analysis.figures.budget_bars import BudgetBar, budget_bars
from analysis.figures.style import ACCENT, PAPER

BARS = [
    BudgetBar(name="calibration of the light sensor", percent=2.5, is_measured=False),
    BudgetBar(name="where the sensor stands at each point", percent=0.6, is_measured=False),
    BudgetBar(name="repeatability of a reading", percent=0.05, is_measured=True),
]


@pytest.fixture
def figure():
    return budget_bars(BARS, combined_percent=2.5714, title="What the ± is made of")


def test_bars_are_as_long_as_their_causes_are_large_and_begin_with_all_together(figure):
    (axes,) = figure.axes
    assert [bar.get_width() for bar in axes.patches] == [2.5714, 2.5, 0.6, 0.05]
    names = {round(text.get_position()[1]): text.get_text() for text in axes.texts
             if text.get_ha() == "right"}  # fmt: skip
    assert names == {0: "all together", **{at: bar.name for at, bar in enumerate(BARS, 1)}}
    tops = [bar.get_y() + bar.get_height() / 2 for bar in axes.patches]
    assert tops == pytest.approx([0, 1, 2, 3])
    assert axes.yaxis_inverted()  # the largest on top


def test_every_bar_carries_its_number(figure):
    figures = [text.get_text() for text in figure.axes[0].texts if text.get_ha() != "right"]
    assert figures == ["2.57", "2.50", "0.60", "0.05"]


def test_what_was_measured_is_hollow_and_the_legend_says_so(figure):
    filled = [to_hex(bar.get_facecolor()) for bar in figure.axes[0].patches[1:]]
    assert filled == [to_hex(ACCENT), to_hex(ACCENT), to_hex(PAPER)]
    assert any("hollow: measured" in text.get_text() for text in figure.texts)


@pytest.mark.parametrize("count", [1, 8])
def test_names_and_numbers_lie_on_the_paper_and_apart(count):
    bars = [
        BudgetBar(name="where the sensor stands at each point", percent=9.99, is_measured=False)
    ] * count
    figure = budget_bars(bars, combined_percent=9.99 * count**0.5, title="What the ± of the plane "
                         "efficacy is made of")  # fmt: skip
    FigureCanvasAgg(figure).draw()
    boxes = [text.get_window_extent() for text in [*figure.axes[0].texts, *figure.texts]]
    assert all(figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1 for box in boxes)
    assert all(figure.bbox.y0 <= box.y0 and box.y1 <= figure.bbox.y1 for box in boxes)
    for at, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[at + 1 :])
