"""A steady bench for tests: no errors, nothing that wanders."""

import math
import tomllib

from drivers.simulated.bench import VirtualBench
from drivers.simulated.scenario import packaged


def content(name: str = "demo", **tables):
    """Return a packaged scenario as a dictionary, some of its tables added to."""
    whole = tomllib.loads(packaged(name).read_text(encoding="utf-8")) | {"errors": ""}
    whole["gantry"].pop("travel_z_mm", None)  # a test that wants a height axis says so
    for key, value in tables.items():
        known = whole.get(key)
        whole[key] = known | value if isinstance(known, dict) else value
    return whole


STEADY = {
    "lamp": {
        "strike_light": 1.0,
        "strike_power": 1.0,
        "creep_light_percent": 0.0,
        "creep_power_percent": 0.0,
        "wander_light_percent": 0.0,
        "wander_power_percent": 0.0,
        "hours": 100.0,
    },
    "mains": {
        "mean_v": 230.0,
        "slow_percent": 0.0,
        "fast_percent": 0.0,
        "ramp_percent_per_hour": 0.0,
    },
    "gantry": {"repeatable_error_mm": 0.0, "random_error_mm": 0.0, "scale_error_percent": 0.0},
    "installation": {"position_sd_mm": 0.0, "height_sd_mm": 0.0, "flux_sd_percent": 0.0},
    "ambient_umol_m2_s": 0.0,
}


def steady(**more) -> VirtualBench:
    bench = VirtualBench.from_scenario(content(**(STEADY | more)))
    bench.gantry.home(0.0)
    bench.switch_lamp(True, 0.0)
    return bench


def at_point(bench: VirtualBench, x_mm: float, y_mm: float) -> float:
    arrival = bench.gantry.move(bench.gantry.home(0.0), x_mm, y_mm)
    return math.ceil(arrival) + 60.0
