"""A run that was killed and resumed gives the map of one that never was.

Killed means here: at the k-th row nothing works any more, neither the disk nor any tidying up,
as after SIGKILL. The lamp, the stage and the clock of the virtual bench live on.
"""

from __future__ import annotations

import json
import math
from functools import cache

import numpy as np
import pytest
import tomli_w
from attrs import evolve

import rig.run
from analysis import lab_records, run_folder
from analysis.summary import summarise
from drivers.simulated.attach import attach, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.lamp_relay import CoilRelay
from drivers.simulated.scenario import packaged
from rig import cli
from rig.build import Bench, assemble
from rig.demo.person import NoStop, VirtualPerson
from rig.faults import RunStopped
from rig.progress import QuietProgress
from rig.recorder import Recorder, RecorderError
from rig.resume import read_interrupted, resume
from tests.rig.bench_run import bench_of, do_resume, do_run, plan_of
from tests.rig.test_chain_against_truth import EXACT

#: Nothing drifts and nothing errs: whatever differs then comes from the interruption.
STILL = {
    "lamp": {
        "creep_light_percent": 0.0,
        "creep_power_percent": 0.0,
        "wander_light_percent": 0.0,
        "wander_power_percent": 0.0,
        "strike_light": 1.0,
        "strike_power": 1.0,
    },
    "mains": {
        "mean_v": 230.0,
        "slow_percent": 0.0,
        "fast_percent": 0.0,
        "ramp_percent_per_hour": 0.0,
    },
    "gantry": {"repeatable_error_mm": 0.0, "random_error_mm": 0.0, "scale_error_percent": 0.0},
    "installation": {"position_sd_mm": 0.0, "height_sd_mm": 0.0, "flux_sd_percent": 0.0},
    "ambient_wander_percent": 0.0,
}
BRIEF = {
    "grid": {"rows": 3, "columns": 3},
    "warm_up": {
        "block_s": 10.0,
        "window_s": 30.0,
        "limit_percent": 5.0,
        "minimum_on_s": 60.0,
        "maximum_s": 1200.0,
    },
    "sampling": {"samples_per_point": 2, "quick_look": True, "reference_every": 4},
}


class Killed(BaseException):
    """Nothing after it works."""


class Mortal:
    """Counts rows, and dies at one of them."""

    def __init__(self, monkeypatch, at_row):
        self.rows, self.at_row = 0, at_row
        append = Recorder._append

        def counted(recorder, log, line, elapsed_s):
            self.rows += 1
            if self.rows >= self.at_row:
                raise Killed
            append(recorder, log, line, elapsed_s)

        monkeypatch.setattr(Recorder, "_append", counted)
        monkeypatch.setattr(Recorder, "acknowledge", self._unless_dead(Recorder.acknowledge))
        monkeypatch.setattr(Recorder, "close", self._unless_dead(Recorder.close))
        monkeypatch.setattr(rig.run, "_make_safe", self._unless_dead(rig.run._make_safe))
        monkeypatch.setattr(rig.run, "note_burning", self._unless_dead(rig.run.note_burning))

    def _unless_dead(self, work):
        def mortal(*args, **named):
            if self.rows >= self.at_row:
                raise Killed
            return work(*args, **named)

        return mortal


@cache
def usual_of_demo():
    """Return the demo's instruments; making its bench takes a while."""
    return usual_instruments(VirtualBench.from_scenario(packaged("demo")))


def still_bench(folder, **fitted):
    """Build the still bench, with other instruments fitted, or none."""
    scenario = {**STILL, "gantry": {**STILL["gantry"], "travel_z_mm": None}}
    plain = usual_of_demo()
    instruments = evolve(plain, stage=evolve(plain.stage, travel_z_mm=None), **fitted)
    return bench_of(folder, scenario=scenario, errors=EXACT, instruments=instruments)


def killed_at(folder, plan, profile, bench, row, monkeypatch):
    """Run until a row and die there; return the run folder, or None where it came to its end."""
    with monkeypatch.context() as patched:
        mortal = Mortal(patched, row)
        try:
            do_run(folder, plan, profile, bench)
        except Killed:
            pass
        else:
            return None, mortal.rows
    (path,) = (folder / "lab" / "runs").iterdir()
    return path, mortal.rows


def opened_again(profile, bench):
    """Connect to the same bench as a new process would: new ports, new drivers."""
    fitted = bench.instruments
    instruments = evolve(
        usual_instruments(bench.virtual),
        lamp_relay=None if fitted.lamp_relay is None else CoilRelay(),
    )
    if fitted.monitor_sensor is None:
        instruments = evolve(instruments, monitor_sensor=None)
    lines = attach(bench.virtual, bench.clock, instruments)
    return Bench(
        clock=bench.clock,
        instruments=assemble(profile, bench.clock, lines),
        virtual=bench.virtual,
    )


def resumed(path, profile_path, bench, *, operator=None):
    do_resume(
        path, profile_path, lambda profile, plan: opened_again(profile, bench), operator=operator
    )
    run = run_folder.load(path)
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"]
    assert run.events.event.iloc[-1] == "run-ended"
    assert (run.readings.elapsed_s.diff().dropna() >= 0.0).all()
    return run


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The maps of a run that was never killed, and how many rows it has."""
    folder = tmp_path_factory.mktemp("whole")
    plan = plan_of(folder, **BRIEF)
    profile, bench = still_bench(folder)
    run = run_folder.load(do_run(folder, plan, profile, bench))
    return summarise(run), len(run.readings) + len(run.events)


def same_map(one, other):
    assert one.is_complete
    np.testing.assert_allclose(one.ppfd, other.ppfd, rtol=1e-3)
    assert one.delivered_flux_umol_s == pytest.approx(other.delivered_flux_umol_s, rel=1e-3)
    assert one.plane_efficacy_umol_j == pytest.approx(other.plane_efficacy_umol_j, rel=1e-3)


SHARES = np.linspace(0.0, 0.999, 9)


@pytest.mark.parametrize("share", SHARES)
def test_a_run_killed_anywhere_and_resumed_gives_the_map_of_one_never_killed(
    whole, share, tmp_path, monkeypatch
):
    never, rows = whole
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, 1 + int(share * rows), monkeypatch)
    again = resumed(path, tmp_path / "rig.toml", bench)
    (one,) = summarise(again).maps
    same_map(one, never.maps[0])


def middle_of_map(whole):
    """Return the number of a row in the middle of the map, reference readings on both sides."""
    return int(0.85 * whole[1])


def events_named(run, *names):
    return run.events[run.events.event.isin(names)]


def test_only_missing_points_are_read_and_none_is_lost(whole, tmp_path, monkeypatch):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    before = (path / "readings.csv").read_bytes()
    again = resumed(path, tmp_path / "rig.toml", bench)
    assert (path / "readings.csv").read_bytes().startswith(before)
    light = again.readings[
        (again.readings.role == "grid") & (again.readings.instrument == "light_sensor")
    ]
    sets = light.groupby(["grid_row", "grid_column"]).size()
    assert len(sets) == 9
    # Only the point at which it was killed may hold samples of two visits.
    assert (sets > 2).sum() <= 1
    assert list(again.events.event).count("map-begun") == 1
    assert list(again.events.event).count("map-resumed") == 1
    assert list(again.events.event).count("homed") == 2


def test_the_reference_is_held_against_its_last_reading_before_a_point_is_read(
    whole, tmp_path, monkeypatch
):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    again = resumed(path, tmp_path / "rig.toml", bench)
    (agrees,) = events_named(again, "reference-agrees").itertuples()
    assert "allowed 1 %" in agrees.detail
    after = again.readings[
        (again.readings.role == "grid")
        & (again.readings.elapsed_s > events_named(again, "map-resumed").elapsed_s.iloc[0])
    ]
    assert agrees.elapsed_s < after.elapsed_s.min()


def test_a_reference_that_reads_otherwise_is_said_and_the_stretches_are_joined_by_it(
    whole, tmp_path, monkeypatch
):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path, monitor_sensor=None)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole) - 130, monkeypatch)
    # A monitor sensor would tell that it was not the light.
    bench.virtual._sensors["light_sensor"].errors = evolve(
        bench.virtual._sensors["light_sensor"].errors, calibration_percent=4.0
    )
    again = resumed(path, tmp_path / "rig.toml", bench)
    (unlike,) = events_named(again, "reference-unlike").itertuples()
    assert "allowed 1 %" in unlike.detail
    shift = float(unlike.detail.split(": ")[1].split(" %")[0])
    assert shift == pytest.approx(4.0, abs=0.1)
    (one,) = summarise(again).maps
    # The shape is that of one light; its level lies between the two.
    ratio = one.ppfd / whole[0].maps[0].ppfd
    assert np.ptp(ratio) < 0.004
    assert 1.0 < ratio.mean() < 1.04
    assert not one.drift.accepted


class Watcher(VirtualPerson):
    """Remembers what it was asked, and answers otherwise where told."""

    def __init__(self, bench, device, **answers):
        super().__init__(bench, device)
        self.asked, self._answers = [], answers

    def ask(self, prompt):
        self.asked.append(prompt.kind)
        super().ask(prompt)

    def answer(self):
        usual = super().answer()
        return usual and self._answers.get(self.asked[-1].replace("-", "_"), usual)


def test_a_lamp_that_burned_on_keeps_its_time_on_and_is_judged_anew(whole, tmp_path, monkeypatch):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    person = Watcher(bench, plan.device.name)
    again = resumed(path, tmp_path / "rig.toml", bench, operator=person)
    assert "lamp-burned" in person.asked
    assert "lamp-on" not in person.asked
    assert len(events_named(again, "lamp-lit")) == 1
    warmed = events_named(again, "warm-up-begun", "lamp-stable").elapsed_s.to_numpy()
    # By the rule: three blocks of ten seconds, no minimum time on.
    assert warmed[3] - warmed[2] == pytest.approx(30.0, abs=5.0)


def test_in_doubt_about_the_lamp_its_time_on_counts_anew(whole, tmp_path, monkeypatch):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    person = Watcher(bench, plan.device.name, lamp_burned="no")
    again = resumed(path, tmp_path / "rig.toml", bench, operator=person)
    warmed = events_named(again, "warm-up-begun", "lamp-stable").elapsed_s.to_numpy()
    assert warmed[3] - warmed[2] >= plan.warm_up.minimum_on_s
    assert len(events_named(again, "lamp-lit")) == 2


def test_a_lamp_that_went_off_is_lit_and_warmed_up_anew(whole, tmp_path, monkeypatch):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    bench.virtual.switch_lamp(False, bench.clock.elapsed_s())
    bench.clock.wait_until(bench.clock.elapsed_s() + 1800.0)
    person = Watcher(bench, plan.device.name)
    again = resumed(path, tmp_path / "rig.toml", bench, operator=person)
    assert "lamp-on" in person.asked
    assert len(events_named(again, "lamp-lit")) == 2
    assert "30 min after the last row" in events_named(again, "run-resumed").detail.iloc[0]
    (one,) = summarise(again).maps
    same_map(one, whole[0].maps[0])


def test_a_run_lit_by_relay_is_resumed_with_the_relay_opened_first(whole, tmp_path, monkeypatch):
    armed = {"switching": "relay", "armed": True, "minimum_off_s": 60.0}
    plan = plan_of(tmp_path, **BRIEF, lamp=armed)
    profile, bench = still_bench(tmp_path, lamp_relay=CoilRelay())
    monkeypatch.setattr("rig.lamp_records.why_not_proved", lambda *_: "")
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    again = resumed(path, tmp_path / "rig.toml", bench)
    switched = events_named(again, "relay-closed", "relay-opened", "run-resumed")
    assert list(switched.event)[:4] == [
        "relay-closed",
        "run-resumed",
        "relay-opened",
        "relay-closed",
    ]
    opened, closed = switched.elapsed_s.to_numpy()[2:4]
    assert closed - opened >= plan.lamp.minimum_off_s


TWO_BY_HAND = {
    "heights": {"mounting_height_mm": [400.0, 500.0]},
    "lamp": {"minimum_off_s": 120.0},
}


@pytest.fixture(scope="module")
def two_whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("two")
    run = run_folder.load(
        do_run(folder, plan_of(folder, **BRIEF, **TWO_BY_HAND), *still_bench(folder))
    )
    return summarise(run), np.sort([*run.readings.elapsed_s, *run.events.elapsed_s])


def cooled_s(run):
    """Time from the lamp going off to the next that hands are asked to the device. [s]"""
    found, off_s = [], math.nan
    for event in run.events.to_dict("records"):
        if event["event"] == "lamp-lit":
            off_s = math.nan
        elif event["event"] == "lamp-off":
            off_s = event["elapsed_s"]
        elif event["event"] == "prompt" and "Take down" in event["detail"]:
            found.append(event["elapsed_s"] - off_s)
    return found


@pytest.mark.parametrize("into_s", [1.0, 60.0, 119.0])
def test_a_lamp_that_cooled_when_the_run_died_cools_on_before_hands_go_to_it(
    into_s, two_whole, tmp_path, monkeypatch
):
    never, rows_s = two_whole
    (off_s,) = {float(one["elapsed_s"]) for one in never.events
                if one["event"] == "lamp-off"}  # fmt: skip
    plan = plan_of(tmp_path, **BRIEF, **TWO_BY_HAND)
    profile, bench = still_bench(tmp_path)
    row = int((rows_s <= off_s + into_s).sum())
    path, _ = killed_at(tmp_path, plan, profile, bench, row, monkeypatch)
    assert not cooled_s(run_folder.load(path))
    (waited_s,) = cooled_s(resumed(path, tmp_path / "rig.toml", bench))
    assert waited_s >= 120.0


@pytest.mark.parametrize("share", [0.3, 0.5, 0.55, 0.6, 0.8])
def test_two_heights_by_hand_are_resumed_under_the_same_hangings(
    share, two_whole, tmp_path, monkeypatch
):
    never, rows_s = two_whole
    plan = plan_of(tmp_path, **BRIEF, **TWO_BY_HAND)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, int(share * len(rows_s)), monkeypatch)
    maps = summarise(resumed(path, tmp_path / "rig.toml", bench)).maps
    for one, other in zip(maps, never.maps, strict=True):
        assert (one.installation, one.mounting_height_mm) == (
            other.installation,
            other.mounting_height_mm,
        )
        same_map(one, other)


def test_a_run_resumed_again_and_again_comes_to_its_end(whole, tmp_path, monkeypatch):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    for _ in range(4):
        with monkeypatch.context() as patched:
            Mortal(patched, 90)
            with pytest.raises(Killed):
                resumed(path, tmp_path / "rig.toml", bench)
    (one,) = summarise(resumed(path, tmp_path / "rig.toml", bench)).maps
    same_map(one, whole[0].maps[0])


def test_what_the_lamp_burned_is_on_the_record_once(whole, tmp_path, monkeypatch):
    plan = plan_of(tmp_path, **BRIEF, lamp={"sample": "L-07"})
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, middle_of_map(whole), monkeypatch)
    run = resumed(path, tmp_path / "rig.toml", bench)
    lit_s = float(events_named(run, "lamp-lit").elapsed_s.iloc[0])
    burned = [
        entry
        for entry in lab_records.read_lamps(tmp_path / "lab").entries
        if entry.event == "burned"
    ]
    assert sum(entry.starts_added for entry in burned) == 1
    hours = sum(entry.hours_added for entry in burned)
    # The program did not look while a person answered three questions, 20 s each.
    assert hours == pytest.approx((run.events.elapsed_s.iloc[-1] - lit_s) / 3600.0, abs=0.03)


# Refusals


def interrupted(tmp_path, monkeypatch, row=300):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path, _ = killed_at(tmp_path, plan, profile, bench, row, monkeypatch)
    return path, bench


def test_a_finished_run_is_not_resumed(tmp_path):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    path = do_run(tmp_path, plan, profile, bench)
    before = (path / "events.csv").read_bytes()
    with pytest.raises(RunStopped, match="is finished; nothing of it is missing"):
        read_interrupted(path, tmp_path / "rig.toml")
    assert (path / "events.csv").read_bytes() == before


def test_a_run_killed_before_its_folder_was_closed_is_closed_and_nothing_is_measured(
    tmp_path, monkeypatch
):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    with monkeypatch.context() as patched:
        patched.setattr(Recorder, "close", lambda recorder: (_ for _ in ()).throw(Killed))
        with pytest.raises(Killed):
            do_run(tmp_path, plan, profile, bench)
    (path,) = (tmp_path / "lab" / "runs").iterdir()
    before = (path / "readings.csv").read_bytes()
    resumed(path, tmp_path / "rig.toml", bench)
    assert (path / "readings.csv").read_bytes() == before


def test_a_folder_that_is_no_run_is_named(tmp_path):
    with pytest.raises(run_folder.RunFolderError, match="not a run folder"):
        read_interrupted(tmp_path, tmp_path / "rig.toml")


@pytest.mark.parametrize("name", ["plan.toml", "rig.toml"])
def test_a_copy_that_was_edited_since_is_refused(name, tmp_path, monkeypatch):
    path, _ = interrupted(tmp_path, monkeypatch)
    with (path / name).open("a", encoding="utf-8") as file:
        file.write("# a remark\n")
    with pytest.raises(RunStopped, match=rf"{name}: was changed since the run was begun"):
        read_interrupted(path, tmp_path / "rig.toml")


def test_readings_edited_by_another_program_are_refused(tmp_path, monkeypatch):
    path, bench = interrupted(tmp_path, monkeypatch)
    text = (path / "readings.csv").read_text(encoding="utf-8")
    edited = text.replace(",", ";").replace("elapsed_s;", "elapsed_s,")
    (path / "readings.csv").write_text(edited, encoding="utf-8")
    with pytest.raises((RecorderError, run_folder.RunFolderError), match=r"edited|header"):
        resumed(path, tmp_path / "rig.toml", bench)
    assert (path / "readings.csv").read_text(encoding="utf-8") == edited


def test_another_profile_is_refused_by_the_key_that_differs_and_another_port_is_not(
    tmp_path, monkeypatch
):
    path, _ = interrupted(tmp_path, monkeypatch)
    profile_path = tmp_path / "rig.toml"
    text = profile_path.read_text(encoding="utf-8")
    changed = text.replace('address = "0"', 'address = "1"', 1)
    profile_path.write_text(changed, encoding="utf-8")
    with pytest.raises(RunStopped, match=r"not as when the run was begun: light_sensor\.address;"):
        read_interrupted(path, profile_path)
    content = run_folder.load(path).rig
    del content["bench"]
    for name, section in content.items():
        if isinstance(section, dict) and "port" in section:
            section["port"] = f"/dev/serial/by-id/{name}"
    profile_path.write_text(tomli_w.dumps(content), encoding="utf-8")
    with pytest.raises(RunStopped, match=r"begun: bench; only ports"):
        read_interrupted(path, profile_path)


def test_another_instrument_on_the_same_port_is_refused(tmp_path, monkeypatch):
    path, bench = interrupted(tmp_path, monkeypatch)
    plan, profile, lab = read_interrupted(path, tmp_path / "rig.toml")
    plain = usual_instruments(bench.virtual)
    other = evolve(plain, light_sensor=evolve(plain.light_sensor, serial="SN-OTHER"))
    lines = attach(bench.virtual, bench.clock, other)
    again = evolve(bench, instruments=assemble(profile, bench.clock, lines))
    with pytest.raises(RunStopped, match=r"light_sensor: .* answers, and the run was begun with"):
        resume(
            path,
            plan,
            profile,
            lab,
            bench=again,
            operator=VirtualPerson(again, plan.device.name),
            stop=NoStop(),
            progress=QuietProgress(),
        )


def test_a_folder_that_another_program_records_into_is_left_alone(tmp_path, monkeypatch):
    path, bench = interrupted(tmp_path, monkeypatch)
    with (
        Recorder.reopen(path, utc=bench.clock.utc()),
        pytest.raises(RecorderError, match="another program is recording into this folder"),
    ):
        resumed(path, tmp_path / "rig.toml", bench)


def test_a_run_stopped_as_a_hazard_goes_on_only_after_a_word_that_it_is_mended(whole, tmp_path):
    plan = plan_of(tmp_path, **BRIEF)
    profile, bench = still_bench(tmp_path)
    (begun_s,) = (e["elapsed_s"] for e in whole[0].events if e["event"] == "map-begun")
    at_s = begun_s + 20.0
    bench.clock.call_at(at_s, lambda: bench.virtual.switch_lamp(False, at_s))
    with pytest.raises(RunStopped, match="hazard: wall power fell") as stopped:
        do_run(tmp_path, plan, profile, bench)
    person = Watcher(bench, plan.device.name)
    run = resumed(stopped.value.folder, tmp_path / "rig.toml", bench, operator=person)
    assert person.asked[:2] == ["cautions", "hazard"]
    assert json.loads((stopped.value.folder / "datapackage.json").read_text())["evenfall"][
        "is_closed"
    ]
    assert "lamp-on" in person.asked
    assert run.events.event.iloc[-1] == "run-ended"


def test_the_command_goes_on_to_the_report_and_then_refuses(whole, tmp_path, monkeypatch, capsys):
    path, _ = interrupted(tmp_path, monkeypatch, middle_of_map(whole))
    monkeypatch.chdir(tmp_path)
    assert cli.main(["resume", str(path)]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert (path / "report.html").is_file()
    assert "The run was interrupted once and gone on with." in " ".join(told.out.split())
    assert cli.main(["resume", str(path)]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("evenfall: run stopped: measurement refused:")
    assert "is finished" in line
