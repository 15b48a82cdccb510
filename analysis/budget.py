"""What stands between two results and their ratio: named causes, shared or not.

A term is one cause with its relative standard uncertainty in each of two results. A shared
cause moves both results together, so only the difference of its effects is left in the ratio: a
calibration factor cancels. A cause that is not shared counts in full from both sides.

This is a first-order budget: terms are taken as independent of each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from attrs import frozen

CONFIDENCE: Final = 0.95
NORMAL_REACH: Final = 1.959964
"""Half-width of the 95 % interval of a normal variable, in standard deviations."""


@frozen(kw_only=True)
class Term:
    """One cause of uncertainty of a ratio b ÷ a.

    Attributes
    ----------
    name : str
        The cause, in the words of the trade.
    in_a, in_b : float
        Relative standard uncertainty that it gives each result. [fraction]
    is_shared : bool
        Whether it is one and the same for both.
    source : str
        Where the figure comes from: ``"measured: …"`` or ``"declared: …"`` with its status.
    degrees_of_freedom : float
        Of the figure; infinite for a declared one.
    estimate : str
        See `analysis.causes.Cause`.
    """

    name: str
    in_a: float
    in_b: float
    is_shared: bool
    source: str
    degrees_of_freedom: float = math.inf
    estimate: str = ""

    @property
    def in_ratio(self) -> float:
        """Relative standard uncertainty that it leaves in the ratio. [fraction]"""
        if self.is_shared:
            return abs(self.in_b - self.in_a)
        return math.hypot(self.in_a, self.in_b)


@frozen(kw_only=True)
class Combined:
    """Terms put together.

    Attributes
    ----------
    standard : float
        Relative standard uncertainty of the ratio. [fraction]
    degrees_of_freedom : float
        Effective, after Welch and Satterthwaite.
    """

    standard: float
    degrees_of_freedom: float

    def coverage(self, probability: float = CONFIDENCE) -> float:
        """Two-sided coverage factor: Student's t, or the normal value for declared terms."""
        return self.quantile((1 + probability) / 2)

    def quantile(self, probability: float) -> float:
        """Quantile of the standardised ratio."""
        from scipy.special import ndtri, stdtrit  # here, so that importing stays quick

        if math.isinf(self.degrees_of_freedom):
            return float(ndtri(probability))
        return float(stdtrit(self.degrees_of_freedom, probability))

    def p_value(self, difference: float) -> float:
        """Probability of a relative difference at least so large if there is none."""
        from scipy.special import ndtr, stdtr

        size = abs(difference) / self.standard
        if math.isinf(self.degrees_of_freedom):
            return float(2 * ndtr(-size))
        return float(2 * stdtr(self.degrees_of_freedom, -size))


def combine(terms: Sequence[Term]) -> Combined:
    """Root of the sum of squares, with the effective degrees of freedom.

    Raises
    ------
    ValueError
        All terms are 0: then nothing is known of the ratio's uncertainty.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 (from memory).
    """
    standard = math.hypot(*(term.in_ratio for term in terms))
    if not standard > 0:
        raise ValueError("no term of the budget is above 0")
    freedom = effective_degrees_of_freedom(
        (term.in_ratio, term.degrees_of_freedom, term.estimate) for term in terms
    )
    return Combined(standard=standard, degrees_of_freedom=freedom)


def effective_degrees_of_freedom(sizes: Iterable[tuple[float, float, str]]) -> float:
    """Work out how well a combined standard uncertainty is known.

    Parameters
    ----------
    sizes : iterable of (float, float, str)
        Standard uncertainty from each cause, in one unit, its degrees of freedom, and the estimate
        that its size comes from: those of one estimate count as one. Empty for one of its own.

    Returns
    -------
    float
        Infinite if no cause has finite ones.

    References
    ----------
    .. [1] JCGM 100:2008, G.4.1: Welch and Satterthwaite (from memory).
    """
    squares: dict[object, tuple[float, float]] = {}
    for at, (size, freedom, estimate) in enumerate(sizes):
        before, _ = squares.get(estimate or at, (0.0, freedom))
        squares[estimate or at] = (before + size**2, freedom)
    whole = sum(square for square, _ in squares.values())
    tail = sum(square**2 / freedom for square, freedom in squares.values())
    return whole**2 / tail if tail > 0 else math.inf
