"""The colours of light and of differences in grey print and for colour-blind readers.

Judged by colour-science: CIE 1976 L*, and the model of colour-vision deficiency of Machado,
Oliveira and Fernandes (2009) as that library gives it, at its greatest severity; for
tritanomaly the library calls it an approximation.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from matplotlib import colormaps

from analysis.figures.style import CHANGE, LIGHT

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it names optional packages that are not needed here
    import colour

pytestmark = pytest.mark.filterwarnings("ignore::colour.utilities.ColourUsageWarning")

LAMPLIGHT = LIGHT(np.linspace(0.0, 1.0, 256))[:, :3]
DIFFERENCE = CHANGE(np.linspace(0.0, 1.0, 255))[:, :3]
KINDS = ["Protanomaly", "Deuteranomaly", "Tritanomaly"]
#: CIE 1976 difference of two colours side by side that anybody sees: common practice, no source.
SEEN = 10.0


def lab(rgb, kind=None):
    """Return CIE L*a*b* of sRGB colours, shape (n, 3), as such a reader sees them."""
    linear = colour.models.eotf_sRGB(rgb)
    if kind is not None:
        matrix = colour.blindness.matrix_cvd_Machado2009(kind, 1.0)
        linear = np.clip(linear @ np.asarray(matrix).T, 0.0, 1.0)
    return colour.XYZ_to_Lab(colour.RGB_to_XYZ(linear, "sRGB"))


def apart(a, b):
    return np.linalg.norm(a - b, axis=-1)


def test_the_simulation_leaves_greys_and_confuses_red_with_green():
    # What the model must do if it is used as it is meant; else nothing below says anything.
    grey = np.full((1, 3), 0.5)
    red_and_green = np.array([[0.75, 0.30, 0.20], [0.45, 0.50, 0.15]])
    for kind in KINDS:
        assert apart(lab(grey), lab(grey, kind)) < 1.0
    plain = apart(*lab(red_and_green))
    assert apart(*lab(red_and_green, "Deuteranomaly")) < plain / 2


def test_what_is_asked_here_is_not_met_by_a_rainbow_nor_by_red_against_green():
    rainbow = lab(colormaps["jet"](np.linspace(0.0, 1.0, 256))[:, :3])[:, 0]
    assert np.diff(rainbow[::4]).min() < 0
    seen = lab(colormaps["RdYlGn"](np.linspace(0.0, 1.0, 255))[:, :3], "Deuteranomaly")
    assert apart(seen[:127][::-1], seen[128:])[31:].min() < SEEN


@pytest.mark.parametrize("kind", [None, *KINDS])
def test_more_light_is_lighter_for_every_reader(kind):
    lightness = lab(LAMPLIGHT, kind)[:, 0]
    assert np.diff(lightness[::4]).min() > 0
    assert np.diff(lightness).min() > -0.05  # a step of 1 in 256 may vanish, not turn back
    assert lightness[-1] - lightness[0] > 70


@pytest.mark.parametrize("kind", [None, *KINDS])
def test_an_eighth_of_the_scale_is_seen_anywhere_on_it(kind):
    seen = lab(LAMPLIGHT, kind)
    assert apart(seen[32:], seen[:-32]).min() > 8.0


def test_a_map_keeps_its_order_in_grey_print():
    # Luma after Rec. ITU-R BT.709 on coded values (from memory): what many drivers print.
    grey = LAMPLIGHT @ [0.2126, 0.7152, 0.0722]
    assert np.diff(grey).min() > 0


@pytest.mark.parametrize("kind", [None, *KINDS])
def test_a_larger_difference_is_darker_on_either_side_for_every_reader(kind):
    lightness = lab(DIFFERENCE, kind)[:, 0]
    middle = len(lightness) // 2
    assert np.diff(lightness[: middle + 1][::4]).min() > 0
    assert np.diff(lightness[middle:][::4]).max() < 0


@pytest.mark.parametrize("kind", [None, *KINDS])
def test_less_and_more_are_told_apart_by_every_reader(kind):
    seen = lab(DIFFERENCE, kind)
    middle = len(seen) // 2
    less, more = seen[:middle][::-1], seen[middle + 1 :]
    # From a quarter of the scale on; nearer to nothing, the sign in the cell has to say it.
    assert apart(less, more)[middle // 4 :].min() > SEEN


def test_in_grey_print_a_difference_keeps_its_size_and_the_numbers_give_its_sign():
    lightness = lab(DIFFERENCE)[:, 0]
    assert np.abs(lightness - lightness[::-1]).max() < 5.0
    assert lightness.max() - lightness.min() > 25.0
