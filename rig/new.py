"""`evenfall new`: questions, one after the other, become a plan and a rig profile.

Every answer is judged at once by what judges the file. Nothing is written before the end; then
both files are written whole and read back, or none is.
"""

from __future__ import annotations

import argparse
import inspect
import sys
import textwrap
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import attrs

from drivers.registry import KINDS
from drivers.simulated.scenario import ScenarioError
from drivers.simulated.scenario import load as load_scenario
from drivers.simulated.script import script_file
from rig import plan_checks
from rig.new_answers import AnswerError, field_of, read_answer, word_meant
from rig.new_file import render, there_already, toml, write_files
from rig.new_questions import (
    NEEDED_SECTIONS,
    NONE,
    Place,
    Question,
    plan_places,
    questions,
    section_class,
)
from rig.plan import Plan, read_plan
from rig.profile import Profile, cross_check, read_profile
from rig.toml_faults import ConfigError, either, needs_folder
from rig.toml_structure import examine, structure
from rig.virtual_plan import suited_plan

WIDTH: Final = 80
HEAD: Final = (
    "Each question says what it asks and what an empty answer stands for. - leaves a thing out, "
    "< goes back, ? says what is allowed. Ctrl-C stops; nothing is written before the end."
)
_OURS: Final = ("rig", "plan")
_FOLLOWERS: Final = {
    ("area", "depth_mm"): ("area", "width_mm"),
    ("grid", "columns"): ("grid", "rows"),
}


class _Back(Exception):
    """The person wants to see the question before again."""


def run_new(options: argparse.Namespace) -> int:
    """Carry out `evenfall new` with the arguments of `rig.new_options`.

    Raises
    ------
    ConfigError
        A file is there already; an option is wrong or, with ``--yes``, missing.
    OSError
        A file could not be written.
    """
    for stream in (sys.stdin, sys.stdout):  # a foreign byte is a wrong answer, not the end of us
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    wanted = {name: options.only in (None, name) for name in ("plan", "rig")}
    files = {name: options.out / f"{name}.toml" for name, is_wanted in wanted.items() if is_wanted}
    needs_folder(options.out)
    for file in files.values():
        if file.exists() or file.is_symlink():
            raise there_already(file)
    given = _given(options)
    suited = _suited(given)
    ask = _settle if options.yes else _interview
    answers = {**suited, **ask(given, suited, wanted)}
    if answers.get(("light_sensor", "kind")) == "keyed":  # nobody types each value three times
        answers.setdefault(("sampling", "samples_per_point"), 1)
    head = ["Written by 'evenfall new'; change it as you like. Lines with # are not in force."]
    written: dict[Path, tuple[str, Callable[[Path], object]]] = {}
    if wanted["plan"]:
        text = render(_plan(answers), Plan, ["A test plan.", *head])
        written[files["plan"]] = (text, read_plan)
    if wanted["rig"]:
        text = render(_rig(answers), Profile, ["A rig profile.", *head])
        written[files["rig"]] = (text, read_profile)
    write_files(written)
    for file in files.values():
        print(f"Written: {file}")
    if len(files) == 2:
        for problem in cross_check(read_plan(files["plan"]), read_profile(files["rig"])):
            _say(f"To be seen to before a run: {problem}")
    rig = files.get("rig", Path("rig.toml"))
    print(f"Next: evenfall check {files.get('plan', 'plan.toml')} --rig {rig}")
    return 0


def _given(options: argparse.Namespace) -> dict[Place, str]:
    """Collect what the options answer; whether it is right is seen when its turn comes."""
    given: dict[Place, str] = dict(options.facts)
    for text in options.set:
        name, equals, value = text.partition("=")
        section, point, key = name.strip().partition(".")
        if not (equals and point and key):
            raise ConfigError(
                "--set", [f"is {text!r}; give SECTION.KEY=VALUE, e.g. lamp.minimum_off_s=600"]
            )
        given[(section, key)] = value.strip()
    return given


def _suited(given: Mapping[Place, str]) -> dict[Place, Any]:
    """Answer for the virtual bench, if one was chosen, all that a plan has to say of it."""
    name = given.get(("bench", "scenario"))
    if name is None:
        return {}
    try:
        scenario = load_scenario(script_file(name, Path()))[0]
    except ScenarioError as error:
        raise ConfigError(
            "--virtual-bench", [f"{error.source}: {it}" for it in error.faults]
        ) from None
    hung = given.get(("device", "name"), scenario.device)
    device = next((one for one in scenario.devices if one.name == hung), scenario.devices[0])
    raw = suited_plan(scenario, device, scenario.mounting_height_mm)
    suited: dict[Place, Any] = {("rig", "name"): f"virtual bench, {name}"}
    for section, table in raw.items():
        if isinstance(table, dict):
            suited |= {(section, key): value for key, value in table.items()}
    for follower, leader in _FOLLOWERS.items():  # as wide as it was said to be deep, not as ours
        if leader in given:
            del suited[follower]
    return suited


def _settle(
    given: Mapping[Place, str], suited: Mapping[Place, Any], wanted: Mapping[str, bool]
) -> dict[Place, Any]:
    """Answer every question from the options, else by what is proposed."""
    answers: dict[Place, Any] = {}
    problems: list[str] = []
    for question in questions(answers, suited, **wanted):
        name = ".".join(question.place)
        answers[question.place] = question.proposed
        if question.place in given:
            try:
                answers[question.place] = _taken(given[question.place], question)
            except AnswerError as error:
                problems.append(f"{name} {error}")
        elif question.proposed is None and question.is_needed:
            problems.append(f"{name} is missing; {_allowed(question)}")
            if question.words and question.cls is None:
                answers[question.place] = NONE
    if problems:
        raise ConfigError("evenfall new --yes", problems)
    answers.update(_unasked(given, answers))
    return answers


def _unasked(given: Mapping[Place, str], answers: Mapping[Place, Any]) -> dict[Place, Any]:
    """Take what was set beside the questions."""
    more: dict[Place, Any] = {}
    problems = []
    for place, text in given.items():
        if place in answers:
            continue
        try:
            more[place] = read_answer(_class_of(place, answers), place[1], text)
        except AnswerError as error:
            problems.append(f"{'.'.join(place)} {error}")
        except (AttributeError, TypeError):
            problems.append(
                f"{'.'.join(place)} is no key here; see hardware/example-plan.toml and "
                "hardware/profile-reference.md"
            )
    if problems:
        raise ConfigError("evenfall new", problems)
    return more


def _class_of(place: Place, answers: Mapping[Place, Any]) -> type:
    section, _ = place
    if (kind := answers.get((section, "kind"))) in KINDS:
        return KINDS[kind].options
    for cls in (Plan, Profile):
        if section in {item.name for item in attrs.fields(cls)}:
            return section_class(cls, section)
    raise AttributeError(section)


def _interview(
    given: Mapping[Place, str], suited: Mapping[Place, Any], wanted: Mapping[str, bool]
) -> dict[Place, Any]:
    """Ask until all is answered and fits together."""
    _say(HEAD)
    answers: dict[Place, Any] = {}
    asked: list[Place] = []
    while True:
        try:
            _ask_all(given, suited, answers, asked, wanted)
        except _Back:
            if asked:
                answers.pop(asked.pop(), None)
            else:
                _say("This is the first question.")
            continue
        everything = {**suited, **answers, **_unasked(given, answers)}
        wrong = _misfits(everything, wanted)
        again = [place for place in asked if any(_is_at(place, path) for path, _ in wrong)]
        if not again:
            return everything
        for _, problem in wrong:
            _say(problem)
        for place in again:
            asked.remove(place)
            del answers[place]


def _ask_all(
    given: Mapping[Place, str],
    suited: Mapping[Place, Any],
    answers: dict[Place, Any],
    asked: list[Place],
    wanted: Mapping[str, bool],
) -> None:
    seen: set[Place] = set()
    section = asked[-1][0] if asked else ""
    for question in questions(answers, suited, **wanted):
        seen.add(question.place)
        if question.place in answers:
            continue
        if question.place in given:
            try:
                answers[question.place] = _taken(given[question.place], question)
                continue
            except AnswerError as error:
                _say(f"{'.'.join(question.place)} {error}")
        if question.place[0] != section:
            section = question.place[0]
            print(f"\n{_title(section)}")
        answers[question.place] = _ask(question)
        asked.append(question.place)
    # Going back may have closed a branch: what was answered there is not meant any more.
    for place in set(answers) - seen:
        del answers[place]
    asked[:] = [place for place in asked if place in seen]


def _title(section: str) -> str:
    if section in _OURS:
        return {"rig": "THE RIG", "plan": "VALUE"}[section]
    for known, cls in plan_places().items():
        if known[0] == section:
            first = inspect.cleandoc(cls.__doc__ or "").splitlines()[0]
            return f"{section.upper()}: {first.partition(': ')[2]}"
    return section.replace("_", " ").upper()


def _ask(question: Question) -> Any:
    unit = "" if question.cls is None else _unit(question)
    _say(question.doc + unit, indent="  ")
    for number, word in enumerate(question.words, 1):
        print(f"    {number} {word}")
    name = question.place[1].rpartition(".")[2]
    while True:
        try:
            text = input(f"  {name} [{_proposal(question)}]: ").replace("\t", " ").strip()
        except EOFError:
            print()
            raise ConfigError(
                "evenfall new", ["the answers ended before the questions; nothing was written"]
            ) from None
        if not sys.stdin.isatty():  # nobody's Enter has ended the line
            print()
        if text == "<":
            raise _Back
        if text == "?":
            _say(_allowed(question), indent="  ")
            continue
        try:
            return _taken(text, question)
        except AnswerError as error:
            _say(f"{name} {error}", indent="  ")


def _proposal(question: Question) -> str:
    if question.proposed is None:
        return "needed" if question.is_needed else "Enter: not stated"
    value = question.proposed
    shown = str(value) if question.words or isinstance(value, str) else toml(value)
    short = f"{shown}: {question.because}"
    return short if len(short) <= 58 else shown


def _taken(text: str, question: Question) -> Any:
    """Return the value of an answer; None is "not stated"."""
    if not text.isprintable() or "\ufffd" in text:
        raise AnswerError("holds a sign that is no text; give plain text on one line")
    if text == "":
        if question.proposed is None and question.is_needed:
            raise AnswerError(f"is needed; {_allowed(question)}")
        return question.proposed
    if text == "-":
        if question.is_needed:
            raise AnswerError(f"cannot be left out; {_allowed(question)}")
        return NONE if NONE in question.words and question.cls is None else None
    if question.cls is not None:
        return read_answer(question.cls, question.key, text)
    word = word_meant(text, question.words)
    if word not in question.words:
        raise AnswerError(f"is {text!r}; {_allowed(question)}")
    return word


def _allowed(question: Question) -> str:
    if question.cls is None:
        return f"give {either(question.words)}"
    return str(field_of(question.cls, question.key).metadata.get("allowed", "give a value"))


def _unit(question: Question) -> str:
    assert question.cls is not None
    unit = field_of(question.cls, question.key).metadata.get("unit", "")
    return f" [{unit}]" if unit not in ("", "1") else ""


def _misfits(
    answers: Mapping[Place, Any], wanted: Mapping[str, bool]
) -> list[tuple[tuple[str | int, ...], str]]:
    """Find answers that are sound in themselves but not together."""
    faults = examine(_plan(answers), Plan, plan_checks.faults)[1] if wanted["plan"] else []
    if wanted["rig"]:
        faults += structure(_rig(answers), Profile)[1]
    return [(fault.path, str(fault)) for fault in faults]


def _is_at(place: Place, path: tuple[str | int, ...]) -> bool:
    return path[:2] == place or path == place[:1]


def _plan(answers: Mapping[Place, Any]) -> dict[str, Any]:
    raw = _tables(answers, Plan)
    return {"format": 1, **raw, "lamp": raw.get("lamp", {})}


def _rig(answers: Mapping[Place, Any]) -> dict[str, Any]:
    head: dict[str, Any] = {"format": 1, "name": answers.get(("rig", "name")) or ""}
    raw = _tables(answers, Profile)
    if scenario := answers.get(("bench", "scenario")):
        from drivers.simulated.attach import rig_text, usual_instruments
        from drivers.simulated.bench import VirtualBench

        bench = VirtualBench.from_scenario(script_file(scenario, Path()))
        text = rig_text(usual_instruments(bench), name=head["name"], scenario=scenario)
        fitted = tomllib.loads(text)
        raw = {**fitted, **raw}
    return {**raw, **head}


def _tables(answers: Mapping[Place, Any], cls: Any) -> dict[str, Any]:
    """Put answers into sections, rows of lists into their lists; what is not stated stays out."""
    known = {item.name for item in attrs.fields(cls)}
    raw: dict[str, Any] = {}
    for (section, key), value in answers.items():
        if section not in known or value is None:
            continue
        if value == NONE and key.endswith("quantity"):
            continue
        if key == "kind" and value == NONE and section not in (*NEEDED_SECTIONS, "ballast"):
            continue
        if section == "value" and value == field_of(section_class(cls, section), key).default:
            continue  # a price of nothing is not stated, and stands as a comment
        table = raw.setdefault(section, {})
        name, _, rest = key.partition(".")
        if not rest:
            table[name] = value
            continue
        count, _, inner = rest.partition(".")
        rows = table.setdefault(name, [])
        rows.extend({} for _ in range(int(count) + 1 - len(rows)))
        rows[int(count)][inner] = value
    return raw


def _say(text: str, indent: str = "") -> None:
    print(
        textwrap.fill(
            text,
            WIDTH - 1,
            initial_indent=indent,
            subsequent_indent=indent,
            break_on_hyphens=False,
        ),
        flush=True,
    )
