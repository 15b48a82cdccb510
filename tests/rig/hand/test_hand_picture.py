"""The picture of a hand run fits its terminal, and says by shape what it says by colour."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.hand.lettering import ASCII, UNICODE, Lettering
from rig.hand.pages import Phase, pages_of, phase_picture, question_picture
from rig.hand.picture import view_picture
from rig.hand.view import HandView
from rig.operator import Prompt
from rig.safety import cautions_text
from tests.rig.hand.hand_views import KEYS, view_of

SIGNS = pytest.mark.parametrize("signs", [UNICODE, ASCII], ids=["unicode", "ascii"])


def shown(view: HandView, signs: Lettering = UNICODE, width: int = 80, height: int = 24) -> str:
    lines = view_picture(view, "61", "", width, height, signs)
    assert len(lines) == height
    assert max(line.cell_len for line in lines) <= width
    return "\n".join(line.plain for line in lines)


@SIGNS
@pytest.mark.parametrize("count", [1, 3, 8, 9, 10, 16])
def test_whole_grid_fits_on_eighty_by_twenty_four(count, signs):
    read = count * count // 2
    text = shown(view_of(count, read), signs)
    legend = re.search(r".* read .* next", text)
    assert legend
    drawn = text.replace(legend[0], "")
    body = "\n".join(
        re.findall(f"[{signs.upright}{signs.row_mark}](.*){re.escape(signs.upright)}", drawn)
    )
    assert body.count(signs.next) == 1
    if not signs.is_plain:  # in plain characters the large figures are made of the same sign
        assert drawn.count(signs.done) == read
        assert drawn.count(signs.open) == count * count - read - 1
    for wall in ("back", "front", "from the left wall", "from the front wall"):
        assert wall in text


def test_states_are_told_by_shape():
    signs = {UNICODE.done, UNICODE.open, UNICODE.skipped, UNICODE.next}
    assert len(signs) == 4
    assert len({ASCII.done, ASCII.open, ASCII.skipped, ASCII.next}) == 4


def test_row_one_lies_at_the_front_wall_and_column_one_at_the_left():
    lines = shown(view_of(3, 0)).splitlines()
    (at,) = [number for number, line in enumerate(lines) if "[◆]" in line]
    front = next(number for number, line in enumerate(lines) if "front wall ─" in line)
    back = next(number for number, line in enumerate(lines) if "back wall ─" in line)
    assert back < at == front - 1
    assert lines[at].index("[◆]") < lines[at].index("·")


def test_place_is_given_from_two_walls_counted_from_one():
    text = shown(view_of(8, 8 * 2 + 6))
    assert "975 mm from the left wall" in text  # (6 + 1/2) · 1200 / 8
    assert "375 mm from the front wall" in text  # (2 + 1/2) · 1200 / 8
    large = [line[:32].rstrip() for line in text.splitlines()[3:9]]
    assert large == [
        "ROW       COLUMN",
        "██████    ██████",
        "    ██        ██",
        "  ████      ██",
        "    ██      ██",
        "██████      ██",
    ]


def test_countdown_takes_the_place_of_row_and_column():
    text = shown(view_of(8, 22, countdown_s=6.2, asks="nothing", keys=()))
    assert "SECONDS" in text
    assert "COLUMN" not in text


def test_figures_of_two_digits_find_room_beside_sixteen_columns():
    text = shown(view_of(16, 16 * 15 + 15))
    assert re.search(r"(?m)^  ██    ██████    ", text)  # the top of 16


@SIGNS
def test_long_words_give_way_to_what_is_asked(signs):
    long = view_of(
        16,
        100,
        asks="value",
        typed_label="PPFD in µmol/m²/s",
        device="a device with a very long name " * 5,
        instruction="One word after another, to no end. " * 12,
        message="612 follows 61: meant 612?",
        last="row 16, column 16: 1234.5 µmol/m²/s, read again after the door stood open",
        live="612.4 W   231.0 V   steady for 3 of 5 s, which is not long enough yet",
    )
    text = shown(long, signs)
    assert "612 follows 61" in text
    assert ": 61_" in text
    assert "x  stop" in text


@SIGNS
@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    width=st.integers(1, 130),
    height=st.integers(1, 50),
    count=st.integers(1, 30),
    asks=st.sampled_from(["key", "value", "text", "nothing"]),
    message=st.text(max_size=60),
    is_counting=st.booleans(),
)
def test_any_terminal_gets_as_many_lines_as_it_has(
    signs, width, height, count, asks, message, is_counting
):
    countdown_s = 12.0 if is_counting else None
    shown(
        view_of(count, count // 2, asks=asks, message=message, countdown_s=countdown_s),
        signs, width, height,
    )  # fmt: skip


def test_small_terminal_says_so_and_still_leads():
    text = shown(view_of(9, 30), width=60, height=16)
    assert "60 × 16" in text
    assert "Row 4, column 4" in text
    assert "x  stop" in text


def test_height_that_is_not_known_is_not_stated():
    text = shown(view_of(3, 0, mounting_height_mm=math.nan))
    assert "Reflector A" in text
    assert "nan" not in text


def test_key_that_enter_stands_for_is_marked():
    assert "d or Enter  done" in shown(view_of(3, 0, enter_key="d"))
    assert "Enter" not in shown(view_of(3, 0, keys=KEYS))


def test_text_that_would_steer_a_terminal_is_shown_as_a_question_mark():
    assert "Evil?[2J" in shown(view_of(3, 0, device="Evil\x1b[2J"))


def test_plain_characters_need_nothing_but_ascii():
    assert shown(view_of(9, 30), ASCII).isascii()
    assert "umol/m2/s" in shown(view_of(9, 30), ASCII)


@SIGNS
@pytest.mark.parametrize("kind", ["high-pressure sodium", "metal halide", "LED"])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 10), (100, 50)])
def test_every_word_of_the_cautions_can_be_read_before_they_are_answered(
    kind, width, height, signs
):
    prompt = Prompt(kind="cautions", text=cautions_text(kind), choices=("yes", "stop"))
    pages = pages_of(prompt, width, height, signs)
    read = ""
    for number in range(len(pages)):
        lines = question_picture(prompt, number, "", "", width, height, signs)
        assert len(lines) == height
        assert max(line.cell_len for line in lines) <= width
        assert ("yes / stop" in "\n".join(line.plain for line in lines)) == (
            number == len(pages) - 1
        )
        plain = [line.plain for line in lines]
        (end,) = [at for at, line in enumerate(plain) if re.match("  (Page|Answer)", line)]
        read += " ".join(plain[:end]) + " "
    assert read.split() == signs.text(prompt.text).split()


def test_phase_shows_how_far_it_is():
    phase = Phase(
        name="Warm-up", detail="0.5 % over 15 min", done=900.0, total=3600.0,
        text="on 15 min  850 µmol/m²/s", left_s=2700.0, earlier=("Cautions",),
    )  # fmt: skip
    lines = phase_picture(phase, 80, 24, UNICODE)
    text = "\n".join(line.plain for line in lines)
    assert len(lines) == 24
    (bar,) = re.findall("█+░+", text)
    assert bar.count("█") / len(bar) == pytest.approx(0.25, abs=0.02)
    assert "45 min left" in text
    assert "Cautions" in text
