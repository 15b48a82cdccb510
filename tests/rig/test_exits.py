"""However a run ends that the program can see, the relay is open at once and the stage at rest."""

from __future__ import annotations

import errno
import os
import signal

import pytest

from analysis import run_folder
from rig.faults import RunStopped
from rig.operator import StopRequest
from rig.recorder import RecorderError
from rig.resume import read_interrupted
from rig.sequence import Sequence
from tests.crash.failing import FailingStorage
from tests.rig.bench_run import do_run
from tests.rig.test_lamp_relay import bench_relay_is_closed, lamp_power_w
from tests.rig.test_pauses import as_plain, assert_safe, in_map, night, whole
from tests.rig.test_resume import resumed


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """A night that goes through: when its map begins and ends."""
    folder = tmp_path_factory.mktemp("plain")
    return as_plain(whole(folder, *night(folder)))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_in_the_map_opens_the_relay_within_seconds(number, plain, tmp_path):
    plan, profile, bench = night(tmp_path)
    asked_s = in_map(plain)
    stop = StopRequest()
    try:
        bench.clock.call_at(asked_s, lambda: os.kill(os.getpid(), number))
        with pytest.raises(RunStopped) as stopped:
            do_run(tmp_path, plan, profile, bench, stop=stop)
    finally:
        stop.release()
    assert bench.clock.elapsed_s() - asked_s < 2.0
    assert not bench_relay_is_closed(bench)
    assert stopped.value.exit_code == 130
    assert signal.Signals(number).name in stopped.value.reason
    assert_safe(bench, stopped.value)


def test_a_defect_in_the_program_opens_the_relay_and_closes_the_folder(tmp_path, monkeypatch):
    plan, profile, bench = night(tmp_path)

    def broken(sequence):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(Sequence, "_finish", broken)
    with pytest.raises(ZeroDivisionError):
        do_run(tmp_path, plan, profile, bench)
    assert not bench_relay_is_closed(bench)
    (path,) = (tmp_path / "lab" / "runs").iterdir()
    run = run_folder.load(path)
    assert run.events.event.iloc[-1] == "stopped"
    assert run.descriptor["evenfall"]["is_closed"]


@pytest.fixture(scope="module")
def calls_of_a_night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("calls")
    storage = FailingStorage(None)
    do_run(folder, *night(folder), storage=storage)
    return len(storage.log)


@pytest.mark.parametrize("share", [0.0, 0.004, 0.01, 0.3, 0.6, 0.9, 0.999])
@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO])
def test_a_disk_that_fails_at_any_moment_of_a_night_leaves_the_lamp_dark_and_the_rows_sound(
    share, error, calls_of_a_night, tmp_path
):
    plan, profile, bench = night(tmp_path)
    storage = FailingStorage(1 + int(share * calls_of_a_night), error)
    with pytest.raises(RecorderError) as failed:
        do_run(tmp_path, plan, profile, bench, storage=storage)
    assert "\n" not in str(failed.value)
    assert os.strerror(error) in str(failed.value)
    assert not bench_relay_is_closed(bench)
    assert lamp_power_w(bench) < 5.0
    assert not bench.virtual.gantry.is_moving(bench.clock.elapsed_s())
    for path in (tmp_path / "lab" / "runs").iterdir():
        if (path / run_folder.DESCRIPTOR).exists():
            damage = run_folder.load(path).damage
            assert all(one.problem.startswith("torn row") for one in damage)
            # Once the disk takes bytes again, the run goes on.
            read_interrupted(path, tmp_path / "rig.toml")
            resumed(path, tmp_path / "rig.toml", bench)
