"""Difference maps in the report: the best device over each other one, at each common height."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from attrs import frozen

from analysis.devices import Device, devices_of
from analysis.difference import Difference, DifferentGridsError, difference
from analysis.digits import signed_percent
from analysis.figures.difference_view import DifferenceScale, difference_view, in_per_cent
from analysis.figures.style import to_svg
from analysis.order import Change, change_of, order_effect
from analysis.plane_results import SAME_HEIGHT_MM, usable_maps
from analysis.report.pictures import Picture
from analysis.results import RunSummary

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HOW_TO_READ: Final = (
    "Difference maps: the PPFD of each cell over that of the same cell with the other device, less "
    "1, in per cent. Greyed and hatched: within noise, the 95 % interval of the cell holds 0. What "
    "both runs share cancels in each cell; of cells that do not differ, about one in twenty stands "
    "out by chance."
)


@frozen(kw_only=True, eq=False)
class DifferenceMap:
    """One difference map, ready to be drawn.

    Attributes
    ----------
    first, second : str
        Device over device.
    height_mm : float
    found : Difference
    scale : DifferenceScale
        Shared by all that are shown together.
    """

    first: str
    second: str
    height_mm: float
    found: Difference
    scale: DifferenceScale

    @property
    def title(self) -> str:
        """What over what, and where."""
        return f"{self.first} over {self.second} at {self.height_mm:g} mm"

    def figure(self) -> Figure:
        """Draw it anew."""
        under = (
            f"% of the PPFD of {self.second}; delivered flux {signed_percent(self.found.of_flux)}"
        )
        return difference_view(self.found, self.scale, title=self.title, under=under)

    @property
    def alt_text(self) -> str:
        """What a person who cannot see it should be told."""
        low, high = (in_per_cent(float(one)) for one in
                     (np.nanmin(self.found.relative), np.nanmax(self.found.relative)))  # fmt: skip
        return f"{self.title}, cell by cell: from {low} to {high} %; {self.beyond}"

    @property
    def beyond(self) -> str:
        """How many cells differ."""
        noise = self.found.is_noise
        return f"{int((~noise).sum())} of {len(noise)} cells differ by more than their noise"


@frozen(kw_only=True)
class DifferencePart:
    """What the page shows of differences."""

    pictures: tuple[Picture, ...]
    remarks: tuple[str, ...]
    how_to_read: str = HOW_TO_READ


def difference_part(
    maps: Sequence[DifferenceMap], remarks: Sequence[str], *, stamps: Sequence[str]
) -> DifferencePart:
    """Draw difference maps for the page."""
    pictures = tuple(
        Picture(
            to_svg(one.figure(), name=f"difference-{at}", alt=one.alt_text, stamps=stamps),
            f"{one.title}: {one.beyond}.",
        )
        for at, one in enumerate(maps)
    )
    return DifferencePart(pictures=pictures, remarks=tuple(remarks))


def difference_maps(
    runs: Sequence[RunSummary], order: Sequence[str]
) -> tuple[list[DifferenceMap], list[str]]:
    """Work out the difference of the best device and each other one at each common height.

    Parameters
    ----------
    runs : sequence of RunSummary
    order : sequence of str
        Names of the devices as `analysis.devices` gives them, the best first.

    Returns
    -------
    maps : list of DifferenceMap
    remarks : list of str
        Pairs and heights without one, and why.
    """
    devices = devices_of(runs)
    changes = [one for one in map(change_of, devices) if one is not None]
    named = {device.name: device for device in devices}
    found: list[tuple[str, str, float, Difference]] = []
    remarks = []
    for other in order[1:]:
        try:
            for height_mm, one in _of_pair(named[other], named[order[0]], changes):
                found.append((order[0], other, height_mm, one))
        except DifferentGridsError as error:
            remarks.append(f"No difference map of {order[0]} and {other}: {error}.")
    scale = DifferenceScale.covering(one for *_, one in found)
    return [
        DifferenceMap(first=first, second=second, height_mm=height_mm, found=one, scale=scale)
        for first, second, height_mm, one in found
    ], remarks


def _of_pair(a: Device, b: Device, changes: Sequence[Change]) -> list[tuple[float, Difference]]:
    pairs = []
    for of_a in usable_maps(a.whole, a.name)[0]:
        for of_b in usable_maps(b.whole, b.name)[0]:
            height_mm = of_a[0].mounting_height_mm or 0.0
            if abs((of_b[0].mounting_height_mm or 0.0) - height_mm) > SAME_HEIGHT_MM:
                continue
            effect = order_effect(a, b, (height_mm, height_mm), changes)
            pairs.append((height_mm, difference(of_a, of_b, () if effect is None else (effect,))))
    return pairs
