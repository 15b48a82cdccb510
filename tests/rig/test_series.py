"""A-B-A: the plans of a series are run in its order, and a bench that fades is nobody's merit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from attrs import evolve

from analysis import run_folder
from analysis.comparison import MORE, compare
from analysis.ranking import rank
from analysis.summary import summarise
from rig import series
from rig.check_findings import Weight
from rig.demo.person import VirtualPerson
from rig.faults import RunStopped
from rig.toml_faults import ConfigError
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.rig.test_chain_against_truth import EXACT
from tests.rig.test_resume import BRIEF, STILL

ORDER = ["Meadow", "Copy", "Meadow"]
SERIES = {"name": "Copy against Meadow", "devices": ORDER}
RATED_UMOL_S = 1100.0


def planned(folder, device, **changes):
    return plan_of(
        folder,
        **BRIEF,
        device={"name": device, "specimen": f"{device}-1", "is_control": device == "Meadow"},
        series={**SERIES, **changes},
    )


def measured(folder, device, *, day, light):
    """Run one plan of the series: the reflector is the same each time, whatever it is called."""
    plan = planned(folder, device)
    scenario = {**STILL, "lamp": {**STILL["lamp"], "rated_flux_umol_s": light * RATED_UMOL_S}}
    profile, bench = bench_of(folder, scenario=scenario, errors=EXACT)
    bench.clock.step_utc(timedelta(days=day).total_seconds())
    return do_run(folder, plan, profile, bench, operator=VirtualPerson(bench, "Meadow"))


@pytest.fixture(scope="module")
def faded(tmp_path_factory):
    """Lab in which the lamp fades by 20 % from the first run of the series to the last."""
    folder = tmp_path_factory.mktemp("faded")
    paths = [
        measured(folder, device, day=day, light=1.0 - 0.1 * day) for day, device in enumerate(ORDER)
    ]
    return folder, [summarise(run_folder.load(path)) for path in paths]


def test_a_lamp_that_fades_is_credited_to_no_device(faded):
    _, (before, copy, after) = faded
    # Side by side the copy would seem worse, by what the lamp has lost.
    alone = compare(before, copy)
    assert alone.at_heights[0].words == MORE
    assert alone.at_heights[0].ratio == pytest.approx(1 / 0.9, rel=1e-3)
    found = rank([before, copy, after], mounting_height_mm=copy.maps[0].mounting_height_mm)
    row = next(row for row in found.rows if row.name == "Copy")
    assert row.words != MORE
    # Half-way on a straight line from 1.0 to 0.8 the lamp stands at 0.9, as it does for the copy.
    assert row.to_baseline == pytest.approx(1.0, rel=1e-3)
    (change,) = found.changes
    assert change.is_beyond
    assert not any("series" in remark for remark in found.remarks)


def test_without_its_last_run_a_series_is_said_to_show_nothing_of_the_bench(faded):
    _, (before, copy, after) = faded
    (said,) = (one for one in compare(before, copy).remarks if "series" in one)
    assert said == (
        "Of the series 'Copy against Meadow' (Meadow, Copy, Meadow), run 3 (Meadow) is not among "
        "those compared: what the bench did meanwhile is not known, and not in the ± figures."
    )
    (said,) = (one for one in rank([before, after]).remarks if "series" in one)
    assert "run 2 (Copy) is not among those compared" in said


def test_another_order_than_planned_is_said(faded):
    _, (before, copy, after) = faded
    early = evolve(copy, events=tuple({**e, "utc": "2020-01-01T00:00:00.000Z"}
                                      for e in copy.events))  # fmt: skip
    remarks = rank([before, early, after]).remarks
    assert any("in another order (Copy, Meadow, Meadow) than planned" in one for one in remarks)


def test_a_series_that_is_done_is_not_gone_on_with(faded):
    folder, _ = faded
    (why,) = series.refusals(planned(folder, "Meadow"), folder / "lab")
    assert "is done; to measure it again give it another name" in why
    assert series.refusals(planned(folder, "Meadow", name="Again"), folder / "lab") == []


def done(lab, plan, *, ended=True):
    """Put a run of a plan into a lab: as much of it as tells what was run, and to which end."""
    folder = lab / "runs" / f"run-{len(list((lab / 'runs').glob('*')))}"
    folder.mkdir(parents=True)
    (folder / run_folder.PLAN).write_bytes(plan.text)
    row = run_folder.EventRow(
        elapsed_s=1.0,
        utc=datetime(2026, 1, 5, tzinfo=UTC),
        event="run-ended" if ended else "stopped",
        subject="",
        detail="complete",
    )
    (folder / run_folder.EVENTS).write_bytes(
        run_folder.header(run_folder.EVENT_COLUMNS) + run_folder.encode_event(row)
    )
    return folder


def test_each_run_is_due_only_after_those_before_it_have_come_to_their_end(tmp_path):
    lab = tmp_path / "lab"
    meadow, copy = planned(tmp_path, "Meadow"), planned(tmp_path, "Copy")
    assert series.refusals(meadow, lab) == []
    (why,) = series.refusals(copy, lab)
    assert "run 1 is due, Meadow, and the plan is for Copy" in why
    stopped = done(lab, meadow, ended=False)
    assert series.refusals(meadow, lab) == []
    assert series.refusals(copy, lab) != []
    first = done(lab, meadow)
    assert series.refusals(copy, lab) == []
    (why,) = series.refusals(meadow, lab)
    assert "run 2 is due, Copy" in why
    # The run that was stopped is not due any more; the one that ended may still be closed.
    assert series.refusals(meadow, lab, stopped) != []
    assert series.refusals(meadow, lab, first) == []


def test_another_specimen_or_another_list_of_devices_is_refused(tmp_path):
    lab = tmp_path / "lab"
    done(lab, planned(tmp_path, "Meadow"))
    (why,) = series.refusals(planned(tmp_path, "Copy", devices=[*ORDER, "Copy", "Meadow"]), lab)
    assert "is done by a plan that has others" in why
    done(lab, planned(tmp_path, "Copy"))
    again = planned(tmp_path, "Meadow")
    other = evolve(again, device=evolve(again.device, specimen="Meadow-2"))
    (why,) = series.refusals(other, lab)
    assert "device.specimen is 'Meadow-2', and Meadow was run as 'Meadow-1'" in why


def test_a_run_that_is_not_due_is_refused_before_anything_is_written(tmp_path):
    profile, bench = bench_of(tmp_path)
    with pytest.raises(RunStopped, match="measurement refused: of the series 'Copy against"):
        do_run(tmp_path, planned(tmp_path, "Copy"), profile, bench)
    assert not (tmp_path / "lab").exists()


def test_a_check_says_which_run_it_is(tmp_path):
    lab = tmp_path / "lab"
    (found,) = series.standing(planned(tmp_path, "Meadow"), lab)
    assert found.weight is Weight.REMARK
    assert found.problem.startswith("this is run 1 of 3 of the series 'Copy against Meadow'")
    (found,) = series.standing(planned(tmp_path, "Copy"), lab)
    assert found.weight is Weight.CONFIGURATION
    assert not list(series.standing(None, lab))


@pytest.mark.parametrize(
    ("devices", "specimen", "words"),
    [
        (["Meadow", "Copy"], "M-1", "give 3 or more, the last the same as the first"),
        (["Meadow", "Copy", "Orchard"], "M-1", "the last the same as the first"),
        (["Meadow", "Meadow", "Copy", "Meadow"], "M-1", "one device twice in a row"),
        (["Orchard", "Copy", "Orchard"], "M-1", "without the device of this plan"),
        (ORDER, "", "device.specimen is missing, and the plan is of a series"),
        (["Meadow", "", "Meadow"], "M-1", "give text"),
    ],
)
def test_what_is_no_series_is_a_fault_of_the_plan(devices, specimen, words, tmp_path):
    with pytest.raises(ConfigError, match=words):
        plan_of(
            tmp_path,
            device={"name": "Meadow", "specimen": specimen},
            series={"name": "S", "devices": devices},
        )
