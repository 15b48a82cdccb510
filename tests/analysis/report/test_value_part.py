"""The words and figures on value are those of the hand calculation, and read rightly."""

import pytest

from analysis.report import value_part as part
from analysis.report.value_words import money
from analysis.value_ranking import rank_by_value
from tests.analysis.priced import priced, unpriced, without_intervals


def value_part(runs):
    return part.value_part(runs, rank_by_value(runs))


def headlines(runs):
    return part.headlines(rank_by_value(runs))


A, B = priced("Reflector A", 800.0), priced("Reflector B", 700.0, price=300.0)


def test_one_run_states_cost_and_what_it_is_made_of():
    # 1568 for 21,024 mol; 1168 of it electricity. Flux ± 5 %: 74.58 / 1.05 to 74.58 / 0.95.
    (device,) = value_part([A]).devices
    assert device.sentence == (
        "Over 2 years, 1000 mol delivered by Reflector A at 400 mm cost 74.6 EUR (71.0 to 78.5 EUR "
        "within the 95 % interval of flux and power). Of that, 74\u202f% electricity and "
        "26\u202f% the purchase (price 400\u00a0EUR)."
    )
    assert value_part([A]).together is None


def test_the_chart_names_the_input_that_moves_the_cost_most():
    # Tariff ± 20 %: ± 233.6 of 1568; one year less or more: 93.6 to 68.2 against 74.6 per 1000.
    (device,) = value_part([A]).devices
    assert "What moves the cost: Reflector A, 400 mm: most by years looked at" in device.picture.svg
    assert device.picture.caption.startswith("What was measured is moved over its 95 % interval;")
    (plain,) = value_part([without_intervals(A)]).devices
    assert plain.picture.caption.startswith("Every input is moved by a fifth")
    assert [name for name, _ in plain.headings] == ["delivered flux", "wall power", "cost"]


def test_several_runs_begin_with_whose_light_costs_least():
    # 1 − 74.5814 / 79.8 = 6.5 %.
    (headline,) = headlines([A, B])
    assert headline.startswith(
        "Over 2 years, light from Reflector A costs least: 74.6 EUR per 1000 mol delivered, "
        "6.5\u202f% ± "
    )
    assert headline.endswith(" less than from Reflector B.")
    together = value_part([A, B]).together
    text = " ".join(together.sentences)
    assert "Reflector A costs 400\u00a0EUR, and may cost up to 510 EUR (" in text
    assert "Reflector B costs 300\u00a0EUR; at 204 EUR (" in text
    assert (
        "Light from Reflector B would cost less than from Reflector A with a tariff below 0.086 "
        "EUR per kWh (now 0.25), or with less than 3.4 h of light a day (now 10)." in text
    )


def test_what_is_not_decided_is_not_called_cheaper():
    (headline,) = headlines([A, priced("Reflector B", 790.0, price=395.0)])
    assert "no measurable difference in cost between light from Reflector A and" in headline
    assert "costs least" not in headline


def test_a_price_below_zero_is_said_in_words():
    poor = priced("Reflector B", 500.0, price=300.0)
    text = " ".join(value_part([A, poor]).together.sentences)
    assert (
        "Reflector B costs 300\u00a0EUR; even as a present its light would not cost as little"
        in text
    )
    cells = value_part([A, poor]).together.rows[1][1]
    assert cells[5].text == "below 0"


def test_what_is_not_alike_is_refused_with_the_reason():
    together = value_part([A, priced("Reflector B", 700.0, tariff=0.3)]).together
    assert together.headline == "Not compared by value: these runs are not alike."
    assert together.rows == ()
    assert any("tariff differs" in reason for reason in together.refused)


def test_what_all_sums_rest_on_is_said_once():
    assert len(value_part([A, B]).reckoned) == 1
    assert len(value_part([A, priced("Reflector B", 700.0, soiling_percent=4.0)]).reckoned) == 2


def test_a_report_without_prices_has_no_such_section():
    assert value_part([unpriced(A)]) is None
    assert headlines([unpriced(A), unpriced(B)]) == ()


@pytest.mark.parametrize(
    ("value", "text"), [(65.0, "65\u00a0EUR"), (64.5, "64.50\u00a0EUR"), (1234.5, "1234\u00a0EUR")]
)
def test_money_is_written_as_people_do(value, text):
    assert money(value, "EUR") == text


def test_what_costs_nothing_has_no_chart():
    (device,) = value_part([priced("Reflector A", 800.0, price=0.0, tariff=0.0)]).devices
    assert device.sentence.endswith("Nothing in it costs anything.")
    assert device.picture is None
