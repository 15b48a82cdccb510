"""`evenfall compare`: refused, accepted, stamped; the verdict first."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from xml.etree import ElementTree

import pytest
from matplotlib.image import imread

from rig import cli
from tests import synthetic_run
from tests.synthetic_run import flat, plan, write_run


@pytest.fixture
def evenfall(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*words):
        try:
            code = cli.main([str(word) for word in words])
        except SystemExit as ended:
            code = ended.code
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        assert "defect" not in said.err
        return code, " ".join(said.out.split()), said.err

    return call


def run_of(folder, device, level, *, skip=(), **tables):
    """Write a run of 3 x 3 points of even light; instruments as those of one bench."""
    the_plan = plan(
        device={"name": device, "specimen": f"{device[-1]}-1"},
        **{
            "grid": {"rows": 3, "columns": 3},
            "sampling": {"samples_per_point": 1, "reference_every": 3, "quick_look": False},
            **tables,
        },
    )
    write_run(
        folder,
        plan=the_plan,
        field=lambda x, y, h: level * flat(x, y, h),
        warm_up_s=0.0,
        skip=skip,
        noise=0.001,
        other_electrical=True,
    )
    descriptor = folder / "datapackage.json"
    instruments = (
        '[{"name": "light_sensor", "kind": "sdi12-quantum-sensor", "serial_number": "Q-1"},'
        ' {"name": "power_meter", "kind": "modbus-power-meter", "serial_number": "M-1"}]'
    )
    text = descriptor.read_text(encoding="utf-8")
    assert '"instruments": []' in text
    descriptor.write_text(text.replace('"instruments": []', f'"instruments": {instruments}'))
    return folder


@pytest.fixture
def alike(tmp_path):
    return run_of(tmp_path / "a", "Reflector A", 1.0), run_of(tmp_path / "b", "Reflector B", 1.1)


@pytest.fixture
def aged(tmp_path):
    """The lamp is older in the second, and the floor another."""
    a = run_of(tmp_path / "a", "Reflector A", 1.0)
    b = run_of(
        tmp_path / "b", "Reflector B", 1.1, lamp={"hours": 310.0}, area={"floor": "black cloth"}
    )
    return a, b


def test_the_verdict_comes_first_and_the_page_holds_it(evenfall, alike, tmp_path):
    code, out, _ = evenfall("compare", *alike, "--out", "page.html")
    assert code == 0
    # 1.1 times the light over the same wall power: 10 %.
    assert re.match(r"As installed, Reflector B delivers (10\.\d|9\.9).% ± ", out)
    assert "stamp" not in re.sub(r"\.stamp \{", "", (tmp_path / "page.html").read_text("utf-8"))
    assert sorted(one.name for one in (tmp_path / "page-figures").iterdir()) == [
        "all-maps.svg",
        "card-square.png",
        "card-square.svg",
        "card-wide.png",
        "card-wide.svg",
        "difference-reflector-b-over-reflector-a-400-mm.png",
        "difference-reflector-b-over-reflector-a-400-mm.svg",
        "reflector-a-1-400-mm-profile.svg",
        "reflector-a-1-400-mm.png",
        "reflector-a-1-400-mm.svg",
        "reflector-a-drift.svg",
        "reflector-a-uncertainty.svg",
        "reflector-a-wall-power.svg",
        "reflector-b-1-400-mm-profile.svg",
        "reflector-b-1-400-mm.png",
        "reflector-b-1-400-mm.svg",
        "reflector-b-drift.svg",
        "reflector-b-uncertainty.svg",
        "reflector-b-wall-power.svg",
    ]


def test_each_drawing_of_the_report_is_there_as_a_sound_svg_file(evenfall, alike, tmp_path):
    assert evenfall("compare", *alike, "--out", "page.html")[0] == 0
    page = (tmp_path / "page.html").read_text("utf-8")
    files = list((tmp_path / "page-figures").glob("*.svg"))
    told = [ElementTree.parse(file).getroot().get("aria-label") for file in files]
    drawn = re.findall(r'<svg [^>]*aria-label="([^"]*)"', page)
    assert len(drawn) >= 6
    assert {unescape(label) for label in drawn} <= set(told)


def test_runs_that_are_not_alike_are_refused_with_the_very_words_to_accept(
    evenfall, aged, tmp_path
):
    code, out, err = evenfall("compare", *aged)
    assert code == 1
    assert out == ""
    told = " ".join(err.split())
    assert "Not compared: these runs are not alike in everything but the device" in told
    assert "lamp hours: the lamp had burned 130 h and 310 h, more than 100 h apart" in told
    assert "floor: the floor differs: white tray for Reflector A, black cloth" in told
    assert not (aged[0] / "report-compared.html").exists()
    (hint,) = [line.split() for line in err.splitlines() if "--accept" in line]
    assert hint[:2] == ["evenfall", "compare"]
    code, out, _ = evenfall(*hint[1:])
    assert code == 0
    assert out.startswith("As installed, Reflector B delivers ")


def test_what_was_accepted_is_stamped_on_terminal_page_and_figures(evenfall, aged, tmp_path):
    code, out, _ = evenfall(
        "compare", *aged, "--accept", "lamp-hours", "--accept", "floor", "--out", "page.html"
    )
    assert code == 0
    stamps = (
        "Accepted: floor differs (white tray, black cloth)",
        "Accepted: lamp hours differ (130 h, 310 h)",
    )
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    header = page[page.index("<header>") : page.index("</header>")]
    drawn = re.findall(r"<svg .*?</svg>", page, flags=re.DOTALL)
    beginnings = ("Plan view of", "Reflector A at 400 mm: ", "Reflector B over Reflector A")
    maps = [one for one in drawn if any(words in one[:400] for words in beginnings)]
    assert len(maps) == 4  # two plan views, the sheet of both, their difference
    for stamp in stamps:
        assert stamp in out
        assert f'<p class="stamp">{stamp}' in header.replace("\u00a0", " ")
        assert all(stamp in one for one in maps)
    pictures = list((tmp_path / "page-figures").glob("*.png"))
    assert len(pictures) == 5
    for picture in pictures:
        pixels = imread(picture)
        assert pixels[4, pixels.shape[1] // 2, :3].max() < 0.2  # the dark band of the stamp


def test_one_accepted_fact_leaves_the_other_in_the_way(evenfall, aged):
    code, _, err = evenfall("compare", *aged, "--accept", "floor")
    assert code == 1
    assert "the floor differs" not in err
    assert "--accept floor --accept lamp-hours" in err


def test_to_accept_what_is_no_fact_is_a_usage_error_that_lists_the_facts(evenfall, alike):
    code, _, err = evenfall("compare", *alike, "--accept", "weather")
    assert code == 2
    assert "'weather'" in err
    assert "lamp hours" in err


def test_one_run_is_nothing_to_compare(evenfall, alike):
    code, _, err = evenfall("compare", alike[0])
    assert code == 2
    assert "give two or more" in err


def test_a_report_of_several_runs_refuses_the_verdict_and_leads_to_compare(evenfall, aged):
    code, out, _ = evenfall("report", *aged, "--out", "page.html")
    assert code == 0
    assert out.startswith("Not compared")
    assert "evenfall compare, with --accept floor --accept lamp-hours" in out
    assert "delivers" not in out


def test_pictures_of_two_runs_of_one_device_do_not_replace_each_other(evenfall, tmp_path):
    runs = [run_of(tmp_path / name, "Reflector A", 1.0) for name in ("one", "two")]
    evenfall("report", *runs, "--out", "page.html")
    assert len(list((tmp_path / "page-figures").glob("*.png"))) == 2


def test_the_difference_map_as_a_file_is_sound_svg_and_stamped(evenfall, aged, tmp_path):
    evenfall("compare", *aged, "--accept", "lamp-hours", "--accept", "floor", "--out", "page.html")
    (path,) = (tmp_path / "page-figures").glob("difference-*.svg")
    root = ElementTree.parse(path).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    told = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "Accepted: lamp hours differ (130 h, 310 h)" in told
    assert sum(re.fullmatch(r"\+(10\.\d|9\.\d)", one or "") is not None for one in told) == 9


def test_other_grids_get_no_difference_map_even_when_accepted(evenfall, alike, tmp_path):
    other = run_of(tmp_path / "c", "Reflector C", 1.0, grid={"rows": 4, "columns": 4})
    code, _, _ = evenfall("compare", alike[0], other, "--accept", "grid", "--out", "page.html")
    assert code == 0
    page = (tmp_path / "page.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert re.search("No difference map of Reflector . and Reflector .: ", page)
    assert not list((tmp_path / "page-figures").glob("difference-*"))


def test_in_a_b_a_the_fading_of_the_bench_is_told_and_not_credited(evenfall, tmp_path, monkeypatch):
    # Two devices of equal light; the bench loses 6 % in four days, 3 % by the day of B.
    began = synthetic_run.BEGUN_UTC
    runs = []
    for days, device, level in ((0, "A", 1.0), (2, "B", 0.97), (4, "A", 0.94)):
        monkeypatch.setattr(synthetic_run, "BEGUN_UTC", began + timedelta(days=days))
        runs.append(run_of(tmp_path / f"{device}{days}", f"Reflector {device}", level))
    code, out, _ = evenfall("compare", *runs, "--out", "page.html")
    assert code == 0
    assert "more per joule than" not in out
    assert re.search(r"Reflector A was measured again: −6\.\d.% ± \d\.\d.% .*4 days later", out)
    assert "That is the bench, and is not credited to a device" in out
    assert "on a straight line between the first and last run of Reflector A" in out


def test_without_two_usable_maps_there_is_a_page_with_the_reason_but_no_success(
    evenfall, alike, tmp_path
):
    holed = run_of(tmp_path / "c", "Reflector C", 1.0, skip=[(0, 0)])
    code, out, _ = evenfall("compare", alike[0], holed, "--out", "page.html")
    assert code == 1
    assert out.startswith("Not compared: fewer than two of these devices have a usable map.")
    assert "not compared, it has 8 of 9 points" in out
    assert (tmp_path / "page.html").is_file()


def test_a_fact_that_is_alike_needs_no_accepting_and_is_not_stamped(evenfall, alike):
    code, out, _ = evenfall("compare", *alike, "--accept", "floor", "--out", "page.html")
    assert code == 0
    assert "--accept floor: nothing to accept, it is alike." in out
    assert "Accepted:" not in out
