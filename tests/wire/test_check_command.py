"""``evenfall check`` on the wire-level bench: who is where, and everything that is wrong."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import signal
import subprocess
import sys
import tomllib
from contextlib import contextmanager
from io import StringIO
from pathlib import Path

import pytest
import tomli_w
from rich.console import Console

from rig.check import Surroundings, Wanted, check_command

pytestmark = pytest.mark.wire

HOLDER = """
import fcntl, os, sys
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
if sys.argv[2] == "locked":
    fcntl.flock(port, fcntl.LOCK_EX | fcntl.LOCK_NB)
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    child = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", "simulate", "--out", str(folder)],
        stdout=subprocess.PIPE,
        stdin=subprocess.PIPE,
        text=True,
    )
    while "The lamp is off." not in (line := child.stdout.readline()):
        assert line
    yield folder
    child.send_signal(signal.SIGTERM)
    child.communicate(timeout=10)


@contextmanager
def held(port, how="locked"):
    """Keep a port open in another program, as a serial terminal does."""
    child = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(port), how],
        stdout=subprocess.PIPE,
        stdin=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout.readline() == "held\n"
        yield child.pid
    finally:
        child.communicate(timeout=10)


@contextmanager
def dead_port():
    """A port with nobody behind it who would answer."""
    master, slave = pty.openpty()
    try:
        yield os.ttyname(slave)
    finally:
        os.close(slave)
        os.close(master)


def profile_of(bench: Path, folder: Path, **sections: dict) -> Path:
    """Write the bench's own profile with other keys."""
    content = tomllib.loads((bench / "rig.toml").read_text())
    for section in ("light_sensor", "monitor_sensor", "power_meter"):
        content[section]["reply_within_s"] = 0.15
    content["stage"]["banner_within_s"] = 0.5
    for section, keys in sections.items():
        content[section] = {**content[section], **keys}
    path = folder / "rig.toml"
    path.write_text(tomli_w.dumps(content))
    return path


def port_of(bench: Path, section: str) -> str:
    return str(bench / "ports" / section)


def checked(rig: Path, folder: Path, plan: Path | None = None, **around) -> tuple[int, str]:
    out = StringIO()
    code = check_command(
        Wanted(plan=plan, rig=rig, lab=folder / "lab"),
        Console(file=out, width=80, highlight=False),
        Surroundings(ports=lambda: (), **around),
    )
    return code, out.getvalue()


def words(text: str) -> str:
    """Undo the folding of the table: columns stay, so only words of one line are joined."""
    return re.sub(r"\s+", " ", text)


def findings_of(text: str) -> list[tuple[str, str, str]]:
    """Read the table of problems back, cell by cell."""
    table = text[text.rindex("where") :].splitlines()
    starts = [table[0].index(heading) - 0 for heading in ("where", "problem", "what to do")]
    indent = len(text[: text.rindex("where")].rsplit("\n", 1)[-1])
    starts = [0, starts[1] + indent, starts[2] + indent]
    rows: list[list[str]] = []
    for line in table[2:]:
        if set(line.strip()) == {"─"}:
            rows.append(["", "", ""])
            continue
        if not line.startswith(" "):
            break
        if not rows:
            rows.append(["", "", ""])
        cells = (line[: starts[1]], line[starts[1] : starts[2]], line[starts[2] :])
        rows[-1] = [
            f"{old} {new.strip()}".strip() for old, new in zip(rows[-1], cells, strict=True)
        ]
    return [tuple(row) for row in rows if any(row)]


def test_sound_bench_passes_and_nothing_moves(bench, tmp_path):
    code, said = checked(profile_of(bench, tmp_path), tmp_path, bench / "plan.toml")
    assert code == 0, said
    assert "No problem found. Nothing was moved or lit." in said
    assert "SIM-0001" in said
    assert "SIM-0002" in said
    assert max(map(len, said.splitlines())) <= 80
    assert "\x1b" not in said
    assert "map of 9 points at 400 mm" in said


def test_command_line_gives_the_exit_code(bench, tmp_path):
    rig = profile_of(bench, tmp_path, monitor_sensor={"port": str(tmp_path / "gone")})
    ended = subprocess.run(
        [sys.executable, "-m", "rig.cli", "check", "--rig", rig, "--lab", tmp_path / "lab"],
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 1, ended.stderr
    assert any("is not there." in problem for _, problem, _ in findings_of(ended.stdout))


def test_two_sensors_on_each_others_ports_are_called_swapped(bench, tmp_path):
    rig = profile_of(
        bench,
        tmp_path,
        light_sensor={"port": port_of(bench, "monitor_sensor")},
        monitor_sensor={"port": port_of(bench, "light_sensor")},
    )
    code, said = checked(rig, tmp_path)
    assert code == 1
    where, problem, remedy = findings_of(said)[0]
    assert where == "light_sensor, monitor_sensor"
    assert problem.startswith(
        "swapped: monitor_sensor (serial number SIM-0002) answered on the port of light_sensor"
    )
    assert "and the other way round" in problem
    assert "Swap the two 'port' lines" in remedy


@pytest.mark.parametrize(
    ("one", "other"), [("light_sensor", "power_meter"), ("stage", "light_sensor")]
)
def test_instruments_of_two_kinds_on_each_others_ports_are_called_swapped(
    bench, tmp_path, one, other
):
    rig = profile_of(
        bench,
        tmp_path,
        **{one: {"port": port_of(bench, other)}, other: {"port": port_of(bench, one)}},
    )
    code, said = checked(rig, tmp_path)
    assert code == 1
    where, problem, _ = findings_of(said)[0]
    assert set(where.split(", ")) == {one, other}
    assert problem.startswith("swapped: ")
    assert said.count("swapped: ") == 1


@pytest.mark.parametrize("how", ["locked", "without a lock"])
def test_busy_port_names_the_program_that_holds_it(bench, tmp_path, how):
    with held(port_of(bench, "monitor_sensor"), how) as pid:
        code, said = checked(profile_of(bench, tmp_path), tmp_path)
    assert code == 1
    where, problem, remedy = findings_of(said)[0]
    assert where == "monitor_sensor"
    assert f"process {pid})" in problem
    assert "python" in problem
    assert "Close it" in remedy


def test_busy_port_is_seen_where_its_holder_may_not_be(bench, tmp_path):
    (tmp_path / "proc").mkdir()
    with held(port_of(bench, "monitor_sensor")):
        code, said = checked(profile_of(bench, tmp_path), tmp_path, proc=tmp_path / "proc")
    assert code == 1
    where, problem, remedy = findings_of(said)[0]
    assert where == "monitor_sensor"
    assert "in use by a program that is not yours to see" in problem
    assert "fuser" in remedy


def test_wrong_serial_number_is_refused(bench, tmp_path):
    rig = profile_of(bench, tmp_path, light_sensor={"serial_number": "SIM-0009"})
    code, said = checked(rig, tmp_path)
    assert code == 1
    where, problem, _ = findings_of(said)[0]
    assert where == "light_sensor"
    assert problem == "serial number SIM-0001 answered; the profile says SIM-0009."


def test_silent_device_is_named_with_what_to_check(bench, tmp_path):
    with dead_port() as port:
        code, said = checked(profile_of(bench, tmp_path, power_meter={"port": port}), tmp_path)
    assert code == 1
    where, problem, remedy = findings_of(said)[0]
    assert where == "power_meter"
    assert "no reply to" in problem
    assert "supply" in remedy


def test_all_problems_come_in_one_table(bench, tmp_path):
    rig = profile_of(
        bench,
        tmp_path,
        light_sensor={"serial_number": "SIM-0009", "calibration_due": _day("2024-06-01")},
        monitor_sensor={"port": str(tmp_path / "gone")},
    )
    with dead_port() as port, held(port_of(bench, "stage")):
        content = tomllib.loads(rig.read_text())
        content["power_meter"]["port"] = port
        rig.write_text(tomli_w.dumps(content))
        code, said = checked(rig, tmp_path)
    found = findings_of(said)
    assert code == 1
    told = {
        (where.removesuffix(" (remark)"), key)
        for where, problem, _ in found
        for key in ("serial number", "was due on", "not there", "no reply", "in use by")
        if key in problem
    }
    assert told == {
        ("light_sensor", "serial number"),
        ("light_sensor", "was due on"),
        ("monitor_sensor", "not there"),
        ("power_meter", "no reply"),
        ("stage", "in use by"),
    }
    assert "5 problems. Mend, and check again." in said
    assert all(remedy for _, _, remedy in found)
    assert said.count("what to do") == 1


def _day(text):
    return tomllib.loads(f"day = {text}")["day"]


def test_run_under_way_in_the_lab_is_seen(bench, tmp_path):
    from analysis import lab_folder

    lab_folder.create(tmp_path / "lab", name="lab")
    run = tmp_path / "lab" / "runs" / "2026-01-05T1800Z-a"
    run.mkdir()
    handle = os.open(run, os.O_RDONLY | os.O_DIRECTORY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        code, said = checked(profile_of(bench, tmp_path), tmp_path)
    finally:
        os.close(handle)
    assert code == 1
    assert "a run is being recorded into 2026-01-05T1800Z-a." in words(said) or any(
        "being recorded" in problem for _, problem, _ in findings_of(said)
    )
