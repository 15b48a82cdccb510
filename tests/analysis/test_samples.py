import numpy as np
import pytest

from analysis import run_folder
from analysis.samples import is_light, sample_sets, tabulate
from tests.synthetic_run import plan, write_run


def light_of(tmp_path, **options):
    the_plan = plan(
        grid={"rows": 2, "columns": 2},
        sampling={"quick_look": False, "reference_every": 2},
    )
    folder = write_run(tmp_path / "run", plan=the_plan, warm_up_s=0.0, **options)
    readings = tabulate(run_folder.load(folder).readings)
    mapped = (readings.role == "grid") | (readings.role == "reference")
    return readings.where(is_light(readings) & mapped & readings.is_good)


def sets_of(light, segment=None):
    nothing = np.full(len(light), np.nan)
    if segment is None:
        segment = np.zeros(len(light), dtype=np.int64)
    return sample_sets(light, segment, nothing)


def test_each_visit_is_one_set(tmp_path):
    sets = sets_of(light_of(tmp_path))
    # Reference, two points, reference, two points, reference; three samples each.
    assert sets.role.tolist() == [
        "reference",
        "grid",
        "grid",
        "reference",
        "grid",
        "grid",
        "reference",
    ]
    assert sets.count.tolist() == [3] * 7
    assert sets.duration_s == pytest.approx(np.full(7, 3.0))
    assert sets.mean == pytest.approx(np.full(7, 500.5))
    assert sets.sd == pytest.approx(np.zeros(7), abs=1e-9)
    assert (np.diff(sets.middle_s) > 0).all()
    assert sets.end_s - sets.start_s == pytest.approx(np.full(7, 3.0))


def test_same_point_read_again_is_another_set(tmp_path):
    light = light_of(tmp_path)
    twice = light.where(np.r_[3:6, 3:6])
    assert sets_of(twice).count.tolist() == [3, 3]


def test_a_new_light_parts_a_set(tmp_path):
    light = light_of(tmp_path).where(np.arange(3, 6))
    assert sets_of(light, np.array([0, 1, 1])).count.tolist() == [1, 2]


def test_spread_of_a_set_is_that_of_its_samples(tmp_path):
    light = light_of(tmp_path, noise=0.01)
    sets = sets_of(light)
    for number in range(7):
        samples = light.value[3 * number : 3 * number + 3]
        assert sets.mean[number] == pytest.approx(np.mean(samples))
        assert sets.sd[number] == pytest.approx(np.std(samples, ddof=1))


def test_no_rows_make_no_sets(tmp_path):
    assert len(sets_of(light_of(tmp_path).where(np.array([], dtype=int)))) == 0
