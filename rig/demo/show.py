"""`evenfall demo`: three reflectors over one lamp, from bytes to verdict, on the virtual clock.

Each device is one run through the real drivers, the real sequence and the real run folder; only
the far end of the lines, and the time, are virtual. The runs are independent, so they go on side
by side.
"""

from __future__ import annotations

import multiprocessing
import shutil
from concurrent.futures import ProcessPoolExecutor
from importlib.resources import files
from pathlib import Path

from rich.console import Console

from analysis import lab_folder, run_folder
from analysis.control_runs import control_history
from analysis.control_words import bench_between
from analysis.report.drawn import keep_drawings
from analysis.report.findings import Findings, join
from analysis.report.pages import write_pages
from drivers.simulated.attach import rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from rig.build import build
from rig.control import FIGURES
from rig.control import draw as draw_control
from rig.demo import control
from rig.demo.person import NoStop, VirtualPerson
from rig.lamps import show_lamps
from rig.plan import read_plan
from rig.profile import read_profile
from rig.progress import QuietProgress
from rig.results import (
    derive,
    draw_pictures,
    show_heights,
    show_pages,
    show_results,
    show_verdicts,
)
from rig.run import run
from rig.storage import OsStorage
from rig.toml_faults import ConfigError

#: When the demo's report was made: an input, so that the report is the same each time.
MADE_UTC = "2026-01-08T06:00:00Z"
#: Age of the lamp before the first evening, and what an evening adds. [h]
LAMP_HOURS, HOURS_AN_EVENING = 130.0, 1.2
SCENARIO = "demo.toml"
#: What the plan of the demo has in place of a device's own price label.
TEMPLATE_PRICE = "65.0"


class HurriedStorage(OsStorage):
    """Does not wait for the disk: an evening passes in seconds here, and its data are invented."""

    def fsync(self, handle: int) -> None:
        """Do nothing."""


def show(out: Path) -> int:
    """Run the demo into a folder of its own and print what came out.

    Raises
    ------
    ConfigError
        The folder is there and holds something else; it is left alone.
    """
    console = Console(highlight=False)
    out = Path(out)
    if out.exists():
        if not (out / "demo.txt").is_file():
            problem = "is there, and is not a demo's folder. Give another one with --out."
            raise ConfigError(str(out), [problem])
        shutil.rmtree(out)
    out.mkdir(parents=True)
    (out / "demo.txt").write_text(
        "Invented data of the virtual bench. 'evenfall demo' replaces this whole folder.\n",
        encoding="utf-8",
    )
    lab_folder.create(out / "lab", name="Demo lab")
    plans = _write_inputs(out)
    controls = control.write_inputs(
        out,
        scenario=(out / SCENARIO).read_text(encoding="utf-8"),
        profile=_profile(out),
        plan=_template(),
        scenario_file=SCENARIO,
        lamp_hours=LAMP_HOURS,
    )
    console.print(
        "An invented seed-breeding room compares three reflectors over one 600 W lamp.\n"
        f"Virtual bench, virtual time: {len(plans)} evenings, dark reading to last point, and "
        f"{len(controls)}\nshort ones in the weeks before, of the reflector that the lab keeps "
        "as its control.",
        markup=False,
    )
    # Forked children find everything imported already; where there is no fork they start anew.
    method = "fork" if "fork" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    with ProcessPoolExecutor(max_workers=len(plans), mp_context=context) as pool:
        measured, weeks_before = pool.map(_measure, plans), pool.map(_run, controls)
        each = []
        for plan, one in zip(plans, measured, strict=True):
            each.append(one)
            folder = one.runs[0].path
            console.print(f"  measured  {plan.stem}  ->  {folder}", markup=False, soft_wrap=True)
        found = join(each)
        drawn = pool.submit(draw_pictures, found, out / run_folder.FIGURES)
        for plan, folder in zip(controls, weeks_before, strict=True):
            console.print(f"  measured  {plan.stem}  ->  {folder}", markup=False, soft_wrap=True)
        lab_folder.rebuild_index(out / "lab")  # once more, now that nobody else does
        history = control_history(out / "lab")
        bench = bench_between(history, found.runs)
        pages = write_pages(found, out / run_folder.REPORT, made_utc=MADE_UTC, bench=bench)
        draw_control(history, out / "lab" / FIGURES)
        drawn.result()
        keep_drawings(found, out / run_folder.REPORT, out / run_folder.FIGURES)
    show_verdicts(found, console)
    show_heights(found, console)
    console.print()
    show_results(found.runs, console)
    console.print()
    for sentence in bench:
        console.print(sentence, markup=False)
    console.print()
    show_lamps(out / "lab", history, console)
    console.print()
    show_pages(pages, console, figures=out / run_folder.FIGURES)
    console.print(f"Control reflector: {out / 'lab' / FIGURES}", markup=False, soft_wrap=True)
    return 0


def _write_inputs(out: Path) -> list[Path]:
    """Write profile and plans into the demo's folder, where they can be read and run again."""
    scenarios = files("drivers.simulated.scenarios")
    for name in (SCENARIO, "demo-errors.toml"):
        (out / name).write_bytes(scenarios.joinpath(name).read_bytes())
    bench = VirtualBench.from_scenario(out / SCENARIO)
    profile, template = _profile(out), _template()
    first, *others = bench.devices
    plans = []
    for evening, device in enumerate((first, *others), start=1):
        # One device an evening: other mains, and a lamp a little older each time.
        chosen = f'scenario = "{SCENARIO}"'
        rig = profile.replace(chosen, f"{chosen}\nevening = {evening}")
        (out / f"rig-{device.lower()}.toml").write_text(rig, encoding="utf-8")
        hours = f"hours = {LAMP_HOURS + (evening - 1) * HOURS_AN_EVENING:.1f}"
        text = template.replace(first, device).replace(f"hours = {LAMP_HOURS:.1f}", hours)
        label = bench.scenario.devices[evening - 1].price
        text = text.replace(f"price = {TEMPLATE_PRICE}\n", f"price = {label}\n", 1)
        plan = out / f"plan-{device.lower()}.toml"
        plan.write_text(text, encoding="utf-8")
        plans.append(plan)
    return plans


def _profile(out: Path) -> str:
    bench = VirtualBench.from_scenario(out / SCENARIO)
    return rig_text(usual_instruments(bench), name="virtual bench", scenario=SCENARIO)


def _template() -> str:
    return files("rig.demo").joinpath("plan.toml").read_text(encoding="utf-8")


def _measure(plan_path: Path) -> Findings:
    return derive(_run(plan_path), made_utc=MADE_UTC)


def _run(plan_path: Path) -> Path:
    rig_path = plan_path.with_name(plan_path.name.replace("plan-", "rig-"))
    plan, profile = read_plan(plan_path), read_profile(rig_path)
    bench = build(profile, plan.device.name)
    person = VirtualPerson(bench, plan.device.name)
    try:
        return run(
            plan,
            profile,
            plan_path.parent / "lab",
            bench=bench,
            operator=person,
            stop=NoStop(),
            progress=QuietProgress(),
            storage=HurriedStorage(),
        )
    finally:
        bench.close()
