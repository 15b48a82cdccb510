"""Cards for a video or a post: what they say, what they keep, and that they can be read."""

from __future__ import annotations

import io
import re
from xml.etree import ElementTree

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.image import imread

from analysis.figures.cards import DPI, SQUARE, WIDE, card
from analysis.figures.style import house_style
from analysis.report.cards import comparison_card, run_card
from analysis.report.standing import standing
from analysis.run_folder import load
from analysis.summary import summarise
from tests.rig.test_compare import run_of

SHAPES = pytest.mark.parametrize("size_in", [WIDE, SQUARE], ids=["wide", "square"])


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    base = tmp_path_factory.mktemp("cards")
    return [
        summarise(load(run_of(base / "a", "Reflector A", 1.0))),
        summarise(load(run_of(base / "b", "Reflector B", 1.1, area={"floor": "black cloth"}))),
    ]


@pytest.fixture(scope="module")
def compared(runs):
    return comparison_card(runs, standing(runs, accept=["floor"]))


def words(svg):
    found = ElementTree.fromstring(svg)
    return " ".join(
        " ".join("".join(one.itertext()).split())
        for one in found.iter("{http://www.w3.org/2000/svg}text")
    )


def test_a_comparison_gives_its_verdict_both_maps_the_number_and_its_reach(compared, tmp_path):
    compared.write(tmp_path)
    for shape in ("wide", "square"):
        said = words((tmp_path / f"card-{shape}.svg").read_bytes())
        # 1.1 times the light over the same wall power: 10 %.
        assert re.search(r"Reflector B delivers (10\.\d|9\.9).% ±", said)
        assert re.search(r"(10\.\d|9\.9) % ± \d\.\d %", said)
        assert "Reflector A, 400 mm" in said
        assert "Reflector B, 400 mm" in said
        assert "PPFD in µmol m⁻² s⁻¹, 0 to " in said
        assert "3 × 3 points" in said


def test_no_line_of_a_card_ends_between_a_figure_and_its_reach(compared, tmp_path):
    compared.write(tmp_path)
    for shape in ("wide", "square"):
        assert "%\u00a0±\u00a0" in (tmp_path / f"card-{shape}.svg").read_text("utf-8")


def test_what_was_accepted_is_stamped_on_every_card(compared, tmp_path):
    compared.write(tmp_path)
    for shape in ("wide", "square"):
        said = words((tmp_path / f"card-{shape}.svg").read_bytes())
        assert "Accepted: floor differs (white tray, black cloth)" in said
        pixels = imread(tmp_path / f"card-{shape}.png")
        assert pixels[4, pixels.shape[1] // 2, :3].max() < 0.2  # the dark band


def test_cards_are_16_to_9_and_square_stamped_or_not(runs, compared, tmp_path):
    for name, one in (("run", run_card(runs[0])), ("compared", compared)):
        (tmp_path / name).mkdir()
        one.write(tmp_path / name)
        height, width = imread(tmp_path / name / "card-wide.png").shape[:2]
        assert width / height == pytest.approx(16 / 9, abs=0.005)
        height, width = imread(tmp_path / name / "card-square.png").shape[:2]
        assert width / height == pytest.approx(1.0, abs=0.005)


def test_runs_that_may_not_be_compared_get_no_card(runs):
    assert comparison_card(runs, standing(runs)) is None


def test_the_card_of_a_run_gives_plane_efficacy_with_its_reach(runs):
    text = run_card(runs[0]).text
    assert text.headline == "Reflector A"
    # What the summary holds, by its own figures.
    assert float(text.number) == pytest.approx(runs[0].maps[0].stated_efficacy_umol_j, rel=0.01)
    assert re.fullmatch(r"± 0\.\d+ µmol J⁻¹", text.reach)
    assert text.means.startswith("delivered to the plane per joule")


def test_a_map_with_missing_points_states_no_figure_for_the_plane(tmp_path):
    one = run_card(summarise(load(run_of(tmp_path / "a", "Reflector A", 1.0, skip=[(1, 1)]))))
    assert (one.text.number, one.text.reach) == ("8/9", "points read")
    assert one.text.means.startswith("no figure for the whole plane")


@SHAPES
def test_text_reads_at_480_pixels_and_stays_on_the_card(runs, compared, size_in):
    for one in (run_card(runs[0]), compared):
        figure = card(one.maps, one.scale, one.text, size_in=size_in)
        with house_style():
            canvas = FigureCanvasAgg(figure)
            figure.dpi = DPI
            canvas.print_figure(io.BytesIO(), format="png", dpi=DPI)
            renderer = canvas.get_renderer()
            assert len(figure.texts) >= 6
            in_cells = [text for axes in figure.axes for text in axes.texts if text.get_text()]
            for text in (*figure.texts, *in_cells):
                # Common practice, no source: some 9 pixels to the em are still read.
                assert text.get_fontsize() / 72 * 480 / size_in[0] >= 9.0
                place = text.get_window_extent(renderer)
                assert place.x0 >= 0
                assert place.x1 <= size_in[0] * DPI
                assert place.y0 >= 0
                assert place.y1 <= size_in[1] * DPI
