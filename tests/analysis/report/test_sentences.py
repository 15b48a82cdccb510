import numpy as np
import pytest
from attrs import evolve

from analysis.causes import Budget, Cause, Influence
from analysis.report import sentences
from analysis.run_folder import load
from analysis.summary import summarise
from tests import synthetic_run
from tests.analysis.comparable import map_with


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = synthetic_run.write_run(tmp_path_factory.mktemp("sentences") / "run")
    return summarise(load(folder))


def event(elapsed_s, name, subject="", detail=""):
    return {
        "elapsed_s": elapsed_s,
        "utc": "2026-01-05T09:00:00.000Z",
        "event": name,
        "subject": subject,
        "detail": detail,
    }


def told(run, *events):
    return [sentence for _, sentence in sentences.happenings(evolve(run, events=events))]


@pytest.mark.parametrize(
    ("parts", "text"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (list("abc"), "a, b and c")],
)
def test_lists_read_as_people_write_them(parts, text):
    assert sentences.listed(parts) == text


def test_events_become_plain_words(run):
    assert told(
        run,
        event(0.0, "run-begun", "Reflector S"),
        event(9.0, "lamp-stable", "L-01"),
        event(10.0, "fault", "light_sensor", "no reply"),
    ) == ["Run begun: Reflector S", "Lamp stable: L-01", "Fault: light sensor: no reply"]


def test_an_event_of_a_later_version_is_still_told(run):
    assert told(run, event(0.0, "door-opened", "", "by hand")) == ["Door opened: by hand"]


def test_long_repetitions_are_counted_and_short_ones_kept(run):
    retries = [event(float(at), "retry", "light_sensor", "no reply") for at in range(9)]
    assert told(run, *retries) == ["Tried again: light sensor: no reply (9 times alike)"]
    assert told(run, *retries[:3]) == ["Tried again: light sensor: no reply"] * 3


def test_different_causes_are_never_counted_as_one(run):
    five = [event(float(at), "fault", "light_sensor", f"cause {at}") for at in range(5)]
    assert told(run, *five) == [f"Fault: light sensor: cause {at}" for at in range(5)]


def test_prompts_answered_as_a_matter_of_course_are_counted_not_listed(run):
    events = [
        event(0.0, "prompt", "move", "Move sensor to row 1, column 1"),
        event(1.0, "answer", "move", "done"),
        event(2.0, "prompt", "move", "Move sensor to row 1, column 2"),
        event(3.0, "answer", "move", "skip: cable too short"),
        event(4.0, "prompt", "move", "Move sensor to row 1, column 3"),
        event(5.0, "stopped", "", "by the operator"),
    ]
    assert told(run, *events) == [
        "Asked: move: Move sensor to row 1, column 2",
        "Answered: move: skip: cable too short",
        "Asked: move: Move sensor to row 1, column 3",
        "Stopped: by the operator",
        "2 routine prompts and answers are left out here",
    ]


def test_a_moment_of_stability_is_told_with_its_rule(run):
    assert "both together after" in sentences.warm_up_sentence(run.warm_ups[0])
    (rule,) = sentences.rule_sentences([run, run])
    assert "by rule bench" in rule
    assert "common practice, no source" in rule


def test_a_lamp_that_never_settled_is_said_with_the_reason(tmp_path):
    folder = synthetic_run.write_run(tmp_path / "run", warm_up_s=600.0)
    sentence = sentences.warm_up_sentence(summarise(load(folder)).warm_ups[0])
    assert sentence.startswith("Not stable within what was recorded (light: on for 600 s")


def test_the_mean_before_correction_is_the_weighted_mean_of_the_readings(run):
    # The plain function of the synthetic run: 500 everywhere, 0.5 of dark subtracted.
    assert sentences.raw_mean(run.maps[0]) == pytest.approx(500.0)


def test_the_pitch_below_which_a_feature_hides_is_stated(run):
    # 1200 mm over nine cells.
    assert "the pitch of 133 mm" in sentences.spots_sentence(run.maps[0])


def test_deficits_name_their_side_of_the_mean(run):
    map_ = evolve(run.maps[0], corner_deficit=0.312, edge_deficit=-0.021, uncertainty=None)
    said = sentences.deficit_sentence(map_).replace("\u202f", " ")
    assert said == "Corners lie 31.2 % below the mean and edges lie 2.1 % above the mean."


def test_a_single_point_is_known_as_well_as_its_causes_together():
    # Two causes of 3 % and 4 % at one point are 5 %; 3 % alone at the other: times 1.96.
    causes = [
        Cause(key=key, name=key, kind="B", distribution="normal", source="by hand") for key in "ab"
    ]
    influences = (
        Influence(cause=causes[0], light=np.array([0.03, 0.03])),
        Influence(cause=causes[1], light=np.array([0.04, 0.0])),
    )
    of_two = Budget(
        influences=influences, ppfd=np.array([500.0, 400.0]), weights_m2=np.ones(2),
        plane_efficacy_umol_j=1.2, continuous_variation=None, variation_left=0.0,
        reinstallation=0.01, reinstallation_source="by hand",
    )  # fmt: skip
    said = sentences.points_sentence(map_with(400.0, 1.2, budget=of_two)).replace("\u202f", " ")
    assert said == (
        "A single point is known to ± 5.9 % to ± 9.8 % (95 %), most of which all points share."
    )
    assert sentences.points_sentence(map_with(400.0, 1.2, budget=None)) == ""
