"""A run over real ports one of which is unplugged, and comes back as another device file."""

import signal

import pytest

from analysis import run_folder
from tests.wire.two_terminals import bench_on, replan, run_on

pytestmark = [pytest.mark.wire, pytest.mark.slow]
#: From when the port is opened; in the midst of the dark reading.
LOST_AFTER_S = 7.0


@pytest.mark.parametrize("port", ["power_meter", "stage"])
def test_an_unplugged_instrument_pauses_the_run_which_goes_on_when_it_is_back(port, tmp_path):
    losses = [{"port": port, "lost_after_s": LOST_AFTER_S, "back_after_s": 1.0}]
    programs = [bench := bench_on(tmp_path, port_losses=losses)]
    try:
        replan(tmp_path, "sampling", settle_s=1.0)  # so that the dark reading lasts long enough
        run = run_on(tmp_path)
        programs.append(run)
        run.expect("is the test area clear?")
        run.type("yes")
        run.expect("Hang ")
        run.type("done")
        run.expect("lamp must be OFF")
        run.type("done")
        run.expect("Paused")
        if port == "stage":
            bench.expect("port of stage back")
            run.expect("as soon as you answer")
            run.type("go on")
        # Nobody knows what was done meanwhile: before the dark reading goes on it is asked again.
        run.expect("lamp must be OFF")
        run.type("done")
        run.expect("Dark reading")  # the stage has homed by now
        run.child.send_signal(signal.SIGTERM)
        assert run.child.wait(30) == 130
    finally:
        for program in programs:
            program.close()
    (folder,) = (tmp_path / "lab" / "runs").iterdir()
    loaded = run_folder.load(folder)
    assert loaded.damage == ()
    events = loaded.events
    (paused,) = events[events.event == "paused"].itertuples()
    (ended,) = events[events.event == "pause-ended"].itertuples()
    assert paused.subject == ended.subject == port
    assert "the port is gone" in paused.detail
    assert ended.elapsed_s - paused.elapsed_s < 30.0
    # The stage homes before anything is read again.
    assert events[events.event == "homed"].elapsed_s.iloc[-1] > ended.elapsed_s
    assert events.event.iloc[-1] == "stopped"
