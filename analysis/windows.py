"""Which power belongs to which light: means over the window of each reading.

::

    light reading            |=======================|
    power readings    |----a----|----b----|----c----|----d----|
    shared                   |==|=========|=========|=|          weights of a, b, c, d

A light reading that no power reading overlaps has no power; nothing is taken from nearby.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]


def means_over_windows(
    window_start_s: ArrayLike,
    window_end_s: ArrayLike,
    reading_start_s: ArrayLike,
    reading_end_s: ArrayLike,
    values: ArrayLike,
) -> Floats:
    """Average readings over windows, each weighted by the time it shares with the window.

    Parameters
    ----------
    window_start_s, window_end_s : array, shape (n,)
        Windows to average over; NaN for a window that is not known. [s]
    reading_start_s, reading_end_s : array, shape (m,)
        Time that each reading averages over, in any order. [s]
    values : array, shape (m,)
        The readings; NaN is skipped. [any unit]

    Returns
    -------
    array, shape (n,)
        Overlap-weighted means, NaN where nothing overlaps. [unit of the values]

    Notes
    -----
    A reading of no duration shares no time with anything. Where only such readings fall into
    a window, or the window itself has no duration, those that touch it count equally.
    """
    start, end = (np.asarray(a, dtype=float) for a in (window_start_s, window_end_s))
    first, last, value = (
        np.asarray(a, dtype=float) for a in (reading_start_s, reading_end_s, values)
    )
    good = np.isfinite(value) & np.isfinite(first) & np.isfinite(last)
    order = np.argsort(first[good], kind="stable")
    first, last, value = first[good][order], last[good][order], value[good][order]

    n = len(start)
    known = np.isfinite(start) & np.isfinite(end)
    # Only readings that begin before the window's end and end after its start can touch it;
    # the running maximum keeps the search right where windows of readings overlap.
    low = np.searchsorted(np.maximum.accumulate(last), np.where(known, start, 0.0), side="left")
    high = np.searchsorted(first, np.where(known, end, 0.0), side="right")
    candidates = np.where(known, np.maximum(high - low, 0), 0)
    window = np.repeat(np.arange(n), candidates)
    within = np.arange(len(window)) - np.repeat(np.cumsum(candidates) - candidates, candidates)
    reading = low[window] + within

    shared_s = np.minimum(end[window], last[reading]) - np.maximum(start[window], first[reading])
    touches = shared_s >= 0
    shared_s = np.maximum(shared_s, 0.0)
    total_s = np.bincount(window, shared_s, minlength=n)
    has_length = total_s > 0
    momentary = touches & ((last[reading] == first[reading]) | (end == start)[window])
    weight = np.where(has_length[window], shared_s, momentary)
    total = np.bincount(window, weight, minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.bincount(window, weight * value[reading], minlength=n) / total
