"""The page for the lab's file and the one for the public: what they hold, and hold to."""

from __future__ import annotations

import hashlib
import json
import re

import pytest

from analysis.report.findings import find
from analysis.report.pages import paths, write_pages
from analysis.report.pictures import sheet_picture
from analysis.report.words import TERMS, terms_in
from analysis.run_folder import is_derived, load
from analysis.summary import summarise
from tests import synthetic_run
from tests.analysis.report.test_report import (
    Page,
    cut_off,
    drifted,
    entered_by_hand,
    entered_without_watts,
    missing_points,
    no_height,
    no_power_log,
    no_reference,
    no_warm_up,
    nothing_read,
)

MADE = "2026-01-09 10:00"
ROOT = synthetic_run.__file__.rpartition("tests")[0]


def pages(base, *folders):
    found = find([summarise(load(folder)) for folder in folders])
    written = write_pages(found, base / "page.html", made_utc=MADE)
    assert written == paths(base / "page.html")
    return [Page(path.read_text(encoding="utf-8")) for path in written]


def close(folder):
    """Write the hashes of all files into the descriptor, as closing a run does."""
    descriptor = json.loads((folder / "datapackage.json").read_text())
    descriptor["resources"] = [
        {
            "path": path.name,
            "bytes": path.stat().st_size,
            "hash": "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest(),
        }
        for path in sorted(folder.iterdir())
        if path.name != "datapackage.json"
    ]
    descriptor["evenfall"]["instruments"] = [
        {
            "name": "light_sensor",
            "kind": "quantum sensor",
            "serial_number": "Q-17",
            "calibrated_on": "2025-02-01",
            "calibration_due": "2027-02-01",
        }
    ]
    (folder / "datapackage.json").write_text(json.dumps(descriptor))
    return folder


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    base = tmp_path_factory.mktemp("pages")
    folder = close(
        synthetic_run.write_run(
            base / "run",
            plan=synthetic_run.plan(grid={"rows": 5, "columns": 5}),
            field=synthetic_run.lambertian,
        )
    )
    return folder, *pages(base, folder)


def test_the_lab_page_lists_every_raw_file_with_size_and_hash(whole):
    folder, _, lab, _ = whole
    for path in folder.iterdir():
        data = path.read_bytes()
        line = re.search(rf'<th scope="row">{path.name}</th>.*?</tr>', lab.html, re.S)[0]
        assert f">{len(data)}<" in line
        assert hashlib.sha256(data).hexdigest() in line
    # The descriptor holds the hashes and has none of its own.
    count = len(list(folder.iterdir())) - 1
    assert f"run: {count} files with the hashes of the closing" in lab.text


def test_a_file_that_was_changed_or_is_gone_is_called_so(tmp_path):
    folder = close(synthetic_run.write_run(tmp_path / "run"))
    (folder / "events.csv").unlink()
    (folder / "rig.toml").write_text("format = 1\n# touched\n")
    lab = pages(tmp_path, folder)[1]
    assert "run: NOT as it was closed: rig.toml and events.csv." in lab.text
    assert re.search(r"events.csv</th>.*?<td>GONE since closing</td>", lab.html, re.S)
    assert re.search(r"rig.toml</th>.*?<td>CHANGED since closing</td>", lab.html, re.S)


def test_the_lab_page_says_how_it_was_measured(whole):
    _, _, lab, _ = whole
    for words in (
        "5 × 5 points over 1200 × 1200 mm, at the centres of equal cells; a point stands for "
        "0.0576 m²",  # 1.44 m² over 25
        "400 mm above the plane",
        "3 samples at each point, 1 s after the sensor stood still",
        "Wall power was asked for every 1 s",
        "at 5 points, one mean subtracted",
        "Stable means, by rule bench",
        "one reference point, revisited every 9 points",
        "In this order, to light: dark reading, drift",
        "Σ aᵢ · PPFDᵢ ÷ Pᵢ",
        "Q-17",
        "2027-02-01",
        "all together",
        "pandas",
    ):
        assert words in lab.text.replace("\u00a0", " "), words
    assert re.search(r"Complete: 2026-01-05 09:00 to", lab.text)


def test_the_lines_for_signatures_are_blank(whole):
    _, _, lab, _ = whole
    signed = lab.html[lab.html.index('class="signed"') :]
    for who in ("measured by", "checked by", "released by"):
        assert f'<tr><th scope="row">{who}</th><td></td><td></td><td></td></tr>' in signed


def test_the_public_page_is_a_verdict_a_map_a_table_and_what_stands_against_them(whole):
    _, report, _, public = whole
    assert public.verdict == report.verdict
    tags = [tag for tag, _ in public.tags]
    assert (tags.count("svg"), tags.count("table"), tags.count("h1")) == (1, 1, 1)
    assert public.exact[0][1].replace("\u00a0", " ") in public.verdict
    assert all("±" in text for _, text in public.exact)
    assert "matt white board over white tray, whose reflected light counts" in public.text
    assert "one specimen and for the lamp (high-pressure sodium) and ballast" in public.text
    assert len(public.html) < 150_000


@pytest.mark.parametrize("which", [1, 2], ids=["lab", "public"])
def test_each_page_stands_by_itself_and_can_be_read_aloud(whole, which):
    page = whole[1 + which]
    told = re.sub(r"base64,[\w+/=\s]*", "", page.html)  # any letters may stand in a picture
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)|src=|<script|<link", told)
    assert len(page.ids) == len(set(page.ids))
    assert all("scope" in attributes for tag, attributes in page.tags if tag == "th")
    assert all(attributes["aria-label"] for tag, attributes in page.tags if tag == "svg")
    assert ("html", {"lang": "en-GB"}) in page.tags


def test_the_same_folder_gives_the_same_pages_and_pages_are_no_raw_data(tmp_path):
    folder = close(synthetic_run.write_run(tmp_path / "run"))
    out = folder / "report.html"
    found = find([summarise(load(folder))])
    first = [path.read_bytes() for path in write_pages(found, out, made_utc=MADE)]
    (folder / "report-compared-figures").mkdir()
    (folder / "report-compared-figures" / "map.png").write_bytes(b"derived")
    (folder / "report-lab.pdf").write_bytes(b"derived")
    found = find([summarise(load(folder))])
    again = [path.read_bytes() for path in write_pages(found, out, made_utc=MADE)]
    assert first == again


@pytest.mark.parametrize(
    ("name", "is_so"),
    [
        ("summary.json", True),
        ("report.html", True),
        ("report-public.pdf", True),
        ("figures/card-wide.svg", True),
        ("report-compared-figures/map.png", True),
        ("readings.csv", False),
        ("datapackage.json", False),
        ("photos/figure.png", False),
        ("report.txt", False),
    ],
)
def test_what_can_be_rebuilt_is_told_by_its_name(name, is_so):
    assert is_derived(name) is is_so


def no_dark(folder):
    plan = synthetic_run.plan(dark={"points": 0, "skip_reason": "lamp could not be covered"})
    return synthetic_run.write_run(folder, plan=plan)


def no_limits_no_value(folder):
    plan = synthetic_run.plan()
    del plan["limits"]
    return synthetic_run.write_run(folder, plan=plan)


@pytest.mark.parametrize(
    ("make", "in_lab", "in_public"),
    [
        (missing_points, "79 of 81 points", "79 of 81 points were read"),
        (cut_off, "The run did not end in order", "30 of 81 points were read"),
        (entered_by_hand, "it was entered by hand, or its events are lost", "0.90 ± 0.06"),
        (entered_without_watts, "there is no wall power", "there is no wall power"),
        (no_height, "height not stated", "at a height not stated"),
        (no_reference, "drift is neither known nor corrected", "1."),
        (no_power_log, "there is no wall power", "there is no wall power"),
        (no_warm_up, "holds no record of a warm-up", "1."),
        (nothing_read, "No map was read", "nothing is stated about its light"),
        (drifted, "is not accepted: the light changed by", "is not accepted"),
        (no_dark, "lamp could not be covered", "1."),
        (no_limits_no_value, "Plane efficacy", "1."),
    ],
)
def test_what_is_missing_is_said_on_every_page(tmp_path, make, in_lab, in_public):
    report, lab, public = pages(tmp_path, make(tmp_path / "run"))
    assert in_lab.lower() in lab.text.lower()
    assert in_public in public.text.replace("\u00a0", " ")
    for page in (report, lab, public):
        assert not re.search(r"\b(None|nan|inf|Undefined)\b", page.text)


def test_a_page_explains_the_words_it_uses_and_no_others(whole):
    _, report, lab, public = whole
    names = {term.name for term in TERMS}
    for page in (report, lab, public):
        explained = re.findall(r"<dt>(.*?)</dt>", page.html)
        mine = [one for one in explained if one in names]
        assert "plane efficacy" in mine
        assert "break-even price" not in mine
    assert {term.name for term in terms_in("<p>hot&nbsp;spot</p><svg>break-even</svg>")} == set()
    assert [term.name for term in terms_in("<b>Hot\u00a0spots</b>")] == ["hot spot, cold spot"]


def test_the_words_of_the_readme_are_explained_on_the_pages():
    with open(f"{ROOT}README.md", encoding="utf-8") as file:
        text = file.read()
    words = re.findall(r"(?m)^- \*\*(.+?)\*\*:", text[text.index("## Words") :])
    assert len(words) >= 8
    assert set(words) <= {re.sub(r" \(.*\)", "", term.name) for term in TERMS}


def test_maps_of_one_device_stand_beside_each_other(tmp_path):
    plan = synthetic_run.plan(
        grid={"rows": 3, "columns": 3}, heights={"mounting_height_mm": [400.0, 500.0]}
    )
    run = summarise(load(synthetic_run.write_run(tmp_path / "run", plan=plan)))
    svg = sheet_picture([run], find([run]).scale).svg
    width, height = map(float, re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())
    assert width > 1.5 * height
