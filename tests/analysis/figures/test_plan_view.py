import re

import numpy as np
import pytest
from attrs import evolve

from analysis.digits import significant
from analysis.figures import plan_view
from analysis.figures.cells import DIGIT_WIDTH, cells, numbers
from analysis.figures.plane import Setting, draw_plane
from analysis.figures.sheets import Panel, comparison_sheet, published_map
from analysis.figures.style import Scale, contrast, house_style, new_figure, to_svg
from analysis.grid import grid_from_plan
from analysis.run_folder import load
from analysis.summary import summarise
from tests import synthetic_run

SETTING = Setting(walls="matt white board (W-1)", lamp_axis="x", target_ppfd_umol_m2_s=300.0)


def one_map(folder, **options):
    options.setdefault("field", synthetic_run.lambertian)
    return summarise(load(synthetic_run.write_run(folder, **options))).maps[0]


@pytest.fixture(scope="module")
def lambertian(tmp_path_factory):
    return one_map(tmp_path_factory.mktemp("map") / "run")


@pytest.fixture(scope="module")
def holed(tmp_path_factory):
    return one_map(tmp_path_factory.mktemp("map") / "run", skip=[(0, 0), (4, 4)])


def texts(svg):
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def svg_of(map_, setting=SETTING, scale=None):
    scale = scale or Scale.covering(map_.ppfd)
    figure = plan_view.plan_view(map_, scale, setting, title="Reflector S, 400 mm")
    return to_svg(figure, name="x", alt="")


def test_every_cell_carries_its_number(lambertian):
    shown = texts(svg_of(lambertian))
    for value in lambertian.ppfd:
        wanted = significant(float(value))
        assert shown.count(wanted) >= [significant(float(v)) for v in lambertian.ppfd].count(wanted)


def test_cells_that_were_not_read_say_so_and_carry_no_number(holed):
    shown = texts(svg_of(holed))
    assert shown.count("read") == 2
    assert shown.count("not") == 2
    assert "not read" in shown  # in the legend
    numbers = [text.get_text() for text in drawn(holed)[0].texts]
    assert len([text for text in numbers if text not in ("not", "read")]) == 79


def test_cells_meet_half_way_and_end_at_the_walls():
    grid = grid_from_plan(
        synthetic_run.plan(grid={"layout": "lines", "x_mm": [100.0, 500.0, 1100.0],
                                 "y_mm": [600.0], "rows": 1, "columns": 3})
    )  # fmt: skip
    found = cells(grid)
    # By hand: borders half-way at 300 and 800 mm.
    assert [(cell.left, cell.width) for cell in found] == [(0, 300), (300, 500), (800, 400)]
    assert [(cell.bottom, cell.height) for cell in found] == [(0, 1200)] * 3


@pytest.mark.parametrize("layout", ["cell-centres", "edge-inclusive"])
def test_cells_cover_the_area_that_the_weights_stand_for(layout):
    grid = grid_from_plan(synthetic_run.plan(grid={"layout": layout, "rows": 5, "columns": 4}))
    areas_m2 = [cell.width * cell.height * 1e-6 for cell in cells(grid)]
    assert areas_m2 == pytest.approx(grid.weights_m2)


def drawn(map_, setting=SETTING, scale=None):
    with house_style():
        figure = new_figure(5, 5)
        axes = figure.add_axes((0, 0, 1, 1))
        handles = draw_plane(
            axes, map_, scale or Scale.covering(map_.ppfd), setting, mm_per_in=300, wall_in=0.07
        )
    return axes, handles


def test_number_and_cell_reach_the_contrast_for_plain_text(lambertian):
    axes, _ = drawn(lambertian)
    colours = axes.collections[0].get_facecolor()
    assert len(axes.texts) == len(colours) == 81
    assert (
        min(
            contrast(text.get_color(), colour[:3])
            for text, colour in zip(axes.texts, colours, strict=True)
        )
        >= 4.5
    )


def test_rows_rise_with_y_as_seen_from_above(lambertian):
    axes, _ = drawn(lambertian)
    low, high = axes.get_ylim()
    assert low < high


def test_walls_lamp_axis_and_target_stand_in_the_legend(lambertian):
    _, handles = drawn(lambertian)
    names = [handle.get_label() for handle in handles]
    assert names[:2] == ["wall", "point read"]
    assert "50 % of maximum" in names
    assert "target 300" in names
    assert "lamp axis" in names


def test_a_level_that_no_cell_reaches_is_said(lambertian):
    setting = evolve(SETTING, target_ppfd_umol_m2_s=99_000.0)
    names = [handle.get_label() for handle in drawn(lambertian, setting)[1]]
    assert any("nowhere reached" in name for name in names)


def test_unstated_walls_are_said_to_be_unstated():
    assert Setting.from_plan({"area": {"walls": ""}}).walls == "not stated"
    assert Setting.from_plan({}).lamp_axis is None


@pytest.mark.parametrize(
    "changes",
    [
        {"area": {"shape": "round", "diameter_mm": 1200.0}, "device": {"lamp_axis": "vertical"}},
        {"grid": {"layout": "edge-inclusive", "rows": 4, "columns": 6}},
        {"grid": {"rows": 1, "columns": 5}},
        {"grid": {"rows": 1, "columns": 1}},
        {"grid": {"layout": "explicit", "x_mm": [100.0, 600.0, 1100.0, 600.0],
                  "y_mm": [600.0, 100.0, 600.0, 1100.0], "weights_m2": [0.3, 0.3, 0.3, 0.3]}},
        {"grid": {"layout": "explicit", "x_mm": [100.0, 300.0, 500.0, 900.0],
                  "y_mm": [600.0] * 4, "weights_m2": [0.3] * 4}},
    ],
)  # fmt: skip
def test_any_shape_and_layout_can_be_drawn(tmp_path, changes):
    grid = grid_from_plan(synthetic_run.plan(**changes))
    map_ = evolve(one_map(tmp_path / "run", plan=synthetic_run.plan()), grid=grid,
                  ppfd=np.linspace(200.0, 800.0, len(grid)), spots=())  # fmt: skip
    svg = svg_of(map_, Setting.from_plan(synthetic_run.plan(**changes)))
    assert "800" in texts(svg)


def test_numbers_of_a_round_area_keep_to_their_cells(tmp_path):
    plan = synthetic_run.plan(area={"shape": "round", "diameter_mm": 1200.0})
    grid = grid_from_plan(plan)
    labels = ["612"] * len(grid)
    places = numbers(grid, labels, mm_per_pt=4.0)
    width = 3 * DIGIT_WIDTH * places.size_pt * 4.0
    for cell, x, y, wide in zip(cells(grid), places.x_mm, places.y_mm, width, strict=True):
        assert cell.left <= x - wide / 2 + 1e-6
        assert x + wide / 2 <= cell.left + cell.width + 1e-6
        assert cell.bottom < y < cell.bottom + cell.height


def test_a_map_without_any_reading_can_be_drawn(lambertian):
    empty = evolve(lambertian, ppfd=np.full(81, np.nan), spots=())
    assert texts(svg_of(empty)).count("read") == 81


def test_maps_shown_together_share_one_scale(lambertian):
    dim = evolve(lambertian, ppfd=lambertian.ppfd / 2)
    scale = Scale.covering(np.concatenate([lambertian.ppfd, dim.ppfd]))
    colours = [drawn(map_, scale=scale)[0].collections[0].get_facecolor()
               for map_ in (lambertian, dim)]  # fmt: skip
    # Half the light has the colour of half the scale, not that of the top of its own.
    for map_, colour in zip((lambertian, dim), colours, strict=True):
        middle = float(map_.ppfd[40])
        assert tuple(colour[40][:3]) == pytest.approx(scale.colour(middle))
    assert tuple(colours[0][40]) != pytest.approx(tuple(colours[1][40]))


def test_a_sheet_places_each_map_and_has_one_bar(lambertian):
    panels = [
        Panel(column=device, row=row, map_=lambertian, setting=SETTING, caption="caption")
        for row in ("400 mm", "500 mm")
        for device in ("Reflector A", "Reflector B")
    ]
    figure = comparison_sheet(panels, Scale(2000.0))
    assert len(figure.axes) == 5  # four maps and the bar
    shown = texts(to_svg(figure, name="s", alt=""))
    assert shown.count("caption") == 4
    assert shown.count("PPFD (µmol m⁻² s⁻¹)") == 1


def test_two_maps_for_one_place_are_refused(lambertian):
    panel = Panel(column="A", row="400 mm", map_=lambertian, setting=SETTING, caption="")
    with pytest.raises(ValueError, match="two maps for one place"):
        comparison_sheet([panel, panel], Scale(1000.0))


def test_the_map_for_publication_is_16_to_9(lambertian):
    png = published_map(
        lambertian, Scale.covering(lambertian.ppfd), SETTING, title="Reflector S\n400 mm",
        number="1.27", number_unit="µmol J⁻¹", number_means="delivered", facts=[("a", "b")],
        foot="scale",
    )  # fmt: skip
    # Width and height stand at bytes 16 to 24 of a PNG (PNG specification, IHDR; from memory).
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert (int.from_bytes(png[16:20]), int.from_bytes(png[20:24])) == (1600, 900)
