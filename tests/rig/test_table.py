"""Hand-measured tables: every usual way of writing one is read, and nothing is guessed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.table import read_table
from rig.table_cells import TableError

# The sheet of a 3 × 3 clipboard, far row first, with one point not read.
FAR_FIRST = "410,520,405\n530,690,525\n398,507,-\n"
ROWS = ((398.0, 507.0, None), (530.0, 690.0, 525.0), (410.0, 520.0, 405.0))


def read(content, **options):
    data = content if isinstance(content, bytes) else content.encode()
    return read_table(data, "sheet.csv", **options)


def problems(content, **options):
    with pytest.raises(TableError) as caught:
        read(content, **options)
    return caught.value.problems


def read_or_told(content):
    """Return the table and no problem, or no table and the problems; nothing else may happen."""
    try:
        return read(content), ()
    except TableError as error:
        return None, error.problems


# -- what is read ------------------------------------------------------------------------------


def test_the_first_line_of_a_clipboard_is_the_far_row():
    table = read(FAR_FIRST)
    assert table.values == ROWS
    assert (table.rows, table.columns, table.form) == (3, 3, "matrix")
    assert (table.x_mm, table.y_mm) == (None, None)


def test_the_first_line_can_be_the_near_row():
    assert read(FAR_FIRST, first_line="near").values == ROWS[::-1]


def test_the_cells_are_kept_as_they_stand_in_the_file():
    assert read("1;2,50\n 03 ; -\n").raw == (("03", "-"), ("1", "2,50"))


@pytest.mark.parametrize(
    ("content", "separator", "decimal"),
    [
        (FAR_FIRST, "comma", "point"),
        (FAR_FIRST.replace(",", ", "), "comma", "point"),
        (FAR_FIRST.replace(",", ";"), "semicolon", "point"),
        (FAR_FIRST.replace(",", "\t"), "tab", "point"),
        ("410,0;520,0;405,0\n530,0;690,0;525,0\n398,0;507,0;-\n", "semicolon", "comma"),
        ("410,0\t520,0\t405,0\n530\t690\t525\n398\t507\t-\n", "tab", "comma"),
        ('"410,0","520,0","405,0"\n530,690,525\n398,507,-\n', "comma", "comma"),
        ("410.0,520.0,405.0\n530,690,525\n398,507,-", "comma", "point"),
        (
            "4,1e2;5.2E+02;405\n".replace("5.2E", "5,2E") + "530;690;525\n398;507;\n",
            "semicolon",
            "comma",
        ),
        ("sep=;\n410;520;405\n530;690;525\n398;507;–\n", "semicolon", "point"),
    ],
)
def test_separators_and_decimal_signs_are_told_apart(content, separator, decimal):
    table = read(content)
    assert table.values == ROWS
    assert (table.sheet.separator, table.sheet.decimal) == (separator, decimal)


@pytest.mark.parametrize(
    ("encode", "encoding"),
    [
        (lambda text: text.encode(), "utf-8"),
        (lambda text: b"\xef\xbb\xbf" + text.encode(), "utf-8"),
        (lambda text: text.replace("\n", "\r\n").encode(), "utf-8"),
        (lambda text: text.replace("\n", "\r").encode(), "utf-8"),
        (lambda text: text.encode("latin-1"), "latin-1"),
        (lambda text: text.encode("utf-16"), "utf-16"),
        (lambda text: (text + "\n\n  \n").encode(), "utf-8"),
    ],
)
def test_encodings_and_line_ends_make_no_difference(encode, encoding):
    text = "x (cm);y (cm);PPFD (µmol/m²/s)\n15;15;398,5\n45;15;507\n15;45;530\n45;45;\n"
    table = read(encode(text))
    assert table.values == ((398.5, 507.0), (530.0, None))
    assert (table.x_mm, table.y_mm) == ((150.0, 450.0), (150.0, 450.0))
    assert table.sheet.encoding == encoding


@pytest.mark.parametrize(
    ("headings", "mm"),
    [
        ("x_mm,y_mm,ppfd_umol_m2_s", 1),
        ("X [cm],Y [cm],Value", 10),
        ("x (m),y (m),reading (µmol m⁻² s⁻¹)", 1000),
        ("x/mm,y/mm,PPFD/µmol/(m²·s)", 1),
        ("x mm,y mm,ppfd [umol m-2 s-1]", 1),
    ],
)
def test_headings_name_the_columns_and_their_units(headings, mm):
    table = read(f"{headings}\n1,2,500\n3,2,600\n")
    assert table.x_mm == (1.0 * mm, 3.0 * mm)
    assert table.y_mm == (2.0 * mm,)
    assert table.values == ((500.0, 600.0),)


def test_columns_of_points_may_come_in_any_order_and_rows_too():
    table = read("ppfd,y_mm,x_mm\n4,20,20\n1,10,10\n3,20,10\n2,10,20\n")
    assert table.values == ((1.0, 2.0), (3.0, 4.0))


def test_a_unit_that_the_headings_leave_open_can_be_said():
    assert read("x,y,ppfd\n1,2,500\n3,2,600\n", positions_in="cm").x_mm == (10.0, 30.0)


def test_points_that_are_not_in_the_list_are_missing_and_not_made_up():
    table = read("x_mm,y_mm,ppfd\n0,0,1\n10,0,2\n0,10,3\n")
    assert table.values == ((1.0, 2.0), (3.0, None))
    assert table.raw == (("1", "2"), ("3", ""))


@pytest.mark.parametrize("corner", ["mm", "y\\x mm", "y/x (mm)", "y_mm \\ x_mm", "[mm]"])
def test_a_unit_in_the_first_cell_makes_positions_of_line_and_column(corner):
    table = read(f"{corner};10;20\n40;3;4\n30;1;2\n")
    assert (table.x_mm, table.y_mm) == ((10.0, 20.0), (30.0, 40.0))
    assert table.values == ((1.0, 2.0), (3.0, 4.0))


def test_positions_decide_and_not_the_order_of_the_lines():
    # Rows from near to far, columns from right to left.
    table = read("cm,2,1\n3,2,1\n4,4,3\n", first_line="far")
    assert (table.x_mm, table.y_mm) == ((10.0, 20.0), (30.0, 40.0))
    assert table.values == ((1.0, 2.0), (3.0, 4.0))


def test_positions_may_be_given_along_one_side_only():
    table = read("mm,10,20\n,3,4\n,1,2\n")
    assert (table.x_mm, table.y_mm) == ((10.0, 20.0), None)
    assert table.values == ((1.0, 2.0), (3.0, 4.0))


def test_a_typographic_minus_alone_is_a_dash():
    assert read("1,−\n3,4\n").values == ((3.0, 4.0), (1.0, None))


# -- what is refused ---------------------------------------------------------------------------


def test_all_faults_of_a_file_are_listed_with_line_and_column():
    with pytest.raises(TableError) as caught:
        read("410,52O,405\n530,-690,525\n398,507,99999\n1,nan,inf\n")
    assert str(caught.value) == (
        "5 problems in sheet.csv:\n"
        "  line 1, column 2 is '52O'; give a number of µmol/m²/s, e.g. 512, or - for a point that "
        "was not read\n"
        "  line 2, column 2 is '-690'; PPFD is never below 0: give what the meter showed, or - "
        "for a point that was not read\n"
        "  line 3, column 3 is '99999', above 10000 µmol/m²/s; check whether the table is in "
        "lux, and say --values-in lux if it is\n"
        "  line 4, column 2 is 'nan'; give a number of µmol/m²/s, e.g. 512, or - for a point that "
        "was not read\n"
        "  line 4, column 3 is 'inf'; give a number of µmol/m²/s, e.g. 512, or - for a point that "
        "was not read"
    )


@pytest.mark.parametrize(
    "heading", ["lux", "illuminance_lx", "value (lux)", "reading [lx]", "Illuminance"]
)
def test_a_heading_says_that_the_readings_are_in_lux(heading):
    table = read(f"x_mm,y_mm,{heading}\n1,2,33600\n")
    assert (table.unit.name, table.values) == ("lux", ((33600.0,),))


def test_a_matrix_is_in_lux_only_if_somebody_says_so():
    assert read("9000,8000\n").unit.name == "ppfd"
    assert read("9000,8000\n", values_in="lux").unit.name == "lux"
    assert problems("x_mm,y_mm,ppfd_umol_m2_s\n1,2,3\n", values_in="lux") == (
        "line 1, column 3 states µmol/m²/s, but --values-in says lux; leave one of them out",
    )
    (told,) = problems("200001\n", values_in="lux")
    assert told == "line 1, column 1 is '200001', above 200000 lx; check the unit of the table"


def test_ragged_rows_are_refused_together_with_bad_cells():
    assert problems("1,2,3\n4,5\n6,x,8,9\n") == (
        "line 2 has 2 cells, line 1 has 3; give each line as many, with - for a point that was "
        "not read",
        "line 3 has 4 cells, line 1 has 3; give each line as many, with - for a point that was "
        "not read",
        "line 3, column 2 is 'x'; give a number of µmol/m²/s, e.g. 512, or - for a point that was "
        "not read",
    )


def test_units_that_are_not_stated_are_asked_for():
    assert problems("x,y_mm,ppfd\n1,2,3\n") == (
        "line 1, column 1 is 'x' without a unit; write mm, cm or m with it, e.g. x_mm, or say "
        "--positions-in",
    )


@pytest.mark.parametrize(
    ("headings", "problem"),
    [
        ("x_ft,y_mm,ppfd", "line 1, column 1 states the unit 'ft'; give mm, cm or m"),
        (
            "x_mm,y_mm,value (W/m²)",
            "line 1, column 3 states the unit 'w/m²'; give PPFD in µmol/m²/s, or lux. Other units "
            "cannot be turned into it without the lamp's spectrum",
        ),
        (
            "x_mm,y_mm,ppfd,note",
            "line 1, column 4 is the heading 'note'; give x, y and the value only, e.g. x_mm, "
            "y_mm, ppfd_umol_m2_s",
        ),
        ("x_mm,y_mm,y_mm", "line 1, column 3 is 'y_mm', a second column for the y; give one"),
        (
            "x_mm,y_mm",
            "there is no column for the value; head it, e.g. x_mm, y_mm, ppfd_umol_m2_s",
        ),
    ],
)
def test_headings_that_are_not_known_are_refused(headings, problem):
    row = ",".join("1" for _ in headings.split(","))
    assert problems(f"{headings}\n{row}\n")[0] == problem


def test_a_unit_said_twice_differently_is_refused():
    assert problems("x_mm,y_mm,ppfd\n1,2,3\n", positions_in="cm") == (
        "line 1, column 1 states mm, but --positions-in says cm; leave one of them out",
        "line 1, column 2 states mm, but --positions-in says cm; leave one of them out",
    )


def test_a_point_given_twice_is_refused_with_both_lines():
    # 1 cm and 10 mm cannot meet in one file, but 10 and 10.001 mm are one place.
    assert problems("x_mm,y_mm,ppfd\n10,5,1\n20,5,2\n10.001,5,3\n") == (
        "line 4 is the point x 10 mm, y 5 mm, which stands in line 2 already; give each point once",
    )


def test_points_that_form_no_rows_and_columns_are_refused():
    lines = "".join(f"{n * 7},{n * 11},500\n" for n in range(1, 7))
    (problem,) = problems("x_mm,y_mm,ppfd\n" + lines)
    assert problem.startswith("the 6 points lie on 6 different x and 6 different y, so they form")


def test_positions_below_zero_or_out_of_order_are_refused():
    assert problems("x_mm,y_mm,ppfd\n-1,2,3\n1,,3\n") == (
        "line 2, column 1 is '-1'; give a position as a number from 0",
        "line 3, column 2 is ''; give a position as a number from 0",
    )
    assert problems("mm,10,30,20\n1,1,2,3\n2,4,5,6\n") == (
        "line 1, column 4 is '20'; positions must rise or fall all the way, each once",
    )


def test_an_empty_first_cell_is_a_question():
    assert problems(",10,20\n30,1,2\n") == (
        "line 1, column 1 is empty; write the unit there (e.g. mm) if the first line and column "
        "are positions, or - if it is a point that was not read",
    )


def test_letters_in_the_first_cell_are_no_unit():
    assert problems("ft,10,20\n30,1,2\n") == (
        "line 1, column 1 is 'ft'; give a reading, or the unit of the positions if the first line "
        "and column are positions: mm, cm or m",
    )


def test_rows_of_points_without_headings_are_not_taken_for_a_matrix():
    assert problems("100,100,500\n200,100,600\n100,200,500\n200,200,500\n") == (
        "the three columns look like rows of x, y and value; head them with their units, e.g. "
        "x_mm, y_mm, ppfd_umol_m2_s",
    )


def test_a_mark_between_thousands_is_a_question_that_can_be_answered():
    assert problems("1,234;1,250\n1,100;1,200\n") == (
        "line 1, column 1 is '1,234', which may mean 1.234 or 1234; say --decimal comma if the "
        "comma is the decimal sign, or write it without a mark between thousands",
    )
    assert read("1,234;1,250\n1,100;1,200\n", decimal="comma").values[1] == (1.234, 1.25)
    (problem,) = problems("1,234;1,250\n1,100;1,200\n", decimal="point")
    assert problem.startswith("line 1, column 1 is '1,234', though the decimal sign was said")


def test_a_point_and_a_comma_in_one_file_are_refused():
    (problem,) = problems("1.5;2,5\n3;4\n")
    assert problem == (
        "line 1, column 1 has a decimal point ('1.5') and line 1, column 2 a decimal comma "
        "('2,5'); write all numbers in one way, without marks between thousands"
    )
    (problem,) = problems("1.234,5;2\n3;4\n")
    assert problem.startswith("line 1, column 1 is '1.234,5'; give a number")


@pytest.mark.parametrize("options", [{}, {"decimal": "comma"}])
def test_a_comma_that_may_part_cells_or_decimals_is_a_question(options):
    # Two numbers a line, 612.5 and 600.1, or four?
    assert problems("612,5,600,1\n598,0,587,3\n", **options) == (
        "the comma may part cells or be the decimal sign; part the cells by semicolons or tabs, "
        "or put each number in quotes",
    )


def test_lines_and_columns_without_any_reading_are_refused():
    assert problems("1,2,\n3,4,\n,,\n") == (
        "line 3 holds no reading; take it out, or write - in each cell",
        "column 3 holds no reading; take it out, or write - in each cell",
    )
    assert read("1,2,-\n3,4,-\n-,-,-\n").values[0] == (None, None, None)


def test_blank_lines_between_rows_are_refused():
    assert problems("1,2\n\n3,4\n") == ("line 2 is empty; take it out, or write - for each point",)


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"", "holds no line with anything in it. Check that it was saved."),
        (b"\n \n", "holds no line with anything in it. Check that it was saved."),
        (b"PK\x03\x04rest", "is a spreadsheet workbook; save the sheet as CSV and enter that."),
        (b"\x89PNG\r\n\x00\x01", "is not a text file (it holds zero bytes). Save it as CSV."),
        (b"\xff\xfe1", "begins as UTF-16 text but is cut. Save it again."),
        (b'1,"2\n3,4\n', "line 1 has an opening quote that is never closed"),
        (b"-,-\n-,-\n", "there is no reading at all"),
        (b"mm,10,20\n", "there is no reading beside the positions"),
    ],
)
def test_what_is_no_table_is_refused_in_one_line(data, problem):
    assert problems(data) == (problem,)


# -- round trips -------------------------------------------------------------------------------

readings = st.one_of(st.none(), st.integers(0, 100_000).map(lambda n: n / 10))
sizes = st.tuples(st.integers(2, 12), st.integers(2, 12))


@st.composite
def matrices(draw):
    rows, columns = draw(sizes)
    row = st.lists(readings, min_size=columns, max_size=columns)
    values = draw(st.lists(row, min_size=rows, max_size=rows))
    values[0][0] = values[0][0] or 123.4  # at least one reading
    return values


def written(value, decimal):
    return "-" if value is None else f"{value:.1f}".replace(".", decimal)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(values=matrices(), style=st.sampled_from([(",", "."), (";", ","), ("\t", ","), (";", ".")]))
def test_a_matrix_written_in_any_style_is_read_as_it_was(values, style):
    separator, decimal = style
    lines = [separator.join(written(value, decimal) for value in row) for row in values]
    table = read("\n".join(lines), first_line="near")
    assert table.values == tuple(tuple(row) for row in values)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(
    values=matrices(), order=st.randoms(use_true_random=False), unit=st.sampled_from(["mm", "cm"])
)
def test_a_shuffled_list_of_points_is_the_same_as_the_matrix(values, order, unit):
    per = {"mm": 100, "cm": 10}[unit]
    lines = [
        f"{column * per};{row * per};{written(value, ',')}"
        for row, cells in enumerate(values)
        for column, value in enumerate(cells)
    ]
    order.shuffle(lines)
    table = read("\n".join([f"x [{unit}];y [{unit}];PPFD", *lines]))
    assert table.values == tuple(tuple(row) for row in values)
    assert table.x_mm == tuple(100.0 * n for n in range(len(values[0])))


@settings(deadline=None, derandomize=True, max_examples=300)
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_are_read_or_refused_by_name(data):
    table, told = read_or_told(data)
    assert (table is None) == bool(told)
    if table is None:
        assert str(TableError("sheet.csv", told)).count("sheet.csv") == 1
    else:
        every = [value for row in table.values for value in row]
        assert all(value is None or 0 <= value <= 10_000 for value in every)
        assert len({len(row) for row in table.values}) == 1


@settings(deadline=None, derandomize=True, max_examples=300)
@given(text=st.text(alphabet='0123456789.,;-\tx \n"me', max_size=60))
def test_anything_near_a_table_is_read_or_refused_by_name(text):
    table, told = read_or_told(text)
    assert (table is None) == bool(told)
