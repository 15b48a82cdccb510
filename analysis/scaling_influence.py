"""What scaling to a nominal line voltage adds to a budget: how well its slope is known."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.causes import MEASURED, Cause, Influence
from analysis.results import MapSummary

NAME = "scaling to the nominal line voltage"


def scaling_influences(map_: MapSummary, run: str) -> Iterator[Influence]:
    """One influence for light and one for power, where they were scaled.

    Parameters
    ----------
    map_ : MapSummary
    run : str
        Of which the slopes were fitted: its maps share what is not known of them.
    """
    for one in map_.corrections:
        if not one.mark or one.uncertainty is None:
            continue
        size = np.full(len(map_.grid), one.uncertainty if one.on == "light" else 0.0)
        yield Influence(
            cause=Cause(
                key=f"slope of {one.on} over line voltage in {run}",
                name=NAME,
                kind=MEASURED,
                distribution="normal",
                source=one.source,
            ),
            light=size,
            power=one.uncertainty if one.on == "power" else 0.0,
        )
