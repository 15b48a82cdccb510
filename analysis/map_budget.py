"""The budget of one map: which causes act on it, and how strongly on each cell.

Measured sizes come from the map itself (how the reference repeats, what its drift correction
leaves, how the dark points scatter); declared ones from the rig profile (`analysis.declared`),
turned into an effect on each cell by plain geometry (`analysis.geometry`).

**Who shares what.** The key of a cause holds the identity of what it belongs to: calibration,
linearity and cosine response to the light sensor, spectral error to sensor and lamp, the
wattmeter's gain to the meter, its error on distorted current to meter and ballast, levelling,
height datum and origin to the rig. Where an identity is not stated, nothing is shared.

**Cosine error** is a random response curve of two variables, its errors at 45° and at 75°, applied
to the angles at which light meets each cell. Where the plan states that the device has one opening
above the centre, what is unknown is how much comes by way of the walls. Otherwise the angles count
as not known, and a stated correlation says how much two runs have in common.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from analysis import geometry
from analysis.causes import DECLARED, MEASURED, Budget, Cause, Influence
from analysis.declared import COMMON_PRACTICE, Declared
from analysis.digits import PPFD_UNIT, significant
from analysis.drift import reference_weights, repeatability_freedom
from analysis.identity import Identity
from analysis.quadrature import Between, between
from analysis.results import Dark, MapSummary
from analysis.scaling_influence import scaling_influences

Floats = NDArray[np.floating[Any]]

UNKNOWN_REPEATABILITY: Final = 0.01
"""Of one point, where no reference was visited often enough; common practice, no source."""
UNKNOWN_DRIFT: Final = 0.01
"""Of the light over a map without a reference; common practice, no source."""
UNKNOWN_DARK_UMOL_M2_S: Final = 1.0
"""Limits of what a skipped dark reading would have shown; common practice, no source."""
WALL_SHARE_UNKNOWN: Final = 0.1
"""Standard uncertainty of the share of light that comes by the walls; assumed. [fraction]"""
MOST_VISITS: Final = 30
"""More visits of a reference than this are a monitor's, and act as noise of each cell."""

COSINE_CURVES: Final = {
    "cosine_45_percent": ((0.0, 15.0, 45.0, 75.0, 90.0), (0.0, 0.0, 1.0, 0.0, 0.0)),
    "cosine_75_percent": ((0.0, 45.0, 75.0, 90.0), (0.0, 0.0, 1.0, 2.0)),
}
"""Shape of each part of the response curve over the angle [deg], 1 where it is declared."""


def budget_of(
    map_: MapSummary, dark: Dark, identity: Identity, declared: Declared
) -> Budget | None:
    """List all that acts on a complete map.

    Parameters
    ----------
    map_ : MapSummary
    dark : Dark
        The dark reading of its run.
    identity : Identity
        What it was read with.
    declared : Declared
        What is known of instruments and bench.

    Returns
    -------
    Budget or None
        None unless the map is complete and its light above 0.
    """
    if not map_.is_complete or map_.delivered_flux_umol_s is None:
        return None
    counted = map_.grid.weights_m2 > 0
    if not (map_.ppfd[counted] > 0).all():
        return None
    # A point that stands for no area may be missing.
    of = geometry.nearest(map_.grid, map_.ppfd > 0)
    map_ = evolve(map_, ppfd=map_.ppfd[of], read_s=map_.read_s[of])
    maker = _Maker(map_=map_, identity=identity, declared=declared)
    repeats = map_.reference_repeatability
    noise = UNKNOWN_REPEATABILITY if repeats is None else repeats
    space = between(map_.grid, map_.ppfd, noise)
    influences = [
        *maker.sensor(),
        *maker.cosine(),
        *maker.bench(),
        *maker.wattmeter(),
        maker.repeatability(),
        maker.dark(dark),
        *maker.drift(),
        *maker.quadrature(space),
        *scaling_influences(map_, identity.run),
    ]
    return Budget(
        influences=tuple(influences),
        ppfd=map_.ppfd,
        weights_m2=map_.grid.weights_m2,
        plane_efficacy_umol_j=map_.stated_efficacy_umol_j,
        continuous_variation=space.variation,
        variation_left=space.variation_left,
        reinstallation=declared.standard("reinstallation_percent"),
        reinstallation_source=declared.source("reinstallation_percent"),
        assumptions=tuple(_assumptions(map_, identity, declared, space)),
    )


@frozen(kw_only=True)
class _Maker:
    """Makes the influences of one map, a method for each family of causes."""

    map_: MapSummary
    identity: Identity
    declared: Declared

    @property
    def here(self) -> str:
        """Key of what belongs to this map alone."""
        return f"{self.identity.run}, {self.map_.label}"

    @property
    def there(self) -> str:
        """Key of what belongs to this device at this height, however often it is hung."""
        height = f"at {self.map_.mounting_height_mm} mm, {self.map_.grid.label}"
        return f"{self.identity.device or self.identity.run} {height}"

    @property
    def height_mm(self) -> float:
        """Mounting height, or the width of the area for want of it."""
        return self.map_.mounting_height_mm or self.map_.grid.width_mm

    @property
    def repeats(self) -> str:
        """Estimate that both noise of a reading and noise of a visit come from."""
        return f"repeatability of {self.here}" if self.map_.drift.source == "reference" else ""

    def all_cells(self, size: float) -> Floats:
        return np.full(len(self.map_.grid), size)

    def cause(self, name: str, key: str, declared: str) -> Cause:
        return Cause(
            key=key,
            name=name,
            kind=DECLARED,
            distribution=self.declared.distribution(declared),
            source=self.declared.source(declared),
            is_default=declared not in self.declared.stated,
        )

    def sensor(self) -> Iterator[Influence]:
        """Calibration, spectral error, linearity, temperature."""
        who, standard = self.identity, self.declared.standard
        yield Influence(
            cause=self.cause(
                "calibration of the light sensor",
                who.key("calibration", who.light_sensor),
                "calibration_percent",
            ),
            light=self.all_cells(standard("calibration_percent")),
        )
        yield Influence(
            cause=self.cause(
                "spectral error of the light sensor",
                who.key("spectral error", who.light_sensor, who.lamp),
                "spectral_percent",
            ),
            light=self.all_cells(standard("spectral_percent")),
        )
        yield Influence(
            cause=self.cause(
                "linearity of the light sensor",
                who.key("linearity", who.light_sensor),
                "linearity_percent",
            ),
            light=standard("linearity_percent") * self.map_.ppfd / self.map_.ppfd.max(),
        )
        name, declared = "temperature of the light sensor", "sensor_temperature_percent"
        yield Influence(
            cause=self.cause(name, f"sensor temperature in {who.run}", declared),
            light=self.all_cells(standard(declared)),
        )

    def cosine(self) -> Iterator[Influence]:
        """Two parts of the response curve, what runs have in common of each, and the rest."""
        who, grid = self.identity, self.map_.grid
        share = geometry.wall_share(grid)
        for declared, (angles, curve) in COSINE_CURVES.items():
            size = self.declared.standard(declared)
            straight, by_walls = geometry.at_angles(
                grid, self.height_mm, np.array(angles), np.array(curve)
            )
            effect = size * ((1 - share) * straight + share * by_walls)
            if who.is_opening_known:
                common, own = effect, size * (by_walls - straight) * WALL_SHARE_UNKNOWN
            else:
                correlation = self.declared.values["cosine_correlation"]
                common, own = math.sqrt(correlation) * effect, math.sqrt(1 - correlation) * effect
            name = "cosine error of the light sensor"
            degrees = declared.split("_")[1]
            shared = who.key(f"cosine error at {degrees}", who.light_sensor)
            yield Influence(cause=self.cause(name, shared, declared), light=common)
            alone = who.key(f"cosine error at {degrees} of {self.there}", who.light_sensor)
            yield Influence(cause=self.cause(name, alone, declared), light=own)

    def bench(self) -> Iterator[Influence]:
        """Levelling, height, origin of the grid, and where the sensor stands at each point."""
        who, grid, standard = self.identity, self.map_.grid, self.declared.standard
        along = geometry.map_slopes(grid, self.map_.ppfd)
        for axis, tilt, slope in zip(
            "xy", geometry.tilt_slopes(grid, self.height_mm), along, strict=True
        ):
            yield Influence(
                cause=self.cause(
                    "levelling of the light sensor",
                    who.key(f"tilt along {axis}", who.light_sensor, who.rig),
                    "level_deg",
                ),
                light=standard("level_deg") * tilt,
            )
            yield Influence(
                cause=self.cause(
                    "where the grid lies",
                    who.key(f"origin along {axis}", who.rig),
                    "origin_mm",
                ),
                light=standard("origin_mm") * slope,
            )
        yield Influence(
            cause=self.cause(
                "height of the device over the sensor",
                who.key("height datum", who.rig),
                "sensor_height_mm",
            ),
            light=standard("sensor_height_mm") * geometry.height_slope(grid, self.height_mm),
        )
        yield Influence(
            cause=self.cause(
                "where the sensor stands at each point",
                f"positions in {who.run}, {self.map_.place}",
                "position_mm",
            ),
            light=standard("position_mm") * np.hypot(*along),
            is_per_cell=True,
        )

    def wattmeter(self) -> Iterator[Influence]:
        """Its gain, and what distorted current adds."""
        who, none = self.identity, self.all_cells(0.0)
        yield Influence(
            cause=self.cause(
                "gain of the wattmeter",
                who.key("wattmeter", who.power_meter),
                "wattmeter_percent",
            ),
            light=none,
            power=self.declared.standard("wattmeter_percent"),
        )
        yield Influence(
            cause=self.cause(
                "wattmeter on distorted current",
                who.key("distorted current", who.power_meter, who.ballast),
                "distorted_current_percent",
            ),
            light=none,
            power=self.declared.standard("distorted_current_percent"),
        )

    def repeatability(self) -> Influence:
        """How the reading of one point repeats."""
        name, key = "repeatability of a reading", "repeatability"
        size, visits = self.map_.reference_repeatability, self.map_.reference_visits
        if size is None:
            size = UNKNOWN_REPEATABILITY
            cause = self._assumed(name, key, "normal", f"{_percent(size)} at each point")
        else:
            of = f"{_percent(size)} at each point, from {visits} visits"
            cause = self._measured(name, key, of, repeatability_freedom(visits), self.repeats)
        return Influence(cause=cause, light=self.all_cells(size), is_per_cell=True)

    def dark(self, dark: Dark) -> Influence:
        """What the dark reading is uncertain by, the larger the dimmer the cell."""
        name = "dark reading"
        light = np.maximum(self.map_.ppfd, 1e-9)
        if dark.sd is not None and dark.points > 1:
            of = f"{significant(dark.sd, 2)} {PPFD_UNIT} from point to point, {dark.points} points"
            cause = self._measured(name, name, of, dark.points - 1.0)
            size = dark.sd / math.sqrt(dark.points)
        else:
            limit = UNKNOWN_DARK_UMOL_M2_S
            cause = self._assumed(name, name, "rectangular", f"± {limit:g} {PPFD_UNIT}")
            size = limit / math.sqrt(3.0)
        # One is subtracted from all maps of one hanging.
        key = f"{name} of {self.identity.run}, installation {self.map_.installation}"
        return Influence(cause=evolve(cause, key=key), light=size / light)

    def drift(self) -> Iterator[Influence]:
        """What the correction leaves in the map, and what is left in the plane efficacy."""
        drift, none = self.map_.drift, self.all_cells(0.0)
        name = "drift of the lamp during the map"
        visits = len(drift.values)
        if drift.source == "none" or drift.repeatability is None:
            yield Influence(
                cause=self._assumed(name, "drift", "normal", _percent(UNKNOWN_DRIFT)),
                light=self.all_cells(UNKNOWN_DRIFT),
            )
            return
        of = f"{_percent(drift.repeatability)} at each of {visits} visits"
        freedom = repeatability_freedom(visits)
        if visits > MOST_VISITS or not np.isfinite(self.map_.read_s).all():
            cause = self._measured(name, "drift", of, freedom)
            yield Influence(
                cause=cause, light=self.all_cells(drift.repeatability), is_per_cell=True
            )
        else:
            shares = reference_weights(self.map_.read_s, drift.elapsed_s)
            by_visit = drift.repeatability * (shares.mean(0) - shares)
            for at in range(visits):
                cause = self._measured(name, f"visit {at + 1}", of, freedom, self.repeats)
                yield Influence(cause=cause, light=by_visit[:, at], is_in_efficacy=False)
        key, left = "drift left in the efficacy", drift.repeatability / math.sqrt(visits)
        cause = self._measured(name, key, of, freedom)
        if self.map_.plane_efficacy_umol_j is not None:
            # Light and power of the same moments: only what they did not do together is left,
            # and the other way to the plane efficacy shows within which limits.
            apart = abs(self.map_.efficacy_disagreement or 0.0)
            left = apart / math.sqrt(3.0)
            of = f"two ways to the plane efficacy, {_percent(apart)} apart"
            cause = evolve(self._measured(name, key, of), distribution="rectangular")
        yield Influence(cause=cause, light=none, efficacy=left)

    def quadrature(self, space: Between) -> Iterator[Influence]:
        """What lies between the points: what walls do to all devices of a room, and the rest."""
        name, none = "light between the points", self.all_cells(0.0)
        cause = self._assumed(name, name, "normal", _percent(space.rest))
        if space.is_estimated:
            cause = self._measured(name, name, "the slopes of the map")
            walls = self.identity.key(
                f"ends of a sum over {self.map_.grid.label}", self.identity.rig
            )
            yield Influence(cause=evolve(cause, key=walls), light=none, total=space.ends)
        own = evolve(cause, key=f"{name} of {self.there}")
        yield Influence(cause=own, light=none, total=space.rest)

    def _measured(
        self,
        name: str,
        key: str,
        of: str,
        degrees_of_freedom: float = math.inf,
        estimate: str = "",
    ) -> Cause:
        return Cause(
            key=f"{key} of {self.here}",
            name=name,
            kind=MEASURED,
            distribution="t" if math.isfinite(degrees_of_freedom) else "normal",
            source=f"measured: {of}",
            degrees_of_freedom=degrees_of_freedom,
            estimate=estimate,
        )

    def _assumed(self, name: str, key: str, distribution: str, size: str) -> Cause:
        return Cause(
            key=f"{key} of {self.here}",
            name=name,
            kind=DECLARED,
            distribution=distribution,
            source=f"{size}; default: {COMMON_PRACTICE}",
            is_default=True,
        )


def _percent(size: float) -> str:
    return f"{significant(100 * size, 2)} %"


def _assumptions(
    map_: MapSummary, identity: Identity, declared: Declared, space: Between
) -> Iterator[str]:
    if declared.is_default:
        yield (
            "Nothing is stated of the instruments and the bench: this is the default budget, for "
            "a quantum sensor calibrated to ± 5 % and a wattmeter of class 1."
        )
    if not identity.is_opening_known:
        yield (
            "The angles of the light are not stated: the cosine error of two runs is taken to be "
            f"{declared.values['cosine_correlation']:g} correlated."
        )
    if map_.mounting_height_mm is None:
        yield "The mounting height is not stated: the width of the area stands for it."
    if not space.is_estimated:
        yield "What lies between the points of this grid is not estimated from the map."
