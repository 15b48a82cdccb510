import math

import numpy as np
import pytest
from scipy import stats

from analysis.line_fit import fit_line


def test_points_on_a_line_give_the_line():
    line = fit_line([1, 2, 4], [5, 7, 11])
    assert line.slope == pytest.approx(2)
    assert line.intercept == pytest.approx(3)
    assert line.residual_sd == pytest.approx(0, abs=1e-12)


def test_line_agrees_with_another_library():
    random = np.random.default_rng(3)
    x = np.sort(random.uniform(0, 10, 40))
    y = 3 - 0.7 * x + random.normal(0, 0.2, 40)
    line, other = fit_line(x, y), stats.linregress(x, y)
    assert line.slope == pytest.approx(other.slope)
    assert line.intercept == pytest.approx(other.intercept)
    assert line.slope_sd == pytest.approx(other.stderr)
    assert line.intercept_sd == pytest.approx(other.intercept_stderr)
    assert line.slope_half_width() == pytest.approx(stats.t.ppf(0.975, 38) * other.stderr)


def test_two_points_have_a_slope_without_an_interval():
    line = fit_line([0, 1], [1, 3])
    assert line.slope == 2
    assert math.isnan(line.slope_half_width())


@pytest.mark.parametrize(("x", "y"), [([1], [1]), ([2, 2], [1, 3])])
def test_a_line_needs_two_places(x, y):
    with pytest.raises(ValueError, match="two different places"):
        fit_line(x, y)
