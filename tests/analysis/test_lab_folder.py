"""The lab folder: only added to, readable by anybody, and sound after a torn write."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import durable, lab_folder, lab_records
from analysis.lab_records import InstrumentEntry, LabFolderError, LampEntry

UTC_1800 = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)


@pytest.fixture
def lab(tmp_path):
    lab_folder.create(tmp_path / "lab", name='The "light" lab')
    return tmp_path / "lab"


def add(lab, **facts):
    lab_records.add_lamp(lab, LampEntry(**{"utc": UTC_1800, "lamp": "L-07", **facts}))


# -- the folder --------------------------------------------------------------------------------


def test_a_new_lab_folder_holds_its_name_and_empty_records(lab):
    assert lab_folder.check(lab) == 'The "light" lab'
    assert sorted(path.name for path in lab.iterdir()) == [
        "instruments.csv",
        "lab.toml",
        "lamps.csv",
        "runs",
    ]
    assert lab_records.read_lamps(lab).entries == ()


def test_a_lab_folder_is_never_made_over_something_else(lab, tmp_path):
    with pytest.raises(LabFolderError, match="is a lab folder already; it is never overwritten"):
        lab_folder.create(lab, name="again")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").touch()
    with pytest.raises(LabFolderError, match="exists and is not empty"):
        lab_folder.create(tmp_path / "photos", name="again")


def test_a_folder_without_a_lab_in_it_is_refused(tmp_path):
    (tmp_path / "x").touch()
    with pytest.raises(LabFolderError, match=r"not a lab folder \(lab\.toml is not there\)"):
        lab_folder.new_run_folder(tmp_path, UTC_1800, "A")


def test_a_newer_lab_folder_is_refused_with_both_numbers(lab):
    (lab / "lab.toml").write_text('format = 9\nname = "L"\n')
    with pytest.raises(LabFolderError) as caught:
        lab_folder.check(lab)
    assert str(caught.value) == (
        f"{lab / 'lab.toml'}: lab-folder format 9, this version reads up to 1. "
        "Use a newer Evenfall."
    )


def test_all_faults_of_a_lab_folder_are_listed_at_once(lab):
    (lab / "lab.toml").write_text('format = true\nname = ""\n')
    (lab / "lamps.csv").write_text("when,lamp\n")
    (lab / "instruments.csv").unlink()
    (lab / "runs").rmdir()
    with pytest.raises(LabFolderError) as caught:
        lab_folder.check(lab)
    assert str(caught.value) == (
        f"{lab}: format is True; give format = 1; name is ''; give text, e.g. name = "
        '"Light lab"; instruments.csv cannot be read; restore it from a copy; lamps.csv begins '
        "with 'when,lamp', expected 'utc,lamp,event,hours_added,starts_added,hours_total,"
        "starts_total,entered_by,detail'; the folder runs is not there; make it, or restore it "
        "from a copy."
    )


def test_run_folders_are_named_by_moment_and_device_and_never_twice(lab):
    first = lab_folder.new_run_folder(lab, UTC_1800, "Reflector A")
    assert first == lab / "runs" / "2026-01-05T1800Z-reflector-a"
    assert not first.exists()
    first.mkdir()
    second = lab_folder.new_run_folder(lab, UTC_1800, "Reflector A")
    assert second.name == "2026-01-05T1800Z-reflector-a-2"
    second.mkdir()
    assert lab_folder.new_run_folder(lab, UTC_1800, "Reflector A").name.endswith("-a-3")


def test_a_run_folder_is_named_in_utc_whatever_the_zone(lab):
    from datetime import timedelta, timezone

    local = UTC_1800.astimezone(timezone(timedelta(hours=-7)))
    assert lab_folder.new_run_folder(lab, local, "A").name == "2026-01-05T1800Z-a"


def test_a_lab_folder_is_made_where_there_is_none(tmp_path):
    lab_folder.new_run_folder(tmp_path / "deep" / "lab", UTC_1800, "A")
    assert lab_folder.check(tmp_path / "deep" / "lab") == "lab"


def test_a_place_where_no_lab_folder_can_be_made_is_told_in_one_line(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(LabFolderError) as caught:
        lab_folder.new_run_folder(tmp_path / "file" / "lab", UTC_1800, "A")
    assert str(caught.value) == (
        f"{tmp_path / 'file' / 'lab'}: the lab folder cannot be made: Not a directory. "
        "Give another place."
    )


@pytest.mark.parametrize(
    ("name", "slug"),
    [
        ("Reflector A", "reflector-a"),
        ("Größe 2/3", "groe-2-3"),
        ("../../etc", "etc"),
        ("日本", "run"),
        ("CON.", "con"),
        ("x" * 90, "x" * 40),
    ],
)
def test_names_become_safe_names_of_folders(name, slug):
    assert lab_folder.slug(name) == slug


# -- the records -------------------------------------------------------------------------------


def test_hours_are_the_last_total_and_what_was_added_after_it(lab):
    add(lab, event="burned", hours_added=5.0, starts_added=2)
    add(lab, event="counted", hours_total=100.0, starts_total=40)
    add(lab, event="burned", hours_added=2.5, starts_added=1)
    add(lab, event="burned", hours_added=0.25, starts_added=1)
    add(lab, lamp="L-08", event="burned", hours_added=9.0)
    add(lab, event="note", detail="cleaned")
    record = lab_records.read_lamps(lab)
    age = lab_records.lamp_age(record, "L-07")
    assert (age.hours, age.starts, age.is_total_known) == (102.75, 42, True)
    other = lab_records.lamp_age(record, "L-08")
    assert (other.hours, other.starts, other.is_total_known) == (9.0, None, False)
    nobody = lab_records.lamp_age(record, "L-99")
    assert (nobody.hours, nobody.starts) == (None, None)


def test_an_entry_is_read_back_as_it_was_added(lab):
    entry = InstrumentEntry(
        utc=UTC_1800,
        instrument="S-03",
        event="calibrated",
        calibrated_on=date(2025, 6, 1),
        calibration_due=date(2027, 6, 1),
        certificate='No. 12, "copy"',
        entered_by="bench team",
        detail="factor\nnew",
    )
    lab_records.add_instrument(lab, entry)
    (read,) = lab_records.read_instruments(lab).entries
    assert read.certificate == 'No. 12, "copy"'
    assert read.detail == "factor / new"  # one line is one entry
    assert (read.utc, read.calibrated_on) == (UTC_1800, date(2025, 6, 1))


@pytest.mark.parametrize(
    ("facts", "problem"),
    [
        (
            {"event": "lighted"},
            "event is 'lighted'; give one of acquired, lit, off, burned, counted",
        ),
        ({"event": "burned", "hours_added": -1.0}, "hours_added is -1.0; give a number from 0"),
        ({"event": "burned", "hours_added": float("nan")}, "hours_added is nan; give a number"),
        ({"event": "burned"}, "hours_added and starts_added are missing"),
        ({"event": "counted", "hours_added": 1.0}, "hours_total and starts_total are missing"),
        (
            {"event": "counted", "hours_added": 1.0, "hours_total": 1.0},
            "hours_added and hours_total are both given; give one of them",
        ),
        ({"event": "note", "lamp": " "}, "lamp is empty; give its label"),
        ({"event": "note", "utc": datetime(2026, 1, 5)}, "utc is 2026-01-05T00:00:00; give a time"),
    ],
)
def test_an_unsound_entry_is_refused_and_the_file_untouched(lab, facts, problem):
    before = (lab / "lamps.csv").read_bytes()
    with pytest.raises(LabFolderError) as caught:
        add(lab, **facts)
    assert str(caught.value).startswith(f"not added to lamps.csv: {problem}")
    assert (lab / "lamps.csv").read_bytes() == before


def test_a_calibration_needs_its_day_and_ends_after_it(lab):
    with pytest.raises(LabFolderError, match="calibrated_on is missing"):
        lab_records.add_instrument(
            lab, InstrumentEntry(utc=UTC_1800, instrument="S-03", event="calibrated")
        )
    with pytest.raises(LabFolderError, match="calibration_due is 2024-01-01, before the calib"):
        lab_records.add_instrument(
            lab,
            InstrumentEntry(
                utc=UTC_1800,
                instrument="S-03",
                event="calibrated",
                calibrated_on=date(2025, 1, 1),
                calibration_due=date(2024, 1, 1),
            ),
        )


def test_a_line_written_by_hand_counts_and_a_bad_one_is_named(lab):
    with (lab / "lamps.csv").open("a") as file:
        file.write("2026-01-02,L-07,counted,,,130,12,me,by hand\n")
        file.write("yesterday,L-07,burned,1,,,,,\n")
        file.write("2026-01-03,L-07,burned,one,,,,,\n")
        file.write("2026-01-04,L-07\n")
        file.write("2026-01-05T10:00,L-07,burned,1,,,,,\n")
    record = lab_records.read_lamps(lab)
    assert [entry.hours_total for entry in record.entries] == [130.0]
    assert record.entries[0].utc == datetime(2026, 1, 2, tzinfo=UTC)
    assert record.problems == (
        "lamps.csv line 3: utc is 'yesterday'; give a day or a moment, e.g. 2026-01-05 or "
        "2026-01-05T18:00:00Z",
        "lamps.csv line 4: hours_added is 'one'; give a number of hours, or nothing",
        "lamps.csv line 5: 2 cells, expected 9",
        "lamps.csv line 6: utc is 2026-01-05T10:00:00; give a time with its zone, e.g. ending in Z",
    )


@settings(deadline=None, derandomize=True, max_examples=60)
@given(cut=st.integers(1, 60))
def test_after_a_torn_line_the_next_entry_is_whole(tmp_path_factory, cut):
    lab = tmp_path_factory.mktemp("torn") / "lab"
    lab_folder.create(lab, name="L")
    add(lab, event="counted", hours_total=100.0)
    whole = (lab / "lamps.csv").read_bytes()
    add(lab, event="burned", hours_added=1.0, detail="x" * 40)
    torn = (lab / "lamps.csv").read_bytes()[:-cut]
    assert torn.startswith(whole)
    (lab / "lamps.csv").write_bytes(torn)
    add(lab, event="burned", hours_added=2.0)
    data = (lab / "lamps.csv").read_bytes()
    assert data.startswith(torn)  # nothing that stood there is changed
    hours = [entry.hours_added for entry in lab_records.read_lamps(lab).entries]
    assert hours[0] is None
    assert hours[-1] == 2.0


def test_a_line_is_on_the_disk_when_the_call_returns(lab, monkeypatch):
    synced = []
    real = durable.os.fsync
    monkeypatch.setattr(durable.os, "fsync", lambda handle: (synced.append(handle), real(handle)))
    add(lab, event="burned", hours_added=1.0)
    assert len(synced) == 1


def test_the_lines_about_a_run_are_copied_as_they_stand(lab):
    add(lab, event="counted", hours_total=130.0)
    add(lab, lamp="L-08", event="counted", hours_total=1.0)
    lab_records.add_instrument(
        lab, InstrumentEntry(utc=UTC_1800, instrument="S-03", event="acquired")
    )
    copies = lab_records.copies_for_run(lab, instruments=["S-04"], lamps=["L-07"])
    assert copies["instruments.csv"].decode().splitlines() == [
        "utc,instrument,event,calibrated_on,calibration_due,certificate,entered_by,detail"
    ]
    assert copies["lamps.csv"].decode().splitlines()[1:] == [
        "2026-01-05T18:00:00Z,L-07,counted,,,130.0,,,"
    ]


# -- the index ---------------------------------------------------------------------------------


def make_run(lab, name, *, is_closed=True, heights=(400.0, 500.0)):
    folder = lab / "runs" / name
    folder.mkdir()
    descriptor = {
        "created": "2026-01-05T18:00:00+00:00",
        "evenfall": {"format": 1, "is_closed": is_closed},
    }
    (folder / "datapackage.json").write_text(json.dumps(descriptor))
    (folder / "plan.toml").write_text(
        '[test]\nname = "T"\n[device]\nname = "A, new"\n[lamp]\nsample = "L-07"\n'
        f"[heights]\nmounting_height_mm = {list(heights)}\n"
    )
    return folder


def test_the_index_is_rebuilt_from_the_runs_alone(lab):
    make_run(lab, "2026-01-05T1800Z-a")
    make_run(lab, "2026-01-06T1800Z-a", is_closed=False)
    (lab / "runs" / "2026-01-07T1800Z-a").mkdir()
    broken = make_run(lab, "2026-01-08T1800Z-a")
    (broken / "plan.toml").write_text("[test\n")
    rows = lab_folder.rebuild_index(lab)
    assert [row["state"] for row in rows[:3]] == [
        "closed",
        "open",
        "cannot be read: datapackage.json is not there",
    ]
    assert rows[3]["state"].startswith("cannot be read: TOMLDecodeError: ")
    assert (lab / "index.csv").read_text().splitlines()[:2] == [
        "run,begun_utc,test,device,specimen,lamp,mounting_heights_mm,state",
        '2026-01-05T1800Z-a,2026-01-05T18:00:00+00:00,T,"A, new",,L-07,400 500,closed',
    ]
    before = (lab / "index.csv").read_bytes()
    (lab / "index.csv").unlink()
    lab_folder.rebuild_index(lab)
    assert (lab / "index.csv").read_bytes() == before


def test_a_failed_index_leaves_the_old_one(lab, monkeypatch):
    make_run(lab, "2026-01-05T1800Z-a")
    lab_folder.rebuild_index(lab)
    before = (lab / "index.csv").read_bytes()
    make_run(lab, "2026-01-06T1800Z-a")

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(durable.os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        lab_folder.rebuild_index(lab)
    assert (lab / "index.csv").read_bytes() == before
