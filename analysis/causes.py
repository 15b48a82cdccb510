"""What an uncertainty is made of: named causes, and how strongly each acts on one map.

A **cause** is one random variable with mean 0 and standard deviation 1, or many alike where
every cell has one of its own. An **influence** says how far one standard deviation of it moves
each cell, the wall power, and totals. Two results that hold a cause of the same key hold the same
random variable: what it does to both cancels in their ratio as far as it acts alike, and no
further. The **budget** of a map is all its influences together with the values they act on.

Influences are relative: a value of 0.01 moves by 1 %. What is written below as *true value* is
``read value × (1 + Σ influence × variable)``.

References
----------
.. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement (from memory).
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

MEASURED: Final = "A"
"""Kind of a cause whose size comes from repeated readings."""
DECLARED: Final = "B"
"""Kind of a cause whose size somebody states: a certificate, a class, common practice."""


@frozen(kw_only=True)
class Cause:
    """One random variable of standard deviation 1.

    Attributes
    ----------
    key : str
        Identity. Causes of one key are one variable, in whichever budget they stand.
    name : str
        What it is, in the words of the trade; causes of one name share a line of the table.
    kind : str
        `MEASURED` or `DECLARED`.
    distribution : str
        ``"normal"``, ``"rectangular"`` or ``"t"`` (a measured size with few degrees of
        freedom).
    source : str
        Where its size comes from, and how sure that is.
    degrees_of_freedom : float
        Of its size; infinite for a declared one.
    estimate : str
        Which estimate its size comes from, where several causes rest on one: together they are
        known as well as it is, and no better. Empty for one of its own.
    is_default : bool
        Whether its size is ours, for want of the owner's.
    """

    key: str
    name: str
    kind: str
    distribution: str
    source: str
    degrees_of_freedom: float = math.inf
    estimate: str = ""
    is_default: bool = False

    @property
    def is_estimated(self) -> bool:
        """Whether its size is measured, and known to few degrees of freedom."""
        return self.distribution == "t" and math.isfinite(self.degrees_of_freedom)


@frozen(kw_only=True, eq=False)
class Influence:
    """What one standard deviation of a cause does to one map. All relative. [fraction]

    Attributes
    ----------
    cause : Cause
    light : array, shape (n,)
        Change of each cell of the corrected map.
    is_per_cell : bool
        Whether each cell has a variable of its own, all alike; then it is never shared, and acts
        on the plane efficacy too.
    power : float
        Change of the wall power.
    total : float
        Further change of every sum over the cells that no cell shows: what lies between them.
    efficacy : float
        Further change of the plane efficacy alone, which is taken from the light and the power
        of the same moments.
    is_in_efficacy : bool
        Whether `light` acts on the plane efficacy too. What drift correction does to the map
        does not.
    """

    cause: Cause
    light: Floats
    is_per_cell: bool = False
    power: float = 0.0
    total: float = 0.0
    efficacy: float = 0.0
    is_in_efficacy: bool = True

    def on_sum(self, shares: Floats) -> float:
        """Relative change of a weighted sum of the cells, size and sign. [fraction]

        Parameters
        ----------
        shares : array, shape (n,)
            Change of the sum for a relative change of each cell.
        """
        if self.is_per_cell:
            return float(np.sqrt(((shares * self.light) ** 2).sum()))
        return float(shares @ self.light)

    def on_flux(self, shares: Floats) -> float:
        """Relative change of the delivered flux; `shares` as `Budget.shares`. [fraction]"""
        return self.on_sum(shares) + self.total

    def on_efficacy(self, shares: Floats) -> float:
        """Relative change of the plane efficacy; `shares` as `Budget.shares`. [fraction]"""
        by_light = self.on_sum(shares) + self.total if self.is_in_efficacy else 0.0
        return by_light - self.power + self.efficacy


@frozen(kw_only=True, eq=False)
class Budget:
    """The values of one map and all that acts on them.

    Attributes
    ----------
    influences : tuple of Influence
    ppfd : array, shape (n,)
        The corrected map, complete. [µmol m⁻² s⁻¹]
    weights_m2 : array, shape (n,)
        [m²]
    plane_efficacy_umol_j : float or None
        As it is stated. [µmol J⁻¹]
    continuous_variation : float or None
        Coefficient of variation of the field between the cells too, noise taken out. [fraction]
    variation_left : float
        What is not known of that correction, relative to the coefficient. [fraction]
    reinstallation : float
        Standard deviation of the plane efficacy from one hanging of the device to the next: not
        part of what is said of this hanging, but of what is said of the device. [fraction]
    reinstallation_source : str
        Where that figure comes from.
    assumptions : tuple of str
        What was assumed for want of knowledge, in plain sentences.
    """

    influences: tuple[Influence, ...]
    ppfd: Floats
    weights_m2: Floats
    plane_efficacy_umol_j: float | None
    continuous_variation: float | None
    variation_left: float
    reinstallation: float
    reinstallation_source: str
    assumptions: tuple[str, ...] = ()

    @property
    def shares(self) -> Floats:
        """Share of each cell in the delivered flux, shape (n,). [fraction]"""
        light = self.weights_m2 * self.ppfd
        return np.asarray(light / light.sum())

    @property
    def variation_shares(self) -> Floats:
        """Relative change of the coefficient of variation for one of each cell, shape (n,)."""
        mean = float(self.weights_m2 @ self.ppfd / self.weights_m2.sum())
        away = self.weights_m2 * (self.ppfd - mean)
        square = float(away @ (self.ppfd - mean))
        if not square > 0:
            return np.zeros(len(self.ppfd))
        return np.asarray(away * self.ppfd / square - self.shares)
