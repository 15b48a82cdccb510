"""The README's way, walked: new, check, run, watch, report, compare, through real ports.

Two devices hang one after the other; the first is read over pseudo-terminals, a person at the
keyboard, and watched meanwhile; the second on the virtual bench in the process of the run.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from analysis import run_folder
from analysis.summary import summarise
from rig.cli import main
from rig.live.shelf import REPORTS
from tests.rig.live.played import asked, listen, watched
from tests.wire.two_terminals import Terminal, bench_on, replan

pytestmark = [
    pytest.mark.wire,
    pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals as Linux has them"),
]

#: What makes a plan of minutes one of seconds; the same for both devices.
BRIEF = {
    "grid": {"rows": 2, "columns": 2},
    "dark": {"points": 0, "skip_reason": "walked through in a hurry"},
    "warm_up": {"block_s": 1.0, "window_s": 4.0, "minimum_on_s": 4.0, "limit_percent": 10.0},
    "sampling": {"samples_per_point": 1, "settle_s": 0.1},
}


def planned(folder: Path, *options: str) -> Path:
    """Write plan and profile as a newcomer does, then cut the plan short."""
    bench = folder / "bench"
    assert main(["new", "--virtual-bench", *options, "--yes", "--out", str(bench)]) == 0
    for section, keys in BRIEF.items():
        replan(folder, section, **keys)
    return bench


def going_on(url: str) -> tuple[dict[str, str], dict[str, object]]:
    """Return the state that the live page shows, and the line of the newest run."""
    line, told = listen(url)
    line.close()
    return told["state"], json.loads(asked(url, "/runs.json")[2])["runs"][0]


def test_from_a_plan_to_a_comparison_as_the_readme_says(tmp_path, capfd):
    one, other, lab = tmp_path / "one", tmp_path / "other", tmp_path / "lab"
    bench = planned(one)
    simulated = bench_on(one)
    assert "plan.toml is there already and is kept. It fits this bench." in simulated.seen
    plan, rig = str(bench / "plan.toml"), str(bench / "rig-on-ports.toml")
    try:
        assert main(["check", plan, "--rig", rig, "--lab", str(lab)]) == 0
        assert "No problem found. Nothing was moved or lit." in capfd.readouterr().out
        run = Terminal("run", plan, "--rig", rig, "--lab", str(lab))
        try:
            for question, answer in (
                ("is the test area clear?", "yes"),
                ("Hang Brook", "done"),
            ):
                run.expect(question)
                run.type(answer)
            run.expect("Light the lamp now")
            with watched(lab) as url:
                simulated.type("")
                simulated.expect("lamp switched on")
                run.type("done")
                run.expect("Map  4 points")
                state, _ = going_on(url)
                assert state["kind"] == "going"
                run.expect("Report: ")
                assert run.child.wait(30) == 0
                state, line = going_on(url)
                assert (state["kind"], line["device"]) == ("done", "Brook")
                assert set(line["reports"]) == set(REPORTS)
        finally:
            run.close()
    finally:
        simulated.close()
    bench = planned(other, "--device", "Heath")
    rig = str(bench / "rig.toml")
    assert main(["run", str(bench / "plan.toml"), "--rig", rig, "--lab", str(lab)]) == 0
    heath, brook = sorted((lab / "runs").iterdir())
    for folder in (heath, brook):
        loaded = run_folder.load(folder)
        assert loaded.damage == ()
        assert summarise(loaded).is_complete
        assert (folder / "report.html").stat().st_size > 10_000
    # Power was read at least once a second while the lamp was lit; a half more if hurried.
    power = loaded.readings[loaded.readings.quantity == "wall_power_w"].elapsed_s
    assert power.diff().max() < 1.5
    assert main(["report", str(brook)]) == 0
    capfd.readouterr()
    assert main(["compare", str(heath), str(brook)]) == 0
    # The scenario's efficiencies are 0.84 and 0.77.
    said = " ".join(capfd.readouterr().out.split())
    assert "As installed, Brook delivers" in said
    assert "more per joule than Heath" in said
