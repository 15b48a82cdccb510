"""The boundaries between our modules hold, and each rule finds what it forbids.

The rules themselves stand in `tests/boundaries.py`.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest

from tests.boundaries import (
    HEAVY,
    LONGEST_FILE_LINES,
    PACKAGES,
    ROOT,
    Module,
    emits_an_unknown_quantity,
    heavy_chain,
    imports_against_the_direction,
    is_too_long,
    opens_a_port,
    our_modules,
    planted,
    reads_the_time,
    records_past_the_storage,
    schedules,
    speaks,
)

Rule = Callable[[Module], list[str]]

# Rule, module that breaks it, and the source that does.
PLANTED: list[tuple[Rule, str, str]] = [
    (imports_against_the_direction, "drivers/lamp.py", "from analysis import grid\n"),
    (imports_against_the_direction, "drivers/lamp.py", "import rig.profile as p\n"),
    (imports_against_the_direction, "drivers/sdi12/lamp.py", "from ...analysis import grid\n"),
    (imports_against_the_direction, "analysis/grid.py", "def f():\n    import drivers.clock\n"),
    (imports_against_the_direction, "analysis/report/x.py", "import rig\n"),
    (imports_against_the_direction, "rig/run.py", "from tests import synthetic_run\n"),
    (reads_the_time, "rig/run.py", "import time\n"),
    (reads_the_time, "rig/run.py", "from time import perf_counter as pc\n"),
    (reads_the_time, "rig/run.py", "def f(datetime):\n    return datetime.now()\n"),
    (reads_the_time, "analysis/x.py", "import datetime as d\nd.datetime.utcnow()\n"),
    (reads_the_time, "analysis/x.py", "from datetime import date\ndate.today()\n"),
    (reads_the_time, "drivers/x.py", "import asyncio\nasyncio.sleep(1)\n"),
    (reads_the_time, "drivers/x.py", "from asyncio import sleep as rest\n"),
    (reads_the_time, "drivers/x.py", "from select import select as rest\n"),
    (reads_the_time, "drivers/serial_line.py", "select.select([f], [], [], 0.1)\n"),
    (reads_the_time, "drivers/serial_line.py", "select.select([f], [], [])\n"),
    (reads_the_time, "drivers/simulated/terminals.py", "self._poll.poll(100)\n"),
    (reads_the_time, "drivers/x.py", "import threading\nthreading.Timer(1, f)\n"),
    (opens_a_port, "drivers/sdi12/x.py", "import serial\n"),
    (opens_a_port, "drivers/sdi12/x.py", "from serial.tools import list_ports\n"),
    (opens_a_port, "drivers/finding.py", "import serial\n"),
    (opens_a_port, "rig/x.py", "import socket\n"),
    (opens_a_port, "rig/x.py", "import pty, termios\n"),
    (opens_a_port, "rig/hand/keyboard.py", "import tty\n"),
    (opens_a_port, "rig/live/app.py", "def f():\n    import uvicorn\n"),
    (opens_a_port, "drivers/scpi/power_meter.py", "def f():\n    import pyvisa\n"),
    (opens_a_port, "rig/x.py", "import os\nos.openpty()\n"),
    (opens_a_port, "rig/x.py", "from pymodbus.client import ModbusSerialClient\n"),
    (opens_a_port, "rig/x.py", "import os\nos.open('/dev/ttyUSB0', os.O_RDWR)\n"),
    (schedules, "rig/run.py", "from apscheduler.schedulers.blocking import BlockingScheduler\n"),
    (speaks, "drivers/x.py", "print('here')\n"),
    (speaks, "analysis/x.py", "import logging\n"),
    (records_past_the_storage, "rig/recorder.py", "import os\n"),
    (records_past_the_storage, "rig/repair.py", "def f(p):\n    p.write_bytes(b'')\n"),
    (is_too_long, "rig/x.py", "a = 1\n" * (LONGEST_FILE_LINES + 1)),
    (emits_an_unknown_quantity, "drivers/x.py", "Reading(quantity='brightness')\n"),
    (emits_an_unknown_quantity, "drivers/x.py", "class S:\n    quantity = 'ppfd'\n"),
    (
        emits_an_unknown_quantity,
        "drivers/x.py",
        "class O:\n    quantity: str = field('lux')",
    ),
    (emits_an_unknown_quantity, "drivers/x.py", "return_value = {'wall_power_kwh': 1}\n"),
]
RULES: list[Rule] = list(dict.fromkeys(rule for rule, _, _ in PLANTED))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_no_module_of_ours(rule: Rule) -> None:
    assert [fault for module in our_modules() for fault in rule(module)] == []


@pytest.mark.parametrize(("rule", "path", "source"), PLANTED)
def test_a_planted_fault_is_found(rule: Rule, path: str, source: str) -> None:
    assert rule(planted(path, source)) != []


@pytest.mark.parametrize(
    ("rule", "path", "source"),
    [
        (imports_against_the_direction, "rig/x.py", "from drivers import clock\nimport analysis\n"),
        (imports_against_the_direction, "drivers/sdi12/x.py", "from ..line import Line\n"),
        (reads_the_time, "drivers/clock.py", "import time\ntime.sleep(1)\n"),
        (reads_the_time, "rig/x.py", "from datetime import UTC, datetime\n"),
        (
            reads_the_time,
            "drivers/serial_line.py",
            "select.select([f], [], [], 0.0)\n",
        ),
        (reads_the_time, "rig/attendant.py", "meter.poll()\n"),
        (opens_a_port, "drivers/serial_line.py", "import serial\n"),
        (schedules, "rig/schedule.py", "import apscheduler\n"),
        (speaks, "rig/cli.py", "print('done')\n"),
        (emits_an_unknown_quantity, "drivers/x.py", "Reading(quantity='wall_power_w')\n"),
        (emits_an_unknown_quantity, "drivers/x.py", "field(metadata={'unit': 's'})\n"),
    ],
)
def test_what_is_allowed_is_let_through(rule: Rule, path: str, source: str) -> None:
    assert rule(planted(path, source)) == []


def test_all_packages_are_looked_at() -> None:
    assert {module.package for module in our_modules()} == set(PACKAGES)
    assert len(our_modules()) > 20


def test_a_heavy_import_is_found_along_its_chain() -> None:
    modules = [
        planted("rig/cli.py", "from rig import light\ndef f():\n    import scipy\n"),
        planted("rig/light.py", "if TYPE_CHECKING:\n    import pandas\nimport rig.deep\n"),
        planted("rig/deep.py", "try:\n    from numpy import pi\nexcept ImportError:\n    pass\n"),
    ]
    chain = ["rig.cli", "rig.light", "rig.deep", "numpy.pi (rig/deep.py:2)"]
    assert heavy_chain(modules, "rig.cli") == chain
    assert heavy_chain(modules[:2], "rig.cli") == []


def test_the_command_line_pulls_in_nothing_heavy_by_its_imports() -> None:
    assert heavy_chain(our_modules(), "rig.cli") == []


def test_help_loads_nothing_heavy() -> None:
    script = (
        "import sys\n"
        "from rig.cli import main\n"
        "try:\n"
        "    main(['--help'])\n"
        "except SystemExit as ended:\n"
        "    assert not ended.code, ended.code\n"
        "print('loaded:', *sorted({name.split('.')[0] for name in sys.modules}))\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    loaded = set(ran.stdout.rsplit("loaded:", 1)[1].split())
    assert loaded & (HEAVY | {"pymodbus", "apscheduler", "jinja2", "starlette", "uvicorn"}) == set()
