import re
import subprocess
import sys
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.figures import style
from tests.analysis.figures.dichromacy import MATRICES

STEPS = style.LIGHT(np.linspace(0.0, 1.0, 256))[:, :3]


def cie_lightness(rgb):
    # sRGB after IEC 61966-2-1, L* after CIE 1976; both from memory.
    rgb = np.asarray(rgb)
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    return np.where(luminance > 0.008856, 116 * np.cbrt(luminance) - 16, 903.3 * luminance)


def test_more_light_is_always_lighter_in_even_steps():
    steps = np.diff(cie_lightness(STEPS))
    assert steps.min() > 0
    assert steps.max() / steps.min() < 1.3


def test_the_map_uses_most_of_the_range_of_grey():
    lightness = cie_lightness(STEPS)
    assert lightness[0] < 15
    assert lightness[-1] > 92


@pytest.mark.parametrize("kind", ["protan", "deutan"])
def test_lightness_stays_in_order_for_red_green_blindness(kind):
    linear = np.where(STEPS <= 0.04045, STEPS / 12.92, ((STEPS + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(MATRICES[kind]).T, 0, 1) @ [0.2126, 0.7152, 0.0722]
    assert np.diff(seen).min() > -1e-4
    assert np.diff(seen[::8]).min() > 0


def test_contrast_of_black_on_white_is_21():
    # WCAG 2.1, definition of contrast ratio (from memory).
    assert style.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert style.contrast("#777777", "#ffffff") == pytest.approx(4.478, abs=0.001)


@pytest.mark.parametrize("step", range(0, 256, 5))
def test_numbers_in_cells_reach_the_contrast_for_plain_text(step):
    assert style.contrast(style.text_on(STEPS[step]), STEPS[step]) >= 4.5


@pytest.mark.parametrize("colour", [style.INK, style.MUTED, style.ACCENT])
def test_text_colours_reach_the_contrast_for_plain_text_on_paper_and_pale(colour):
    assert style.contrast(colour, style.PAPER) >= 4.5
    assert style.contrast(colour, style.PALE) >= 4.5


@given(st.lists(st.floats(0.01, 9000.0), min_size=1, max_size=20))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_a_scale_holds_all_its_values_and_wastes_little(values):
    top = style.Scale.covering([*values, float("nan")]).top_umol_m2_s
    assert max(values) <= top * (1 + 1e-9)
    assert top <= 1.3 * max(values)


def test_an_empty_map_has_a_scale():
    assert style.Scale.covering([]).top_umol_m2_s > 0


def test_equal_light_has_equal_colour_and_darkness_is_the_end():
    scale = style.Scale(1000.0)
    assert scale.colour(0.0) == pytest.approx(tuple(STEPS[0]))
    assert scale.colour(2000.0) == pytest.approx(tuple(STEPS[-1]))


def simple_figure():
    with style.house_style():
        figure = style.new_figure(2.0, 1.0)
        axes = style.box(figure, 0.3, 0.3, 1.5, 0.5)
        axes.plot([0, 1, 2], [0.123456789, 1, 0], marker="o", clip_on=True)
        axes.set_ylabel("PPFD (µmol m⁻² s⁻¹)")
    return figure


def test_svg_is_the_same_every_time_and_carries_its_words():
    first = style.to_svg(simple_figure(), name="a", alt='light < "dark" & more')
    assert first == style.to_svg(simple_figure(), name="a", alt='light < "dark" & more')
    assert 'role="img"' in first
    assert 'aria-label="light &lt; &quot;dark&quot; &amp; more"' in first
    assert "µmol m⁻² s⁻¹" in first
    assert "<style" not in first
    assert "http" not in first


def test_figures_of_different_names_share_no_identifier():
    ids = [
        set(re.findall(r' id="([^"]+)"', style.to_svg(simple_figure(), name=name, alt="")))
        for name in ("a", "b")
    ]
    assert ids[0]
    assert not ids[0] & ids[1]


def test_every_identifier_that_is_used_is_there():
    svg = style.to_svg(simple_figure(), name="a", alt="")
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', svg))
    assert used <= set(re.findall(r' id="([^"]+)"', svg))


def test_png_is_the_same_every_time():
    assert style.to_png(simple_figure(), 60) == style.to_png(simple_figure(), 60)


def test_the_settings_of_others_come_back():
    before = dict(mpl.rcParams)
    simple_figure()
    assert dict(mpl.rcParams) == before


def test_figures_never_load_pyplot():
    code = (
        "import sys, analysis.figures.plan_view, analysis.figures.charts, "
        "analysis.figures.sheets; sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_number_written_in_a_figure_keeps_all_its_digits():
    with style.house_style():
        figure = style.new_figure(2, 1)
        figure.text(0.1, 0.123456789, "limit 1.14749")
    svg = style.to_svg(figure, name="a", alt="")
    assert ">limit 1.14749<" in svg.replace("\n", "")
    assert "123456" not in svg


def test_an_svg_file_stands_alone():
    element = ElementTree.fromstring(style.to_svg_file(simple_figure(), name="a", alt="light"))
    assert element.tag == "{http://www.w3.org/2000/svg}svg"
    assert element.get("aria-label") == "light"
