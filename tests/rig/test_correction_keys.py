"""Keys of corrections in plan and profile: all faults at once, and curves that a run keeps."""

from __future__ import annotations

import hashlib
import re
import shutil
import tomllib

import pytest
import tomli_w

from analysis import run_folder
from analysis.summary import summarise
from rig import schedule_commands
from rig.correction_checks import named_curves
from rig.plan import read_plan
from rig.profile import cross_check, read_profile
from rig.toml_faults import ConfigError
from tests.rig.bench_run import bench_of, do_run, plan_of

CURVE = "wavelength_nm,value\n" + "".join(f"{nm},{nm / 500}\n" for nm in range(400, 701, 5))


def faults_of(read, path):
    with pytest.raises(ConfigError) as caught:
        read(path)
    return [str(problem) for problem in caught.value.problems]


def profile_with(folder, **sections):
    """Write the profile of the demo's bench with these sections added."""
    bench_of(folder)
    content = tomllib.loads((folder / "rig.toml").read_text(encoding="utf-8"))
    content |= sections
    (folder / "rig.toml").write_text(tomli_w.dumps(content), encoding="utf-8")
    return folder / "rig.toml"


def test_all_faults_of_a_calibration_are_listed_at_once(tmp_path):
    path = profile_with(
        tmp_path,
        light_sensor_calibration={
            "factor": 9.0,
            "temperature_reference_c": 23.0,
            "cosine_angle_deg": [10.0, 45.0, 30.0],
            "cosine_response": [0.99, 0.97],
            "response": "not-there.csv",
            "spectral_factors": [
                {"lamp_kind": "metal halide", "factor": 1.03},
                {"lamp_kind": "metal halide", "factor": 1.04},
            ],
        },
        power_meter_calibration={"factr": 1.0},
    )
    found = faults_of(read_profile, path)
    expected = [
        "light_sensor_calibration.factor is 9.0; give a number above 0.2 and at most 5",
        "power_meter_calibration.factr is not a known key; did you mean 'factor'?",
    ]
    assert all(any(words in fault for fault in found) for words in expected), found
    # What shows only between keys is listed once each key is right by itself.
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    content["light_sensor_calibration"]["factor"] = 1.0
    del content["power_meter_calibration"]
    path.write_text(tomli_w.dumps(content), encoding="utf-8")
    starts = [
        "light_sensor_calibration.temperature_coefficient_percent_per_k is missing",
        "light_sensor_calibration.calibration_spectrum is missing",
        "light_sensor_calibration.cosine_response has 2 entries, and cosine_angle_deg has 3",
        "light_sensor_calibration.cosine_angle_deg is [10.0, 45.0, 30.0]; give rising angles",
        "light_sensor_calibration.cosine_response, entry 1 is 0.99; it is 1 by definition",
        "light_sensor_calibration.spectral_factors, entry 2: lamp_kind is 'metal halide', which",
        "light_sensor_calibration.response is 'not-there.csv', and",
    ]
    again = faults_of(read_profile, path)
    assert len(again) == len(starts)
    assert all(fault.startswith(start) for fault, start in zip(again, starts, strict=True)), again


@pytest.mark.parametrize(
    ("keys", "starts"),
    [
        ({"spectral": "curves"}, ["corrections.lamp_spectrum is missing"]),
        (
            {"lamp_spectrum": "lamp.csv", "spectral_uncertainty_percent": 1.0},
            [
                "corrections.lamp_spectrum is given, and corrections.spectral is \"none\"",
                "corrections.spectral_uncertainty_percent is given",
                "corrections.lamp_spectrum is 'lamp.csv', and",
            ],
        ),
        ({"source_x_mm": 600.0}, ["corrections.source_x_mm is given without"]),
        ({"direct_share": 1.5}, ["corrections.direct_share is 1.5; give a number from 0 to 1"]),
        ({"line_voltage": "nominal"}, ["corrections.line_voltage is \"nominal\", and ballast."]),
        ({"spectral": "lamp-kind"}, ["corrections.spectral is 'lamp-kind'; give"]),
    ],
)  # fmt: skip
def test_a_plan_that_asks_for_what_cannot_be_is_refused(tmp_path, keys, starts):
    plan_of(tmp_path)
    path = tmp_path / "plan.toml"
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    del content["ballast"]["nominal_voltage_v"]
    content["corrections"] = keys
    path.write_text(tomli_w.dumps(content), encoding="utf-8")
    found = faults_of(read_plan, path)
    assert len(found) == len(starts), found
    assert all(fault.startswith(start) for fault, start in zip(found, starts, strict=True)), found


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"\xff\xfe\x00", "is not text"),
        (b"400,1\n500,x\n", "holds the line '500,x'"),
        (b"400,1\n500,1,2\n", "holds the line '500,1,2'"),
        (b"400,1\n", "holds fewer than two lines"),
        (b"", "holds fewer than two lines"),
        (b"500,1\n400,1\n", "has 400 nm after 500 nm"),
        (b"400,-1\n500,1\n", "has values from -1 to 1"),
        (b"400,nan\n500,1\n500,1\n", "holds fewer|has 500 nm"),
    ],
)
def test_a_file_that_is_no_curve_is_refused_with_what_is_wrong(tmp_path, text, why):
    (tmp_path / "lamp.csv").write_bytes(text)
    with pytest.raises(
        ConfigError, match=r"corrections\.lamp_spectrum is 'lamp.csv', which"
    ) as got:
        plan_of(tmp_path, corrections={"spectral": "curves", "lamp_spectrum": "lamp.csv"})
    assert re.search(why, str(got.value))


def test_a_plan_that_asks_for_what_the_profile_has_not_is_refused_together_with_it(tmp_path):
    (tmp_path / "lamp.csv").write_text(CURVE)
    profile = read_profile(profile_with(tmp_path))
    by_kind = plan_of(tmp_path, corrections={"spectral": "lamp kind"})
    (fault,) = cross_check(by_kind, profile)
    assert "has no row for 'high-pressure sodium'" in fault
    curves = plan_of(tmp_path, corrections={"spectral": "curves", "lamp_spectrum": "lamp.csv"})
    (fault,) = cross_check(curves, profile)
    assert "the profile has no light_sensor_calibration.response" in fault


def test_a_run_keeps_its_curves_by_their_hash_and_stands_alone(tmp_path):
    spectra = tmp_path / "spectra"
    spectra.mkdir()
    for name in ("lamp", "sensor", "source"):
        (spectra / f"{name}.csv").write_text(CURVE)
    # A sensor of ideal response, λ, would need no factor; this one counts joules.
    (spectra / "sensor.csv").write_text("400,1\n700,1\n")
    (spectra / "source.csv").write_text("400,1\n700,1\n")
    asked = {"spectral": "curves", "lamp_spectrum": "spectra/lamp.csv"}
    plan = plan_of(tmp_path, corrections=asked)
    _, bench = bench_of(tmp_path)
    profile = read_profile(
        profile_with(
            tmp_path,
            light_sensor_calibration={
                "response": "spectra/sensor.csv",
                "calibration_spectrum": "spectra/source.csv",
            },
        )
    )
    folder = do_run(tmp_path, plan, profile, bench)
    shutil.rmtree(spectra)
    run = run_folder.load(folder)
    copy = run.descriptor["evenfall"]["curves"]["corrections.lamp_spectrum"]
    digest = hashlib.sha256(CURVE.encode()).hexdigest()
    assert copy == f"curve-{digest[:16]}-lamp.csv"
    assert (folder / copy).read_text() == CURVE
    assert copy in {resource["path"] for resource in run.descriptor["resources"]}
    (applied,) = (
        one for one in summarise(run).maps[0].corrections if one.name == "spectral factor"
    )
    assert 0.9 < applied.factor < 1.1
    assert applied.factor != 1
    # Whoever reads the folder's own plan, to go on with the run, finds the copy as well.
    again = read_plan(folder / run_folder.PLAN)
    assert named_curves(again, profile)["corrections.lamp_spectrum"] == (copy, CURVE.encode())


def test_the_copy_of_a_plan_that_is_run_by_night_has_its_curve_beside_it(tmp_path):
    (tmp_path / "lamp.csv").write_text(CURVE)
    profile, bench = bench_of(tmp_path)
    bench.close()
    plan = plan_of(tmp_path, corrections={"spectral": "curves", "lamp_spectrum": "lamp.csv"})
    copies = schedule_commands.copies(plan, profile)
    (tmp_path / "copy").mkdir()
    for name, data in copies.items():
        (tmp_path / "copy" / name).write_bytes(data)
    (tmp_path / "lamp.csv").unlink()
    [(_, data)] = named_curves(read_plan(tmp_path / "copy" / "plan.toml"), profile).values()
    assert data == CURVE.encode()
