"""A run over real ports one of which is unplugged, and comes back as another device file."""

import signal

import pytest
import tomli_w

from analysis import run_folder
from tests.wire.test_run_on_terminals import Terminal, run_on

pytestmark = [pytest.mark.wire, pytest.mark.slow]


@pytest.mark.parametrize("port", ["power_meter", "stage"])
def test_an_unplugged_instrument_pauses_the_run_which_goes_on_when_it_is_back(port, tmp_path):
    faults = tmp_path / "faults.toml"
    losses = [{"port": port, "lost_after_s": 15.0, "back_after_s": 2.0}]
    faults.write_text(tomli_w.dumps({"format": 1, "port_losses": losses}))
    out = str(tmp_path / "bench")
    bench = Terminal(
        "simulate", "--scenario", "quick", "--out", out, "--instruments", str(faults)
    )  # fmt: skip
    programs = [bench]
    try:
        bench.expect("Enter switches the lamp")
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
        if port != "stage":  # which has homed on its new port by now
            run.type("done")
            run.expect("Light the lamp now", within_s=120)
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
