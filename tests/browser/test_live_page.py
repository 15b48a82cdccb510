"""The live page in headless Chromium: followed live, through a kill, by phone, by keyboard."""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from pathlib import Path

import numpy as np
import pytest

from analysis import run_folder
from analysis.figures.style import LIGHT
from tests.rig.live.played import Played, interrupted_and_resumed, watched

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
expect = playwright.expect

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.wire,
    pytest.mark.skipif(CHROMIUM is None, reason="the system has no chromium: apt install chromium"),
]
PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1366, "height": 900}
WITHIN_MS = 20_000


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    with pytest.MonkeyPatch.context() as monkeypatch:
        return interrupted_and_resumed(tmp_path_factory.mktemp("browser"), monkeypatch)


@pytest.fixture(scope="module")
def run_url(runs):
    """The page of a run that has ended: looked at, and left as it is."""
    with watched(runs[1]) as url:
        yield url


@pytest.fixture(scope="module")
def lab_url(runs):
    """The same with the history of its lab."""
    with watched(Path(runs[1]).parents[1]) as url:
        yield url


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture
def page(browser):
    page = browser.new_page(viewport=DESKTOP)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: said.type == "error" and complaints.append(said.text))
    yield page
    page.close()
    # Lost connections are part of a test; the page itself never breaks.
    assert [one for one in complaints if "ERR_" not in one] == []


def shown(page) -> list[str]:
    return [text for text in page.locator("table.plane td span").all_inner_texts() if text]


def test_a_run_is_watched_live_from_its_first_question_to_its_end(page, runs, tmp_path):
    played = Played(runs[1], tmp_path / "run")
    with watched(played.folder) as url:
        page.goto(url)
        expect(page.locator("#link")).to_have_text("Live", timeout=WITHIN_MS)
        played.until("prompt")
        expect(page.locator("#word")).to_have_text("A person is needed", timeout=WITHIN_MS)
        played.until("warm-up-begun")
        expect(page.locator("#sentence")).to_have_text("Warming up.", timeout=WITHIN_MS)
        played.until("map-begun")
        played.rows(250)
        expect(page.locator("#sentence")).to_have_text(
            "Reading the map at 450 mm.", timeout=WITHIN_MS
        )
        expect(page.locator("#chart-light svg")).to_be_visible()
        expect(page.locator("#chart-power svg")).to_be_visible()
        expect(page.locator("td.last")).to_have_count(1)
        expect(page.locator("td.next")).to_have_count(1)
        part = len(shown(page))
        assert 0 < part < 9
        played.rows()
        expect(page.locator("#word")).to_have_text("Done", timeout=WITHIN_MS)
        expect(page.locator("td.last")).to_have_count(0)
        run = run_folder.load(played.folder)
        rows = run.readings
        light = (rows.quantity == "ppfd_umol_m2_s") & (rows.instrument == "light_sensor")
        means = rows[light & (rows.role == "grid")].groupby(["grid_row", "grid_column"])
        table = means.value.mean().unstack().to_numpy()[::-1].ravel()  # row 1 is at the bottom
        np.testing.assert_allclose([float(text) for text in shown(page)], table, atol=0.51)


def test_colours_are_those_of_the_reports_figures(page, run_url):
    page.goto(run_url)
    expect(page.locator("#word")).to_have_text("Done", timeout=WITHIN_MS)
    top = float(page.locator(".scale span").last.inner_text().split()[0])
    cells = page.locator("table.plane td:has(span)")
    for at in (0, 4):
        cell = cells.nth(at)
        drawn = cell.evaluate("cell => getComputedStyle(cell).backgroundColor")
        red, green, blue = (int(part) for part in drawn[4:-1].split(","))
        expected = LIGHT(float(cell.inner_text()) / top)[:3]
        np.testing.assert_allclose([red, green, blue], 255 * np.array(expected), atol=4)


def test_a_killed_run_is_followed_through_its_resumption(page, runs, tmp_path):
    killed, resumed = runs
    folder = tmp_path / "run"
    shutil.copytree(killed, folder)
    torn = (folder / run_folder.READINGS).open("ab")
    with torn:
        torn.write(b"123.4,2026-01-05T18:0")  # what a power cut leaves
    with watched(folder) as url:
        page.goto(url)
        expect(page.locator("#count")).to_contain_text("of 9 points", timeout=WITHIN_MS)
        before = len(shown(page))
        assert 0 < before < 9
        for name in (run_folder.READINGS, run_folder.EVENTS, run_folder.DESCRIPTOR):
            with (folder / name).open("r+b") as file:
                file.write((resumed / name).read_bytes())
        expect(page.locator("#word")).to_have_text("Done", timeout=WITHIN_MS)
        assert len(shown(page)) == 9
        expect(page.locator("#unusual")).to_contain_text("Gone on with")


def test_a_server_that_goes_away_is_said_and_found_again(page, runs, tmp_path):
    with watched(runs[1]) as url:
        page.goto(url)
        expect(page.locator("#link")).to_have_text("Live", timeout=WITHIN_MS)
    expect(page.locator("#link")).to_contain_text("No connection", timeout=WITHIN_MS)


@pytest.mark.parametrize("size", [PHONE, DESKTOP, {"width": 320, "height": 640}])
def test_nothing_is_wider_than_the_screen(page, run_url, size):
    page.set_viewport_size(size)
    page.goto(run_url)
    expect(page.locator("#word")).to_have_text("Done", timeout=WITHIN_MS)
    expect(page.locator("#chart-power svg")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_page_is_used_by_keyboard_and_told_by_landmarks(page, lab_url):
    page.goto(lab_url)
    expect(page.locator("#runs tr")).to_have_count(1, timeout=WITHIN_MS)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To what goes on"
    reached = []
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.textContent.trim()"))
    assert "Meadow" in reached
    for landmark in ("main", "header", "footer"):
        expect(page.locator(landmark)).to_have_count(1)
    expect(page.locator("h1")).to_have_count(1)
    for section in page.locator("main > section").all():
        assert page.locator(f"#{section.get_attribute('aria-labelledby')}").count() == 1
    expect(page.locator("[aria-live]")).to_contain_text("Done.")
    for drawing in page.locator("svg[role=img]").all():
        assert "now" in (drawing.get_attribute("aria-label") or "")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground_as_wcag_asks(page, lab_url, scheme):
    """Contrast of all text drawn, 4.5:1, after WCAG 2 (success criterion 1.4.3)."""
    page.emulate_media(color_scheme=scheme)
    page.goto(lab_url)
    expect(page.locator("#runs tr")).to_have_count(1, timeout=WITHIN_MS)
    faint = page.evaluate(_FAINT)
    assert faint == []


@pytest.fixture(scope="module")
def axe(tmp_path_factory) -> str:
    """The script of axe-core, from the npm registry."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("axe-core comes through npm, which the system does not have: apt install npm")
    folder = tmp_path_factory.mktemp("axe")
    try:
        subprocess.run(
            [npm, "pack", "--silent", "axe-core@4.10.3"], cwd=folder, check=True, timeout=60
        )
    except (subprocess.SubprocessError, OSError) as error:
        pytest.skip(f"axe-core cannot be had through npm: {error}")
    (packed,) = folder.glob("*.tgz")
    with tarfile.open(packed) as archive:
        script = archive.extractfile("package/axe.min.js")
        assert script is not None
        return script.read().decode()


@pytest.mark.parametrize(("scheme", "size"), [("light", DESKTOP), ("dark", PHONE)])
def test_axe_core_finds_nothing_to_complain_of(page, lab_url, axe, scheme, size):
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size(size)
    page.goto(lab_url)
    expect(page.locator("#runs tr")).to_have_count(1, timeout=WITHIN_MS)
    expect(page.locator("#chart-power svg")).to_be_visible()
    page.evaluate(axe + "; 0")
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 20
    assert [
        (one["id"], [node["html"] for node in one["nodes"]]) for one in found["violations"]
    ] == []


_FAINT = """() => {
  const parts = (text) => (text.match(/[0-9.]+/g) || []).map(Number);
  const light = (rgb) => {
    const [r, g, b] = rgb.slice(0, 3).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (node) => {
    for (; node; node = node.parentElement) {
      const found = parts(getComputedStyle(node).backgroundColor);
      if (found.length === 3 || found[3] > 0) return found;
    }
    return [255, 255, 255];
  };
  const faint = [];
  for (const node of document.querySelectorAll("body *")) {
    const own = [...node.childNodes].some((one) => one.nodeType === 3 && one.data.trim());
    if (!own || !node.getClientRects().length || node.closest("noscript, script")) continue;
    const style = getComputedStyle(node);
    const ink = parts(node instanceof SVGElement ? style.fill : style.color);
    const [low, high] = [light(ink), light(ground(node))].sort((a, b) => a - b);
    const ratio = (high + 0.05) / (low + 0.05);
    if (ratio < 4.5) faint.push(`${node.tagName} ${node.textContent.trim()} ${ratio.toFixed(2)}`);
  }
  return faint;
}"""
