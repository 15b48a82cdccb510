"""What is known of instruments and bench without measuring it, and what is assumed if nothing is.

The profile's section ``[uncertainty]`` and its calibrations state it; where they are silent the
default below stands, and the budget says so. The defaults fit a bench of good class: a quantum
sensor calibrated to ± 5 %, a wattmeter of class 1, a gantry, somebody who sets heights with a rule.
They are common practice, no source, unless one is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from attrs import frozen

COMMON_PRACTICE: Final = "common practice, no source"
STATED: Final = "stated in the rig profile"
STATED_IN_PLAN: Final = "stated in the plan"


@frozen(kw_only=True)
class Declaration:
    """One figure that can be declared.

    Attributes
    ----------
    default : float
        In `unit`.
    unit : str
        ``"%"``, ``"mm"``, ``"deg"`` or ``"1"``.
    reading : str
        ``"k = 2"`` (expanded, as on a certificate), ``"limit"`` (± limits, nothing known
        within), ``"standard"`` (a standard deviation) or ``"number"``.
    what : str
        What it is, for people.
    source : str
        Of the default.
    at_most : float
        Largest value that makes sense.
    """

    default: float
    unit: str
    reading: str
    what: str
    source: str = COMMON_PRACTICE
    at_most: float = 50.0

    @property
    def divisor(self) -> float:
        """What a stated figure is divided by to give a standard uncertainty. [1]"""
        return {"k = 2": 2.0, "limit": math.sqrt(3.0)}.get(self.reading, 1.0)


DECLARATIONS: Final[Mapping[str, Declaration]] = {
    "calibration_percent": Declaration(
        default=5.0,
        unit="%",
        reading="k = 2",
        what="Expanded uncertainty (k = 2) of the light sensor's calibration.",
    ),
    "spectral_percent": Declaration(
        default=3.0,
        unit="%",
        reading="limit",
        what="Limits of the light sensor's spectral error for this kind of lamp, ±.",
    ),
    "linearity_percent": Declaration(
        default=1.0,
        unit="%",
        reading="limit",
        what="Limits of the light sensor's non-linearity at the highest reading of a map, ±.",
    ),
    "cosine_45_percent": Declaration(
        default=2.0,
        unit="%",
        reading="limit",
        what="Limits of the light sensor's cosine error at 45 degrees, ±.",
        source="typical of an owner's manual, read",
    ),
    "cosine_75_percent": Declaration(
        default=5.0,
        unit="%",
        reading="limit",
        what="Limits of the light sensor's cosine error at 75 degrees, ±.",
        source="typical of an owner's manual, read",
    ),
    "cosine_correlation": Declaration(
        default=0.5,
        unit="1",
        reading="number",
        what="How alike the cosine error of two runs is while the angles of light are not known: "
        "0 not at all, 1 the same.",
        source="assumed",
        at_most=1.0,
    ),
    "sensor_temperature_percent": Declaration(
        default=0.5,
        unit="%",
        reading="limit",
        what="Limits of what the temperature of the light sensor does to a run, ±.",
    ),
    "level_deg": Declaration(
        default=1.0,
        unit="deg",
        reading="limit",
        what="Limits of the tilt of the light sensor along x and along y, ±.",
        at_most=20.0,
    ),
    "sensor_height_mm": Declaration(
        default=5.0,
        unit="mm",
        reading="limit",
        what="Limits of the height of device over diffuser, the same at every point, ±.",
        at_most=200.0,
    ),
    "position_mm": Declaration(
        default=2.0,
        unit="mm",
        reading="limit",
        what="Limits of where the sensor stands at a point, along x and along y, ±.",
        at_most=200.0,
    ),
    "origin_mm": Declaration(
        default=3.0,
        unit="mm",
        reading="limit",
        what="Limits of where the whole grid lies in the area, along x and along y, ±.",
        at_most=200.0,
    ),
    "wattmeter_percent": Declaration(
        default=1.0,
        unit="%",
        reading="limit",
        what="Limits of the wattmeter's error, ±; its class.",
    ),
    "distorted_current_percent": Declaration(
        default=0.3,
        unit="%",
        reading="limit",
        what="Limits of the wattmeter's further error on this ballast's current, ±.",
    ),
    "reinstallation_percent": Declaration(
        default=1.0,
        unit="%",
        reading="standard",
        what="Standard deviation of the plane efficacy from one hanging of a device to the next.",
    ),
}

HAND_POSITION_MM: Final = 5.0
"""Default of ``position_mm`` where no stage carries the sensor. [mm]"""


@frozen(kw_only=True)
class Declared:
    """Every figure of `DECLARATIONS`, as stated or by default.

    Attributes
    ----------
    values : dict
        Name → figure as stated, in its own unit.
    stated : frozenset of str
        Names that the owner stated.
    certified : frozenset of str
        Those among them that are expanded uncertainties (k = 2) of a calibration.
    in_plan : frozenset of str
        Those among them that the plan states.
    """

    values: Mapping[str, float]
    stated: frozenset[str]
    certified: frozenset[str] = frozenset()
    in_plan: frozenset[str] = frozenset()

    def standard(self, name: str) -> float:
        """Return a standard uncertainty: % as a fraction, mm as mm, degrees as radians."""
        declaration = DECLARATIONS[name]
        divisor = 2.0 if name in self.certified else declaration.divisor
        value = self.values[name] / divisor
        if declaration.unit == "%":
            return value / 100.0
        return math.radians(value) if declaration.unit == "deg" else value

    def distribution(self, name: str) -> str:
        """Return how a figure is distributed: within limits evenly, otherwise normally."""
        is_limit = DECLARATIONS[name].reading == "limit" and name not in self.certified
        return "rectangular" if is_limit else "normal"

    def source(self, name: str) -> str:
        """Return where a figure comes from, with the figure, for the table of the budget."""
        declaration = DECLARATIONS[name]
        unit = {"deg": "°", "1": ""}.get(declaration.unit, f" {declaration.unit}")
        sign = "" if declaration.reading in ("standard", "number") else "± "
        how = "k = 2" if name in self.certified else declaration.reading
        reading = {"k = 2": ", k = 2", "standard": ", standard"}.get(how, "")
        whence = f"default: {declaration.source}"
        if name in self.stated:
            whence = STATED_IN_PLAN if name in self.in_plan else STATED
        return f"{sign}{self.values[name]:g}{unit}{reading}; {whence}"

    @property
    def is_default(self) -> bool:
        """Whether the owner stated nothing at all."""
        return not self.stated


def declared_of(rig: Mapping[str, Any], plan: Mapping[str, Any]) -> Declared:
    """Read what a rig profile declares; what it does not, and what is no number, is by default.

    A certificate goes before a class: the uncertainty of a calibration, where the profile states
    one, and that of a spectral factor which the plan applies.

    Parameters
    ----------
    rig, plan : mapping
        Profile and plan as `tomllib` gives them.
    """
    values = {name: one.default for name, one in DECLARATIONS.items()}
    if "stage" not in rig or _table(rig, "stage").get("kind") == "manual":
        values["position_mm"] = HAND_POSITION_MM
    stated = {
        name: value
        for name, given in _table(rig, "uncertainty").items()
        if name in DECLARATIONS
        and (value := _figure(given)) is not None
        and value <= DECLARATIONS[name].at_most
    }
    certified = {
        "calibration_percent": _table(rig, "light_sensor_calibration").get("uncertainty_percent"),
        "wattmeter_percent": _table(rig, "power_meter_calibration").get("uncertainty_percent"),
        "spectral_percent": _spectral(rig, plan),
    }
    by_curves = _table(plan, "corrections").get("spectral") == "curves"
    known = {name: value for name, one in certified.items() if (value := _figure(one)) is not None}
    return Declared(
        values={**values, **stated, **known},
        stated=frozenset(stated) | frozenset(known),
        certified=frozenset(known),
        in_plan=frozenset({"spectral_percent"} & known.keys() if by_curves else ()),
    )


def _spectral(rig: Mapping[str, Any], plan: Mapping[str, Any]) -> Any:
    """Uncertainty of the spectral factor that is applied, None if none is."""
    asked = _table(plan, "corrections")
    if asked.get("spectral") == "curves":
        return asked.get("spectral_uncertainty_percent")
    if asked.get("spectral") != "lamp kind":
        return None
    rows = _table(rig, "light_sensor_calibration").get("spectral_factors")
    kind = _table(plan, "lamp").get("kind")
    for row in rows if isinstance(rows, list) else []:
        if isinstance(row, Mapping) and row.get("lamp_kind") == kind:
            return row.get("uncertainty_percent")
    return None


def _table(held: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = held.get(name)
    return table if isinstance(table, Mapping) else {}


def _figure(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not 0 <= value < math.inf:
        return None
    return float(value)
