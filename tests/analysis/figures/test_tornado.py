import pytest

from analysis.figures.style import to_png, to_svg
from analysis.figures.tornado import Bar, tornado

BARS = [
    Bar(name="tariff", moved="0.2 to 0.3", at_low=8.0, at_high=12.0),
    Bar(name="flux", moved="90 to 110", at_low=11.0, at_high=9.5),
]


def drawn():
    return tornado(BARS, centre=10.0, unit="EUR per 1000 mol", title="What moves the cost")


def test_each_bar_reaches_from_the_centre_to_what_comes_out_at_either_end():
    (axes,) = drawn().axes
    spans = [tuple(sorted((bar.get_x(), bar.get_x() + bar.get_width()))) for bar in axes.patches]
    assert spans == [(8.0, 10.0), (10.0, 12.0), (10.0, 11.0), (9.5, 10.0)]


def test_the_first_bar_stands_on_top():
    (axes,) = drawn().axes
    bottom, top = axes.get_ylim()
    assert bottom > top
    assert [round(bar.get_y() + bar.get_height() / 2) for bar in axes.patches] == [0, 0, 1, 1]


def test_every_end_is_written_out():
    svg = to_svg(drawn(), name="t", alt="")
    for text in ("8.00", "12.0", "11.0", "9.50", "tariff", "90 to 110", "EUR per 1000 mol"):
        assert f">{text}<" in svg.replace("\n", "")


@pytest.mark.parametrize("bars", [BARS, BARS[:1]])
def test_any_number_of_bars_is_drawn_the_same_each_time(bars):
    def one():
        return to_png(tornado(bars, centre=10.0, unit="EUR", title="T"), 60)

    assert one() == one()
