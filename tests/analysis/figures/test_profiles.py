import pytest

from analysis.figures.plane import Setting
from analysis.figures.profiles import profiles
from analysis.figures.style import Scale
from analysis.run_folder import load
from analysis.summary import summarise
from tests import synthetic_run

SETTING = Setting(walls="none", target_ppfd_umol_m2_s=300.0)


def profile_lines(folder, rows, columns):
    plan = synthetic_run.plan(grid={"rows": rows, "columns": columns})
    run = summarise(
        load(synthetic_run.write_run(folder, plan=plan, field=synthetic_run.lambertian))
    )
    map_ = run.maps[0]
    figure = profiles(map_, Scale(2000.0), SETTING)
    return map_, figure


def test_profiles_run_through_the_centre_within_least_and_greatest(tmp_path):
    map_, figure = profile_lines(tmp_path / "run", 5, 5)
    matrix = map_.grid.to_matrix(map_.ppfd)
    along_x, along_y = figure.axes
    assert along_x.lines[0].get_ydata() == pytest.approx(matrix[2, :])
    assert along_y.lines[0].get_ydata() == pytest.approx(matrix[:, 2])
    envelope = along_x.collections[0].get_paths()[0].vertices[:, 1]
    assert envelope.min() == pytest.approx(matrix.min())
    assert envelope.max() == pytest.approx(matrix.max())


def test_profiles_of_an_even_grid_say_that_two_lines_were_averaged(tmp_path):
    map_, figure = profile_lines(tmp_path / "run", 4, 4)
    matrix = map_.grid.to_matrix(map_.ppfd)
    axes = figure.axes[0]
    assert axes.lines[0].get_ydata() == pytest.approx((matrix[1] + matrix[2]) / 2)
    assert any("mean of the two middle rows" in text.get_text() for text in axes.texts)


def test_all_profiles_share_the_axis_of_the_scale(tmp_path):
    _, figure = profile_lines(tmp_path / "run", 3, 3)
    assert {axes.get_ylim() for axes in figure.axes} == {(0.0, 2000.0)}
