"""The mounting height from a whole run on the erring virtual bench, held against its truth."""

import numpy as np
import pytest

from analysis.heights import heights
from analysis.report import height_words
from analysis.run_folder import load
from analysis.summary import summarise
from drivers.simulated.light_field import LightField, Room
from drivers.simulated.sources import Source
from rig import cli
from tests import synthetic_run
from tests.rig.bench_run import bench_of, do_run, plan_of

PEAK_LIMIT = 1300.0


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("heights")
    plan = plan_of(
        folder,
        grid={"rows": 5, "columns": 5},
        heights={"mounting_height_mm": [400.0, 475.0, 550.0]},
        sampling={"samples_per_point": 1, "reference_every": 12},
        limits={"peak_ppfd_umol_m2_s": PEAK_LIMIT, "minimum_to_mean": 0.3},
    )
    profile, bench = bench_of(folder)
    return do_run(folder, plan, profile, bench), bench.virtual


def true_crossing_mm(virtual, run):
    """Height at which the true peak, wherever on the plane, is the limit; by bisection."""
    scenario = virtual.scenario
    device = next(one for one in scenario.devices if one.name == run.device)
    at = np.linspace(400.0, 800.0, 21)
    x, y = (v.ravel() for v in np.meshgrid(at, at))

    def peak(height_mm):
        room = Room(scenario.area, device, height_mm / 1000)
        view = LightField(room, Source(device), (0.6, 0.6, height_mm / 1000)).view()
        return float(view.at(x, y).max())

    # The bench hangs at the last height now; its truth there says how much light one unit is.
    last = run.maps[-1]
    scale = virtual.truth.ppfd_map(x, y, last.begun_s, last.ended_s).max() / peak(550.0)
    low, high = 400.0, 550.0
    while high - low > 4:
        middle = (low + high) / 2
        low, high = (middle, high) if scale * peak(middle) > PEAK_LIMIT else (low, middle)
    return (low + high) / 2


def test_the_range_not_decided_brackets_the_true_height_on_an_erring_bench(measured):
    folder, virtual = measured
    run = summarise(load(folder))
    found = heights(run)
    assert found.answer.binding.key == "peak"
    low, high = found.answer.undecided_mm
    assert low < true_crossing_mm(virtual, run) < high
    assert high == found.answer.lowest_mm


def test_the_command_says_the_verdict_first_and_draws_the_curves(measured, capsys, tmp_path):
    folder, _ = measured
    assert cli.main(["heights", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("Hang Meadow at 4")
    assert "may pass 1300 µmol m⁻² s⁻¹." in said
    assert "Radiant heat not measured." in said
    picture = folder / "figures" / "mounting-height.png"
    assert said.endswith(f"Picture: {picture}")
    assert picture.read_bytes().startswith(b"\x89PNG")
    chosen = tmp_path / "curves.png"
    assert cli.main(["heights", str(folder), "--out", str(chosen)]) == 0
    assert chosen.read_bytes() == picture.read_bytes()


def test_the_report_of_the_run_has_a_section_on_its_mounting_height(measured, capsys, tmp_path):
    folder, _ = measured
    page = tmp_path / "page.html"
    assert cli.main(["report", str(folder), "--out", str(page)]) == 0
    html = page.read_text(encoding="utf-8")
    assert '<section id="heights">' in html
    verdict = height_words.verdict(heights(summarise(load(folder))))
    assert verdict.split(":")[0].replace(" mm", "\u00a0mm") in html


def test_a_run_at_one_height_is_judged_without_curves(tmp_path, capsys):
    folder = synthetic_run.write_run(
        tmp_path / "run", plan=synthetic_run.plan(limits={"peak_ppfd_umol_m2_s": 3000.0})
    )
    assert cli.main(["heights", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "the only height measured" in said
    assert said.endswith("No curves: they take two heights.")
    assert not (folder / "figures").exists()


def test_a_run_without_a_usable_map_ends_with_1_and_says_why(tmp_path, capsys):
    folder = synthetic_run.write_run(tmp_path / "run", plan=synthetic_run.plan(), skip={(2, 3)})
    assert cli.main(["heights", str(folder)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "no map of this run can be used" in said
    assert "80 of 81 points" in said


@pytest.mark.parametrize(
    ("out", "problem"), [("no/such/place.png", "is not there"), ("curves.pdf", "ends in .png")]
)
def test_a_picture_without_a_place_is_refused_before_anything_is_done(
    tmp_path, capsys, out, problem
):
    assert cli.main(["heights", str(tmp_path), "--out", str(tmp_path / out)]) == 2
    assert problem in capsys.readouterr().err
