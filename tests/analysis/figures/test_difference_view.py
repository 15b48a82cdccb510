"""The difference map as it is drawn: numbers, grey for noise, colours for every eye."""

from __future__ import annotations

import re

import numpy as np
import pytest

from analysis.difference import Difference
from analysis.figures import style
from analysis.figures.difference_view import DifferenceScale, difference_view, in_per_cent
from analysis.grid import grid_from_plan
from tests.analysis.figures.dichromacy import MATRICES

STEPS = style.CHANGE(np.linspace(0.0, 1.0, 255))[:, :3]
LINEAR = np.where(STEPS <= 0.04045, STEPS / 12.92, ((STEPS + 0.055) / 1.055) ** 2.4)


def found(relative, half_width=0.02, **area):
    shape = {"shape": "rectangle", "width_mm": 1200.0, "depth_mm": 1200.0, **area}
    grid = grid_from_plan(
        {"area": shape, "grid": {"layout": "cell-centres", "rows": 5, "columns": 5}}
    )
    cells = np.resize(np.asarray(relative, dtype=float), len(grid))
    return Difference(
        grid=grid, relative=cells, half_width=np.full(len(grid), half_width), of_flux=0.0
    )


def svg_of(one):
    figure = difference_view(one, DifferenceScale.covering([one]), title="B over A", under="")
    return style.to_svg(figure, name="d", alt="")


def test_every_cell_carries_its_difference_with_its_sign():
    told = re.findall(r"<text[^>]*>([^<]*)</text>", svg_of(found([0.064, -0.031, 0.0, 0.0004])))
    assert told.count("+6.4") == 7
    assert told.count("−3.1") == 6
    assert told.count("0.0") == 12
    assert "within noise (± 2.0 %)" in told


@pytest.mark.parametrize(
    ("relative", "text"), [(0.064, "+6.4"), (-0.0312, "−3.1"), (0.0004, "0.0"), (-0.0004, "0.0")]
)
def test_a_difference_that_rounds_to_nothing_has_no_sign(relative, text):
    assert in_per_cent(relative) == text


def test_cells_within_noise_are_grey_and_hatched_and_no_others():
    one = found([0.05, 0.01])
    figure = difference_view(one, DifferenceScale.covering([one]), title="", under="")
    clear, greyed, _ = figure.axes[0].collections
    assert (len(clear.get_paths()), len(greyed.get_paths())) == (13, 12)
    assert greyed.get_hatch()
    assert not clear.get_hatch()


@pytest.mark.parametrize("relative", [[0.05], [0.001]])
def test_a_map_of_one_kind_of_cells_alone_can_be_drawn(relative):
    assert svg_of(found(relative)).count("<text") > 25


def test_numbers_stay_inside_their_cells():
    one = found([-0.123], shape="round", diameter_mm=1200.0)
    figure = difference_view(one, DifferenceScale.covering([one]), title="", under="")
    figure.canvas.draw()
    axes = figure.axes[0]
    pitch = axes.transData.transform((240.0, 0.0))[0] - axes.transData.transform((0.0, 0.0))[0]
    numbers = [text for text in axes.texts if text.get_text() == "−12.3"]
    assert len(numbers) == len(one.grid)
    assert all(text.get_window_extent().width < pitch for text in numbers)


def test_the_scale_is_the_same_to_both_sides_and_holds_all():
    scale = DifferenceScale.covering([found([0.02]), found([-0.07])])
    assert scale.top_percent == 8.0
    assert scale.colour(0.0) == pytest.approx(tuple(STEPS[127]))
    assert scale.colour(-0.5) == pytest.approx(tuple(STEPS[0]))


def test_both_arms_darken_alike_from_the_middle():
    luminance = LINEAR @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(luminance[:128]) > 0).all()
    assert (np.diff(luminance[127:]) < 0).all()
    assert luminance[0] == pytest.approx(luminance[-1], rel=0.15)


@pytest.mark.parametrize("at", range(0, 255, 8))
def test_numbers_on_every_step_reach_the_contrast_for_plain_text(at):
    assert style.contrast(style.text_on(STEPS[at]), STEPS[at]) >= 4.5


@pytest.mark.parametrize("kind", ["protan", "deutan", "tritan"])
def test_less_and_more_stay_apart_for_every_kind_of_colour_vision(kind):
    seen = np.clip(LINEAR[[30, 127, 224]] @ np.array(MATRICES[kind]).T, 0, 1) ** (1 / 2.4)
    less, none, more = seen
    assert np.abs(less - more).max() > 0.2
    assert np.abs(less - none).max() > 0.15
    assert np.abs(more - none).max() > 0.15
