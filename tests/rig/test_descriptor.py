"""The descriptor against the Data Package standard and against the columns themselves."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import apscheduler
import frictionless
import matplotlib
import numpy
import pandas
import pymodbus
import pytest
import scipy

from analysis import quantities, run_folder
from drivers.clock import VirtualClock
from rig import descriptor
from rig.enter import Facts, enter
from rig.faults import RunStopped
from rig.recorder import Recorder
from tests.crash.promises import PLAN, RIG, event, reading
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.rig.hand.hand_run import Script, key, resume_by_hand, run_by_hand, typed


@pytest.fixture
def closed(tmp_path: Path) -> Path:
    folder = tmp_path / "Evening run 1"
    with Recorder.create(
        folder,
        descriptor={
            "title": "Reflector A",
            "created": "2026-01-05T18:00:00Z",
            "instruments": [{"name": "power_meter", "serial_number": "0417"}],
        },
        plan_text=PLAN,
        rig_text=RIG,
    ) as recorder:
        for number in range(1, 6):
            recorder.reading(reading(number))
            recorder.event(event(number))
        recorder.close()
    return folder


def test_a_run_folder_is_a_valid_data_package(closed: Path) -> None:
    """Source: the frictionless library, an implementation of the standard not our own.

    It checks the descriptor against the profile, every cell against type, unit of the schema
    and constraints, and the files against bytes and hash.
    """
    report = frictionless.validate(closed / "datapackage.json")
    assert report.flatten(["type", "message"]) == []
    assert report.stats["tasks"] == 4


def complaints(folder: Path) -> list[list[str]]:
    return frictionless.validate(folder / "datapackage.json").flatten(["title", "type", "note"])


def test_a_whole_run_is_a_valid_data_package(tmp_path: Path) -> None:
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    assert complaints(do_run(tmp_path, plan, profile, bench)) == []


def test_a_run_by_hand_that_was_gone_on_with_is_a_valid_data_package(tmp_path: Path) -> None:
    why = 'a "pot", full of soil, stands there'
    with pytest.raises(RunStopped) as caught:
        run_by_hand(tmp_path, Script(("0,1", key("s")), ("reason", typed(why)), ("1,1", key("x"))))
    folder = caught.value.folder
    assert folder is not None
    resume_by_hand(folder, tmp_path / "rig.toml")
    assert complaints(folder) == []
    found = run_folder.load(folder).events.set_index("event")
    assert found.loc["point-skipped", "detail"] == why


def test_an_entered_table_is_a_valid_data_package(tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_text("300;400,5\n100;-\n", encoding="utf-8")
    facts = Facts(
        device='Reflector "A", big', width_mm=1000.0, depth_mm=1000.0, mounting_height_mm=450.0
    )
    folder = enter(tmp_path / "sheet.csv", facts, lab=tmp_path / "lab", clock=VirtualClock())
    assert complaints(folder) == []


def test_the_library_finds_a_changed_value(closed: Path) -> None:
    data = (closed / "readings.csv").read_bytes()
    (closed / "readings.csv").write_bytes(data.replace(b",background,", b",backgroumd,"))
    report = frictionless.validate(closed / "datapackage.json")
    assert {kind for (kind,) in report.flatten(["type"])} == {"constraint-error", "hash-count"}


def test_hash_and_size_are_those_of_the_files(closed: Path) -> None:
    """Source: the `sha256sum` program of the system; bytes by `stat`."""
    found = json.loads((closed / "datapackage.json").read_text())
    names = [resource["path"] for resource in found["resources"]]
    assert names == ["events.csv", "plan.toml", "readings.csv", "rig.toml"]
    printed = subprocess.run(
        ["sha256sum", *names], cwd=closed, capture_output=True, text=True, check=True
    ).stdout.split()[::2]
    assert [resource["hash"] for resource in found["resources"]] == [
        f"sha256:{digest}" for digest in printed
    ]
    assert [resource["bytes"] for resource in found["resources"]] == [
        (closed / name).stat().st_size for name in names
    ]


def test_sha256_is_the_published_one() -> None:
    """Source: FIPS 180-2, appendix B.1, the one-block message "abc" (from memory)."""
    assert hashlib.sha256(b"abc").hexdigest() == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_every_column_of_both_files_is_described() -> None:
    columns = {*run_folder.READING_COLUMNS, *run_folder.EVENT_COLUMNS}
    assert set(descriptor.COLUMNS) == columns


def test_described_types_are_those_the_loader_gives(closed: Path) -> None:
    run = run_folder.load(closed)
    kinds = {"float64": "number", "Int64": "integer"}
    for column, dtype in run.readings.dtypes.items():
        described = descriptor.COLUMNS[str(column)]["type"]
        expected = kinds.get(str(dtype), "datetime" if column == "utc" else "string")
        assert described == expected, column


def test_a_column_with_a_unit_in_its_name_has_that_unit() -> None:
    for column, facts in descriptor.COLUMNS.items():
        for ending in ("s", "mm"):
            if column.endswith(f"_{ending}"):
                assert facts["unit"] == ending, column


def test_every_measured_quantity_is_explained_with_its_unit(closed: Path) -> None:
    found = run_folder.load(closed).descriptor["evenfall"]
    assert {name: facts["unit"] for name, facts in found["quantities"].items()} == {
        name: quantity.ucum for name, quantity in quantities.MEASURED.items()
    }


def test_versions_are_those_of_the_libraries_themselves() -> None:
    found = descriptor.versions()
    for library in (numpy, pandas, scipy, matplotlib, pymodbus, apscheduler):
        assert found[library.__name__] == library.__version__
    assert found["python"] == ".".join(map(str, sys.version_info[:3]))
    assert not {"pytest", "hypothesis"} & set(found)  # of the tests, not of the program


def test_facts_come_back_from_a_descriptor(closed: Path) -> None:
    found = run_folder.load(closed).descriptor
    assert descriptor.facts_of(found) == {
        "title": "Reflector A",
        "created": "2026-01-05T18:00:00Z",
        "instruments": [{"name": "power_meter", "serial_number": "0417"}],
    }


def test_derived_files_are_not_hashed(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with Recorder.create(folder, descriptor={}, plan_text=PLAN, rig_text=RIG) as recorder:
        (folder / "report.html").write_text("<p>")
        (folder / "summary.json").write_text("{}")
        recorder.close()
    found = run_folder.load(folder).descriptor
    names = [resource["path"] for resource in found["resources"]]
    assert names == ["events.csv", "plan.toml", "readings.csv", "rig.toml"]
