"""A report as PDF: printed whole and by itself, or one line that says why not."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from rig import cli, pdf
from tests.rig.test_compare import run_of

TOOLS = ("pdftotext", "pdfinfo")
MISSING = [name for name in TOOLS if shutil.which(name) is None]
PRINTED = [
    pytest.mark.wire,
    pytest.mark.skipif(
        pdf.browser() is None, reason="the system has no chromium: apt install chromium"
    ),
    pytest.mark.skipif(
        bool(MISSING), reason=f"{' and '.join(MISSING)} not here: apt install poppler-utils"
    ),
]


@pytest.fixture
def evenfall(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*words):
        code = cli.main([str(word) for word in words])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        assert "defect" not in said.err
        return code, " ".join(said.out.split()), said.err

    return call


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return run_of(tmp_path_factory.mktemp("pdf") / "a", "Reflector A", 1.0)


def told(tool, *words):
    done = subprocess.run([tool, *map(str, words)], capture_output=True, text=True, check=True)
    return done.stdout


def program(folder, script):
    """Put a program named chromium into a folder."""
    folder.mkdir()
    path = folder / "chromium"
    path.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def only(monkeypatch, folder):
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}/usr/bin{os.pathsep}/bin")


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    """Print the comparison of two runs, and return page and PDF."""
    base = tmp_path_factory.mktemp("compared")
    a = run_of(base / "a", "Reflector A", 1.0)
    b = run_of(base / "b", "Reflector B", 1.1, area={"floor": "black cloth"})
    page = base / "page.html"
    words = ["compare", a, b, "--accept", "floor", "--out", page, "--pdf"]
    assert cli.main([str(word) for word in words]) == 0
    return page, base / "page.pdf"


class TestPrinted:
    pytestmark = PRINTED

    def test_stands_on_pages_of_a4(self, compared):
        facts = told("pdfinfo", compared[1])
        assert int(re.search(r"Pages: +(\d+)", facts)[1]) >= 4
        # ISO 216: 210 mm x 297 mm are 595.3 pt x 841.9 pt.
        width, height = map(float, re.search(r"Page size: +([\d.]+) x ([\d.]+)", facts).groups())
        assert (width, height) == (pytest.approx(595.3, abs=1), pytest.approx(841.9, abs=1))

    def test_says_what_the_page_says(self, compared):
        text = " ".join(told("pdftotext", compared[1], "-").split())
        head = re.search(r"<h1>(.*?)</h1>", compared[0].read_text("utf-8"))[1]
        for sentence in (
            " ".join(head.split()),
            "Accepted: floor differs (white tray, black cloth)",
            "Key numbers",
            "Reflector B over Reflector A at 400 mm",
            "Mains voltage kills.",
            "It can be made again from the run folders alone.",
        ):
            assert sentence in text
        # Closed on the screen, on paper nobody can open it.
        assert "Kind A was measured in this run" in text

    def test_numbers_its_pages(self, compared):
        pages = told("pdftotext", "-layout", compared[1], "-").split("\f")[:-1]
        ends = [page.split("\n") for page in pages]
        for at, lines in enumerate(ends, 1):
            assert [line.strip() for line in lines if line.strip()][-1] == f"{at} / {len(pages)}"

    def test_leaves_no_heading_at_the_foot_of_a_page(self, compared):
        page = compared[0].read_text("utf-8")
        headings = {" ".join(one.split()) for one in re.findall(r"<h[23]>(.*?)</h[23]>", page)}
        assert len(headings) > 8
        for text in told("pdftotext", "-layout", compared[1], "-").split("\f")[:-1]:
            lines = [" ".join(line.split()) for line in text.splitlines() if line.strip()]
            assert lines[-2] not in headings  # the last is the number of the page

    def test_the_report_of_one_run_lies_beside_its_page(self, evenfall, run):
        code, out, err = evenfall("report", run, "--pdf")
        assert (code, err) == (0, "")
        names = ("report", "report-lab", "report-public")
        assert out.endswith(" ".join(f"PDF: {run / name}.pdf" for name in names))
        assert "Reflector A delivers" in told("pdftotext", run / "report.pdf", "-")
        assert not list(run.glob("*.part"))


def test_without_a_browser_one_line_says_so_and_the_page_is_there(
    evenfall, run, tmp_path, monkeypatch
):
    monkeypatch.setenv("PATH", str(tmp_path))
    code, out, err = evenfall("report", run, "--pdf")
    assert code == 1
    assert err.startswith("evenfall: no PDF: ")
    assert len(err.splitlines()) == 1
    assert "apt install chromium" in err
    assert "Report: " in out
    assert (run / "report.html").is_file()


@pytest.mark.parametrize(
    ("script", "reason"),
    [
        ("echo no display >&2; exit 7", "ended with 7. Its last words: no display"),
        ("exit 0", "wrote none. Its last words: none"),
        ('for w; do case $w in --print-to-pdf=*) echo half > "${w#*=}";; esac; done', "wrote none"),
    ],
    ids=["fails", "writes nothing", "writes what is no PDF"],
)
def test_a_browser_that_prints_nothing_leaves_the_earlier_pdf(
    evenfall, tmp_path, monkeypatch, script, reason
):
    only(monkeypatch, program(tmp_path / "bin", script).parent)
    page = tmp_path / "page.html"
    page.write_text("<p>light</p>", encoding="utf-8")
    page.with_suffix(".pdf").write_bytes(b"%PDF-earlier")
    with pytest.raises(pdf.NoPdf, match=re.escape(reason)):
        pdf.write_pdf(page)
    assert page.with_suffix(".pdf").read_bytes() == b"%PDF-earlier"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["bin", "page.html", "page.pdf"]


def test_a_browser_that_hangs_is_ended_with_all_it_started(tmp_path, monkeypatch):
    kept = tmp_path / "child"
    only(monkeypatch, program(tmp_path / "bin", f"sleep 600 & echo $! > {kept}; wait").parent)
    page = tmp_path / "page.html"
    page.write_text("<p>light</p>", encoding="utf-8")
    with pytest.raises(pdf.NoPdf, match="had not ended after 2 s, and was ended"):
        pdf.write_pdf(page, limit_s=2.0)
    stat_file = Path("/proc", kept.read_text().strip(), "stat")
    # What is left of an ended process until its parent looks after it is a Z.
    assert not stat_file.exists() or stat_file.read_text().split(") ")[1].startswith("Z")


def test_the_browser_is_told_to_fetch_nothing_and_to_leave_the_users_profile_alone(
    tmp_path, monkeypatch
):
    words = tmp_path / "words"
    script = (
        f'for w; do echo "$w" >> {words}; '
        'case $w in --print-to-pdf=*) echo "%PDF-1.4" > "${w#*=}";; esac; done'
    )
    only(monkeypatch, program(tmp_path / "bin", script).parent)
    page = tmp_path / "page one.html"
    page.write_text("<p>light</p>", encoding="utf-8")
    assert pdf.write_pdf(page) == tmp_path / "page one.pdf"
    said = words.read_text(encoding="utf-8").splitlines()
    assert "--host-resolver-rules=MAP * ~NOTFOUND" in said
    (profile,) = [one.partition("=")[2] for one in said if one.startswith("--user-data-dir=")]
    assert not os.path.exists(profile)
    assert said[-1] == page.as_uri()


def test_a_page_is_not_written_under_the_name_of_a_pdf(evenfall, run):
    code, _, err = evenfall("report", run, "--out", "light.pdf", "--pdf")
    assert code == 2
    assert "give light.html, and --pdf" in err
