"""`evenfall new`: answers in, files out, read back by the readers of plan and profile."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from drivers.registry import KINDS
from rig.cli import main
from rig.new import _proposal
from rig.new_questions import NONE, UNCERTAINTY, VALUE, VIRTUAL, questions
from rig.plan import read_plan
from rig.profile import SECTIONS, cross_check, kinds_for, read_profile

FACTS = [
    "--device", "Reflector Ö", "--lamp-kind", "metal halide", "--lamp-power-w", "600",
    "--width-mm", "1200", "--mounting-height-mm", "400, 500",
]  # fmt: skip
ON_THE_BENCH = [*FACTS, "--rows", "9", "--virtual-bench", "quick", "--yes"]


def answers_of() -> list[str]:
    """Plan and rig, in the order of the questions."""
    return [
        "Reflector A", "", "", "y", "", "250",  # device
        "metal", "0", "many", "600 W", "L-07", "130", "base up",  # lamp, two bad answers
        "", "", "", "230",  # ballast
        "", "20", "1200,5", "", "white", "", "", "open",  # area, one bad answer
        "", "8", "",  # grid
        "400; 500",
        "?", "1500", "-", "0.5",  # limits
        "", "bench team", "",  # test
        "yes", "EUR", "115", "", "0.25", "12", "", "", "", "", "", "", "",  # value
        "bench 1", "no",
        "sdi12-quantum-sensor", "/dev/a", "Q-1", "2026-01-02",
        "none",  # monitor sensor
        "modbus-power-meter", "/dev/b", "", "",
        "", "40", "", "none",  # registers
        "gcode-gantry", "/dev/c", "", "", "", "0 1200", "250 900",
        "none", "none",  # relay, thermometer
        "no",
    ]  # fmt: skip


def new(folder: Path, typed: str, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rig.cli", "new", "--out", str(folder), *options],
        input=typed,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_options_alone_give_two_files_that_are_read_back(tmp_path: Path) -> None:
    assert main(["new", "--out", str(tmp_path), *ON_THE_BENCH]) == 0
    plan = read_plan(tmp_path / "plan.toml")
    assert plan.device.name == "Reflector Ö"
    assert (plan.area.width_mm, plan.area.depth_mm) == (1200.0, 1200.0)
    assert plan.heights.mounting_height_mm == (400.0, 500.0)
    assert (plan.grid.rows, plan.grid.columns) == (9, 9)
    profile = read_profile(tmp_path / "rig.toml")
    assert profile.bench is not None
    assert profile.bench.scenario == "quick"


def test_the_default_files_say_what_every_key_is(tmp_path: Path) -> None:
    main(["new", "--out", str(tmp_path), *ON_THE_BENCH])
    text = (tmp_path / "plan.toml").read_text(encoding="utf-8")
    assert "# Inside width, along x; for a rectangle. [mm]\nwidth_mm = 1200.0\n" in text
    assert "# power_interval_s = 1.0" in text
    assert all(len(line) <= 100 for line in text.splitlines())


def test_keys_that_stand_as_comments_are_the_defaults(tmp_path: Path) -> None:
    main(["new", "--out", str(tmp_path), *ON_THE_BENCH])
    text = (tmp_path / "plan.toml").read_text(encoding="utf-8")
    in_force = [
        line.removeprefix("# ") if line.startswith("# power_interval_s =") else line
        for line in text.splitlines()
    ]
    (tmp_path / "other.toml").write_text("\n".join(in_force), encoding="utf-8")
    assert read_plan(tmp_path / "other.toml").sampling == read_plan(tmp_path / "plan.toml").sampling


@pytest.mark.parametrize("scenario", [[], ["quick"], ["demo"]])
def test_the_virtual_bench_alone_gives_a_plan_that_fits_it(
    tmp_path: Path, scenario: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "--out", str(tmp_path), "--virtual-bench", *scenario, "--yes"]) == 0
    plan, profile = read_plan(tmp_path / "plan.toml"), read_profile(tmp_path / "rig.toml")
    assert cross_check(plan, profile) == []
    assert "To be seen to" not in capsys.readouterr().out


def test_what_is_said_of_the_virtual_bench_goes_before_what_fits_it(tmp_path: Path) -> None:
    asked = ["--virtual-bench", "demo", "--device", "Orchard", "--rows", "5", "--yes"]
    assert main(["new", "--out", str(tmp_path), *asked]) == 0
    plan = read_plan(tmp_path / "plan.toml")
    assert (plan.device.name, plan.grid.rows, plan.grid.columns) == ("Orchard", 5, 5)


def test_a_virtual_bench_that_is_not_there_is_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "--out", str(tmp_path), "--virtual-bench", "moon", "--yes"]) == 2
    assert capsys.readouterr().err == (
        "evenfall: --virtual-bench: moon: no scenario of that name; known are demo, quick\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_nothing_that_is_there_is_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "rig.toml").write_text("mine", encoding="utf-8")
    assert main(["new", "--out", str(tmp_path), *ON_THE_BENCH]) == 2
    assert "kept as it is" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["rig.toml"]
    assert (tmp_path / "rig.toml").read_text(encoding="utf-8") == "mine"
    assert main(["new", "--out", str(tmp_path), "--only", "plan", "--yes", *FACTS]) == 0


def test_all_that_is_missing_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "--out", str(tmp_path), "--yes", "--width-mm", "10"]) == 2
    told = capsys.readouterr().err
    for place in ("device.name is missing", "area.width_mm is 10", "stage.port is missing"):
        assert place in told
    assert list(tmp_path.iterdir()) == []


def test_a_height_below_the_clearance_writes_neither_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "--out", str(tmp_path), *ON_THE_BENCH, "--clearance-mm", "450"]) == 2
    assert "below the clearance" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_any_other_key_can_be_set(tmp_path: Path) -> None:
    asked = [*ON_THE_BENCH, "--set", "lamp.minimum_off_s=600", "--set", "dark.points=all"]
    assert main(["new", "--out", str(tmp_path), *asked]) == 0
    plan = read_plan(tmp_path / "plan.toml")
    assert plan.lamp.minimum_off_s == 600.0
    assert plan.dark.points == "all"
    assert main(["new", "--out", str(tmp_path / "b"), *FACTS, "--yes", "--set", "x"]) == 2


def test_questions_on_a_pipe_give_both_files(tmp_path: Path) -> None:
    done = new(tmp_path, "\n".join(answers_of()) + "\n")
    assert done.returncode == 0, done.stdout[-1500:] + done.stderr
    plan = read_plan(tmp_path / "plan.toml")
    assert (plan.area.width_mm, plan.area.depth_mm) == (1200.5, 1200.5)
    assert (plan.grid.rows, plan.grid.columns) == (8, 8)
    assert plan.lamp.rated_power_w == 600.0
    assert plan.lamp.burning_position == "base up"
    assert plan.limits.peak_ppfd_umol_m2_s == 1500.0
    assert plan.limits.mean_ppfd_umol_m2_s is None
    assert plan.value is not None
    assert plan.value.tariff == 0.25
    profile = read_profile(tmp_path / "rig.toml")
    assert profile.power_meter.options.registers[0].register == 40
    assert list(profile.stage.options.travel_z_mm) == [250.0, 900.0]
    assert "rated_power_w is 'many'; give a number of W above 0" in " ".join(done.stdout.split())
    lines = [line for line in done.stdout.splitlines() if str(tmp_path) not in line]
    assert max(len(line) for line in lines) <= 80
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("shape", ["rectangle", "round"])
def test_whatever_is_proposed_has_a_reason_of_its_own(kind: str, shape: str) -> None:
    """Every key is asked: of the value, of the uncertainty, of every kind of instrument."""
    answers: dict = {VALUE: "yes", UNCERTAINTY: "yes", VIRTUAL: "no", ("area", "shape"): shape}
    chosen = {(section, "kind"): kind for section in SECTIONS if kind in kinds_for(section)}
    assert chosen
    for asked in questions(answers, {}, plan=True, rig=True):
        if asked.proposed is not None:
            assert asked.because, asked.place
            assert asked.because in _proposal(asked), asked.place  # not too long to be shown
        usual = NONE if asked.proposed is None and NONE in asked.words else asked.proposed
        answers.setdefault(asked.place, chosen.get(asked.place, usual or (*asked.words, 1.0)[0]))
    assert chosen.items() <= answers.items()


def test_answers_that_end_leave_nothing(tmp_path: Path) -> None:
    done = new(tmp_path / "deep", "\n".join(answers_of()[:20]) + "\n")
    assert done.returncode == 2
    assert "nothing was written" in done.stderr
    assert not (tmp_path / "deep").exists()


def test_one_can_go_back_and_is_asked_again_what_does_not_fit(tmp_path: Path) -> None:
    typed = answers_of()
    typed[0:1] = ["Reflector X", "<", "Reflector A"]
    where = typed.index("400; 500")
    typed[where:] = ["100", *[""] * 7, "450"]  # the first is below the clearance of 250
    done = new(tmp_path, "\n".join(typed) + "\n", "--only", "plan")
    assert done.returncode == 0, done.stdout[-1500:] + done.stderr
    plan = read_plan(tmp_path / "plan.toml")
    assert plan.device.name == "Reflector A"
    assert plan.heights.mounting_height_mm == (450.0,)
    assert "below the clearance" in done.stdout


@pytest.mark.wire
def test_ctrl_c_on_a_terminal_leaves_nothing(tmp_path: Path) -> None:
    near, far = pty.openpty()
    out = tmp_path / "out"
    process = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", "new", "--out", str(out)],
        stdin=far,
        stdout=far,
        stderr=far,
        start_new_session=True,
        preexec_fn=_own_terminal,
    )
    os.close(far)
    guard = threading.Timer(60.0, process.kill)  # a test that waits for ever tells nothing
    guard.start()
    seen = b""
    while b"name [needed]" not in seen:
        seen += os.read(near, 4096)
    os.write(near, b"Reflector A\n")
    while b"kind [" not in seen:
        seen += os.read(near, 4096)
    try:
        while True:
            # Python loses a Ctrl-C that comes between its prompt and its waiting: press again.
            os.write(near, b"\x03")
            while select.select([near], [], [], 2.0)[0]:
                seen += os.read(near, 4096)
    except OSError:  # the far side was closed
        pass
    os.close(near)
    assert process.wait(timeout=30) == 130
    guard.cancel()
    assert b"stopped by the operator" in seen
    assert not out.exists()


def _own_terminal() -> None:
    import fcntl
    import termios

    # Where the tests run in the background, Ctrl-C is ignored, and that is inherited.
    signal.signal(signal.SIGINT, signal.SIG_DFL)

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
