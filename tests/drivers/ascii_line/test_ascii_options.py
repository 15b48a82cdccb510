"""A profile that cannot work is refused before a port is opened."""

import attrs
import pytest

from drivers.ascii_line.options import AsciiLightSensorOptions, line_settings
from drivers.options import OptionError
from rig.profile import fitted
from rig.toml_faults import Faults

GOOD = {"port": "p", "request": "R\r\n", "pattern": r"(?P<value>\d+\.\d)"}


def test_a_good_profile_is_taken():
    options = AsciiLightSensorOptions(**GOOD)
    assert line_settings(options).character_format == "8N1"
    assert AsciiLightSensorOptions(**(GOOD | {"mode": "listen", "request": ""}))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pattern": r"\d+"}, r"pattern is .*one group \(\?P<value>"),
        ({"pattern": r"(?P<value>\d+"}, "pattern is .*give a regular expression"),
        ({"pattern": r"(?P<value>(?:\d+)+)"}, "no repeated group that itself repeats"),
        ({"request": r"\q"}, "request is .*hex"),
        ({"request": ""}, "request is ''; give what it is asked by, or set mode to \"listen\""),
        ({"request": "hex:"}, "request is 'hex:'; give what it is asked by"),
        ({"line_end": ""}, "line_end is ''"),
        ({"no_value_patterns": ("(",)}, "no_value_patterns is"),
        ({"no_value_patterns": (5,)}, "no_value_patterns is"),
        ({"plausible": (5.0, 1.0)}, "plausible is .*the lower first"),
        ({"agrees_within": -1.0}, "agrees_within is -1.0; .*0 or more"),
        ({"mode": "ask"}, "mode is 'ask'; give one of 'poll', 'listen'"),
        ({"identity_pattern": "("}, "identity_pattern is"),
        ({"scale": 0.0}, "scale is 0.0"),
    ],
)
def test_what_is_not_allowed_is_named_with_what_is(change, message):
    with pytest.raises(OptionError, match=message):
        AsciiLightSensorOptions(**(GOOD | change))


def test_a_profile_shows_all_its_faults_at_once():
    raw = {
        "kind": "ascii-line-light-sensor",
        "port": "p",
        "request": "R\r\n",
        "pattern": "PAR",
        "line_end": "",
        "plausible": [3000.0, 0.0],
    }
    with pytest.raises(Faults) as caught:
        fitted(raw, "light_sensor")
    found = {fault.path for fault in caught.value.faults}
    assert found == {("line_end",), ("pattern",), ("plausible",)}


def test_mode_poll_without_a_request_is_refused_by_the_profile():
    raw = {"kind": "ascii-line-light-sensor", "port": "p", "pattern": r"(?P<value>\d)"}
    with pytest.raises(Faults, match="request is ''"):
        fitted(raw, "light_sensor")


def test_the_units_of_a_light_sensor_are_those_of_light():
    fields = attrs.fields_dict(AsciiLightSensorOptions)
    for name in ("scale", "plausible", "agrees_within"):
        assert fields[name].metadata["unit"] == "µmol m⁻² s⁻¹"
