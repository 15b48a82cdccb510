"""A bench has one owner, who is named to the next one, and a kill leaves it free."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from attrs import evolve

from drivers.simulated.attach import rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.scenario import packaged
from rig import bench_lock
from rig.bench_lock import BenchInUse
from rig.profile import read_profile

ROOT = Path(__file__).parents[2]
NOW = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)
HOLDER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from rig import bench_lock
from rig.profile import read_profile
lock = bench_lock.hold(read_profile(Path(sys.argv[1])), "planned run 7",
                       datetime(2026, 1, 5, 18, 0, tzinfo=UTC), folder=Path(sys.argv[2]))
print("held", flush=True)
sys.stdin.read()
"""


def profile_of(folder, name="rig.toml"):
    instruments = usual_instruments(VirtualBench.from_scenario(packaged("demo")))
    (folder / name).write_text(rig_text(instruments, name="bench", scenario="demo"))
    return read_profile(folder / name)


def test_a_second_owner_is_refused_and_told_who_has_it(tmp_path):
    profile = profile_of(tmp_path)
    lock = bench_lock.hold(profile, "run of plan.toml", NOW, folder=tmp_path)
    with pytest.raises(BenchInUse) as refused:
        bench_lock.hold(profile, "check --relay", NOW, folder=tmp_path)
    told = f"run of plan.toml, process {os.getpid()}, since 2026-01-05 18:00 UTC"
    assert told in str(refused.value)
    assert bench_lock.user(profile, folder=tmp_path) == told
    lock.release()
    assert bench_lock.user(profile, folder=tmp_path) is None
    bench_lock.hold(profile, "check --relay", NOW, folder=tmp_path).release()
    assert not list(tmp_path.glob("*.lock"))


def test_two_names_of_one_port_are_one_bench(tmp_path):
    profile = profile_of(tmp_path)
    (tmp_path / "by-id").symlink_to(tmp_path / "tty")
    profile_of(tmp_path, "other.toml")

    def named(port):
        real = read_profile(tmp_path / "other.toml")
        real.stage.options.port = str(port)
        return bench_lock.lock_file(evolve(real, bench=None), tmp_path)

    assert named(tmp_path / "by-id") == named(tmp_path / "tty")
    assert named(tmp_path / "tty") != named(tmp_path / "tty2")
    assert bench_lock.lock_file(profile, tmp_path) not in {named("/dev/tty"), named("/dev/tty2")}


def test_a_killed_owner_leaves_the_bench_free(tmp_path):
    profile = profile_of(tmp_path)
    child = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path / "rig.toml"), str(tmp_path)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert child.stdout.readline() == b"held\n"
    with pytest.raises(BenchInUse, match="planned run 7, process"):
        bench_lock.hold(profile, "run", NOW, folder=tmp_path)
    child.send_signal(signal.SIGKILL)
    child.communicate()
    bench_lock.hold(profile, "run", NOW, folder=tmp_path).release()


def test_a_lock_that_was_handed_over_outlives_its_first_owner(tmp_path):
    profile = profile_of(tmp_path)
    lock = bench_lock.hold(profile, "planned run 7", NOW, folder=tmp_path)
    child = subprocess.Popen(
        [sys.executable, "-c", "import sys; sys.stdin.read()"],
        stdin=subprocess.PIPE,
        pass_fds=[lock.handle],
    )
    os.close(lock.handle)  # as a kill of the first owner does
    assert bench_lock.user(profile, folder=tmp_path) is not None
    child.communicate()
    assert bench_lock.user(profile, folder=tmp_path) is None
