"""What `evenfall new` asks, in which order, and what it proposes.

Keys, units, limits and explanations are those of the plan and of the drivers; here stands only
which of them are asked, and why a proposal is a sound one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

import attrs
from attrs import frozen

from drivers.registry import KINDS
from rig.new_answers import bare_type, field_of, words_of
from rig.plan import Plan
from rig.plan_checks import KEYS_OF_LAYOUT, KEYS_OF_SHAPE
from rig.profile import SECTIONS, BenchSection, Profile, kinds_for
from rig.profile_reference import rows_of
from rig.toml_structure import is_key

Place = tuple[str, str]
Answers = Mapping[Place, Any]
NONE: Final = "none"
VIRTUAL: Final = ("rig", "virtual bench")
UNCERTAINTY: Final = ("rig", "state uncertainty")
VALUE: Final = ("plan", "state value")
NEEDED_SECTIONS: Final = ("light_sensor", "power_meter", "stage")
_SCENARIOS: Final = ("quick", "demo")


@frozen(kw_only=True)
class Question:
    """One thing to be asked.

    Attributes
    ----------
    place : tuple of str
        Section and key; of a row of a list ``"registers.0.type"``.
    doc : str
        What it is.
    cls, key : type, str
        The attrs class and the field that judge the answer; `cls` is None for a choice of ours.
    words : tuple of str
        What it can be, if it is a choice.
    proposed : object
        Taken for an empty answer; None is "not stated".
    because : str
        Why the proposal is sound, in half a sentence.
    is_needed : bool
        Whether it has to be answered where nothing is proposed.
    """

    place: Place
    doc: str
    cls: type | None = None
    key: str = ""
    words: tuple[str, ...] = ()
    proposed: Any = None
    because: str = ""
    is_needed: bool = False


Proposal = Callable[[Answers], Any]
#: Section, key, why the default is sound, and what is proposed in its place, if anything is.
_PLAN: Final[tuple[tuple[str, str, str, Proposal | None], ...]] = (
    ("device", "name", "", None),
    ("device", "kind", "most tests are of reflectors", None),
    ("device", "specimen", "", None),
    ("device", "lamp_axis", "a lamp that burns lying, along x", None),
    ("device", "opening", "no angle is then taken as known", None),
    ("device", "clearance_mm", "no limit; state one for anything hot", None),
    ("lamp", "kind", "", None),
    ("lamp", "rated_power_w", "", None),
    ("lamp", "sample", "", None),
    ("lamp", "hours", "", None),
    ("lamp", "burning_position", "state it of a discharge lamp", None),
    ("ballast", "kind", "nothing is then claimed of it", None),
    ("ballast", "sample", "", None),
    ("ballast", "setting", "", None),
    ("ballast", "nominal_voltage_v", "", None),
    ("area", "shape", "tents and trays are rectangles", None),
    ("area", "width_mm", "", None),
    ("area", "depth_mm", "as deep as it is wide", lambda a: a.get(("area", "width_mm"))),
    ("area", "diameter_mm", "", None),
    ("area", "walls", "", None),
    ("area", "walls_identity", "", None),
    ("area", "floor", "", None),
    ("area", "above", "", None),
    ("grid", "layout", "each point stands for an equal area", None),
    ("grid", "rows", "an odd number gives the middle a point", None),
    ("grid", "columns", "as many as rows", lambda a: a.get(("grid", "rows"))),
    ("grid", "x_mm", "", None),
    ("grid", "y_mm", "", None),
    ("grid", "weights_m2", "", None),
    ("heights", "mounting_height_mm", "", None),
    ("limits", "peak_ppfd_umol_m2_s", "", None),
    ("limits", "mean_ppfd_umol_m2_s", "", None),
    ("limits", "minimum_to_mean", "", None),
    ("test", "name", "the device's name", lambda a: a.get(("device", "name"))),
    ("test", "operator", "", None),
    ("test", "notes", "", None),
)
#: The reader of a plan to be run asks for these, though its class does not.
_NEEDED: Final = {
    ("lamp", "kind"),
    ("lamp", "rated_power_w"),
    ("area", "width_mm"),
    ("area", "depth_mm"),
    ("area", "diameter_mm"),
    *(("grid", key) for key in ("x_mm", "y_mm", "weights_m2")),
}
#: Why the default of a key that no line above asks for is sound.
_BECAUSE: Final[Mapping[str, str]] = {
    "delivery": "nothing is then added to the price",
    "years": "common practice, no source",
    "lamp_price": "no replacement is then counted",
    "lamp_end_percent": "the lamp is then taken not to fade",
    "soiling_percent": "the device is then taken to stay clean",
    "upkeep_per_year": "no upkeep is then counted",
    "discount_percent": "a later year then counts like the first",
    "mode": "it is then asked for each reading, none is old",
    "type": "the most usual form; see the maker's list",
}
_CARRIED: Final = "'manual' if you carry the sensor yourself"
#: Asked of an instrument beside what its kind requires.
_ALSO: Final = ("mode", "request", "serial_number", "calibrated_on", "travel_z_mm")


def section_class(cls: type, name: str) -> type:
    """Return the attrs class of a section of a plan or profile."""
    kind: type = bare_type(field_of(cls, name))
    return kind


def plan_places() -> dict[Place, type]:
    """Return the keys of the plan that are asked, with the class that declares them."""
    return {(section, key): section_class(Plan, section) for section, key, _, _ in _PLAN}


def questions(answers: Answers, suited: Answers, *, plan: bool, rig: bool) -> Iterator[Question]:
    """Yield what is to be asked; `answers` grows meanwhile and decides what follows.

    What is `suited` to a bench that was chosen beforehand is proposed in the place of the usual.
    """
    for some in (_plan_questions(answers) if plan else (), _rig_questions(answers) if rig else ()):
        for asked in some:
            if asked.place in suited:
                yield attrs.evolve(
                    asked, proposed=suited[asked.place], because="fits the virtual bench"
                )
            else:
                yield asked


def _plan_questions(answers: Answers) -> Iterator[Question]:
    for section, key, because, proposal in _PLAN:
        if not _belongs(section, key, answers):
            continue
        asked = _of_key(section_class(Plan, section), (section, key), because)
        if (section, key) in _NEEDED:
            asked = attrs.evolve(asked, is_needed=True, proposed=None)
        if proposal is not None:
            asked = attrs.evolve(asked, proposed=proposal(answers))
        yield asked
    yield _yes_no(VALUE, "Whether to state prices, so that the cost of the light is worked out.")
    if answers[VALUE] == "yes":
        yield from _every_key(Plan, "value")


def _belongs(section: str, key: str, answers: Answers) -> bool:
    """Say whether a key of area or grid goes with the shape or layout that was chosen."""
    for chooser, keys in ((("area", "shape"), KEYS_OF_SHAPE), (("grid", "layout"), KEYS_OF_LAYOUT)):
        if section == chooser[0] and any(key in group for group in keys.values()):
            return key in keys[answers[chooser]]
    return True


def _rig_questions(answers: Answers) -> Iterator[Question]:
    yield _of_key(Profile, ("rig", "name"))
    yield _yes_no(VIRTUAL, "Whether the instruments are those of the virtual bench, for practice.")
    if answers[VIRTUAL] == "yes":
        yield attrs.evolve(
            _of_key(BenchSection, ("bench", "scenario"), "a lamp that is stable within a minute"),
            proposed=_SCENARIOS[0],
        )
    else:
        for section in SECTIONS:
            yield from _instrument_questions(section, answers)
    yield _yes_no(UNCERTAINTY, "Whether to state what is known of the bench's uncertainty.")
    if answers[UNCERTAINTY] == "yes":
        yield from _every_key(Profile, "uncertainty")


def _instrument_questions(section: str, answers: Answers) -> Iterator[Question]:
    field = field_of(Profile, section)
    kinds = kinds_for(section)
    is_needed = section in NEEDED_SECTIONS
    is_stage = section == "stage"
    yield Question(
        place=(section, "kind"),
        doc=field.metadata["doc"],
        words=kinds if is_needed else (NONE, *kinds),
        proposed=kinds[0] if is_stage else None if is_needed else NONE,
        because=_CARRIED if is_stage else "" if is_needed else "not fitted",
        is_needed=is_needed,
    )
    kind = answers[(section, "kind")]
    if kind == NONE:
        return
    options = KINDS[kind].options
    for item in attrs.fields(options):
        if item.default is not attrs.NOTHING and item.name not in _ALSO:
            continue
        if inner := rows_of(options, item.name):
            yield from _row_questions(section, item.name, inner[0], answers)
            continue
        asked = _of_key(options, (section, item.name))
        side = {"travel_x_mm": "width_mm", "travel_y_mm": "depth_mm"}.get(item.name, "")
        extent = answers.get(("area", side), answers.get(("area", "diameter_mm")))
        if side and extent:
            because = "from wall to wall of the area"
            asked = attrs.evolve(asked, proposed=[0.0, extent], because=because)
        yield asked


def _row_questions(section: str, key: str, row: type, answers: Answers) -> Iterator[Question]:
    """Ask for the rows of a list, wall power first, until there are no more."""
    quantities = words_of(field_of(row, "quantity"))
    for count in range(len(quantities)):
        place = (section, f"{key}.{count}.quantity")
        yield Question(
            place=place,
            doc=field_of(row, "quantity").metadata["doc"],
            words=quantities if count == 0 else (NONE, *quantities),
            proposed="wall_power_w" if count == 0 else NONE,
            because="it has to be read" if count == 0 else "no more quantities",
        )
        if answers[place] == NONE:
            return
        for item in attrs.fields(row):
            is_asked = item.default is attrs.NOTHING or item.name == "type"
            if is_asked and item.name != "quantity":
                yield _of_key(row, (section, f"{key}.{count}.{item.name}"))


def _every_key(cls: type, section: str) -> Iterator[Question]:
    inner = section_class(cls, section)
    for item in attrs.fields(inner):
        if is_key(item):
            yield _of_key(inner, (section, item.name))


def _of_key(cls: type, place: Place, because: str = "") -> Question:
    key = place[1].rpartition(".")[2]
    field = field_of(cls, key)
    default = None if field.default is attrs.NOTHING else field.default
    if default != default or default == "":  # NaN and empty text are "not stated"
        default = None
    return Question(
        place=place,
        doc=field.metadata["doc"],
        cls=cls,
        key=key,
        words=tuple(str(word) for word in words_of(field)),
        proposed=default,
        because=because or ("" if default is None else _BECAUSE.get(key, "")),
        is_needed=field.default is attrs.NOTHING,
    )


def _yes_no(place: Place, doc: str) -> Question:
    return Question(
        place=place,
        doc=doc,
        words=("yes", "no"),
        proposed="no",
        because="can be added to the file later",
    )
