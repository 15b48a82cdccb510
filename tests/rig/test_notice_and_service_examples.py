"""The examples for notices and for the service are what the program reads and has."""

from __future__ import annotations

import argparse
import configparser
import shlex
import tomllib
from pathlib import Path

import attrs

from rig.notices import Ways, read_ways
from rig.schedule_options import add_schedule_arguments

HARDWARE = Path(__file__).parents[2] / "hardware"


def test_the_example_of_notices_is_sound_and_has_every_key():
    ways = read_ways(HARDWARE / "example-notices.toml")
    raw = tomllib.loads((HARDWARE / "example-notices.toml").read_text())
    assert set(raw) == {item.name for item in attrs.fields(Ways)}
    for section in ("command", "email", "webhook"):
        keys = {item.name for item in attrs.fields(type(getattr(ways, section)))}
        assert set(raw[section]) == keys


def test_the_service_starts_a_command_that_there_is():
    unit = configparser.ConfigParser(strict=False)
    unit.optionxform = str
    unit.read(HARDWARE / "evenfall-schedule.service")
    program, command, *words = shlex.split(unit["Service"]["ExecStart"])
    assert (Path(program).name, command) == ("evenfall", "schedule")
    parser = argparse.ArgumentParser()
    add_schedule_arguments(parser)
    assert parser.parse_args(words).what == "run"
    assert unit["Install"]["WantedBy"] == "multi-user.target"
