"""The section [value] of a plan: read whole, refused whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.plan import Plan, read_plan
from rig.toml_faults import ConfigError
from tests.rig.test_plan import SMALLEST


def read(tmp_path: Path, section: str) -> Plan:
    path = tmp_path / "plan.toml"
    path.write_text(f"{SMALLEST}{section}", encoding="utf-8")
    return read_plan(path)


def test_a_plan_without_the_section_says_nothing_about_money(tmp_path):
    assert read(tmp_path, "").value is None


def test_four_keys_are_enough(tmp_path):
    value = read(
        tmp_path,
        '[value]\ncurrency = "EUR"\nprice = 115\ntariff = 0.25\nphotoperiod_h = 12\n',
    ).value
    assert (value.currency, value.price, value.tariff, value.photoperiod_h) == (
        "EUR",
        115.0,
        0.25,
        12.0,
    )
    assert (value.years, value.delivery, value.lamp_life_h) == (5, 0.0, None)


def test_all_that_is_wrong_with_it_is_told_at_once(tmp_path):
    with pytest.raises(ConfigError) as caught:
        read(
            tmp_path,
            '[value]\ncurrency = ""\nprice = -1\nphotoperiod_h = 25\nyears = 2.5\n'
            "soiling_percent = 101\nlamp_price = 30\ntarif = 0.2\n",
        )
    problems = caught.value.problems
    for told in (
        "value.tarif is not a known key; did you mean 'tariff'?",
        "value.currency is ''; give text, e.g. \"EUR\"",
        "value.price is -1; give a number",
        "value.photoperiod_h is 25; give a number of h above 0 and at most 24, e.g. 12.0",
        "value.years is 2.5; give a whole number from 1 to 50, e.g. 5",
        "value.soiling_percent is 101; give a number of % from 0 to 100",
        "value.lamp_price does nothing without value.lamp_life_h",
    ):
        assert any(problem.startswith(told) for problem in problems), (told, problems)
    assert len(problems) == 7


def test_a_section_that_is_no_table_is_refused(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text("value = 3\n" + SMALLEST, encoding="utf-8")
    with pytest.raises(ConfigError, match="value is 3; give a section with its keys"):
        read_plan(path)
