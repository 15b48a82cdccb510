"""The straight line through readings, and how sure it is: for drift and trend."""

from __future__ import annotations

import math

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike


def student_t(probability: float, degrees_of_freedom: float) -> float:
    """Quantile of Student's t distribution, one-sided.

    Parameters
    ----------
    probability : float
        Probability below the quantile. [unitless]
    degrees_of_freedom : float
        Above 0. [unitless]
    """
    from scipy.special import stdtrit  # here, so that importing this module stays quick

    return float(stdtrit(degrees_of_freedom, probability))


@frozen(kw_only=True)
class Line:
    """Ordinary least-squares line.

    Attributes
    ----------
    slope, intercept : float
        The line. [unit of y per unit of x; unit of y]
    slope_sd, intercept_sd : float
        Their standard uncertainties; NaN for fewer than three points.
    residual_sd : float
        Standard deviation of the residuals; NaN for fewer than three points. [unit of y]
    degrees_of_freedom : int
        Number of points less two.
    """

    slope: float
    intercept: float
    slope_sd: float
    intercept_sd: float
    residual_sd: float
    degrees_of_freedom: int

    def slope_half_width(self) -> float:
        """Half-width of the 95 % interval of the slope; NaN for fewer than three points."""
        if self.degrees_of_freedom < 1:
            return math.nan
        return student_t(0.975, self.degrees_of_freedom) * self.slope_sd


def fit_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line by least squares.

    Parameters
    ----------
    x, y : array, shape (n,)
        At least two points at different x. [any unit]

    Raises
    ------
    ValueError
        Fewer than two points, or all at the same x.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if len(xs) < 2 or np.ptp(xs) == 0:
        raise ValueError("a line needs points at two different places at least")
    x_mean, y_mean = xs.mean(), ys.mean()
    dx, dy = xs - x_mean, ys - y_mean
    sum_xx = float(dx @ dx)
    slope = float(dx @ dy) / sum_xx
    degrees_of_freedom = len(xs) - 2
    residuals = dy - slope * dx
    residual_sd = math.nan
    if degrees_of_freedom > 0:
        residual_sd = math.sqrt(float(residuals @ residuals) / degrees_of_freedom)
    return Line(
        slope=slope,
        intercept=float(y_mean - slope * x_mean),
        slope_sd=residual_sd / math.sqrt(sum_xx),
        intercept_sd=residual_sd * math.sqrt(1 / len(xs) + x_mean**2 / sum_xx),
        residual_sd=residual_sd,
        degrees_of_freedom=degrees_of_freedom,
    )
