"""The simulated analyser, by bytes: headers, status, errors, faults, and with our driver.

The rules of headers, the numbers and texts of errors and the bits of the status registers are
those of IEEE 488.2-1992 and SCPI-99, from memory.
"""

import math

import pytest

from drivers.clock import VirtualClock
from drivers.errors import DeviceFault, GarbledReply, NoReply
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.scpi.options import QueryOptions, ScpiPowerMeterOptions
from drivers.scpi.power_meter import PowerMeter
from drivers.simulated.instruments import Instruments
from drivers.simulated.peer import Fault
from drivers.simulated.scpi_meter import ScpiMeter, ScpiQuery
from drivers.simulated.scpi_peer import ScpiPeer
from tests.drivers.far_end import finish

VALUES = {
    "wall_power_w": 612.5,
    "line_voltage_v": 230.1,
    "line_current_a": 2.75,
    "power_factor": 0.968,
    "line_frequency_hz": 50.02,
}


def peer_of(values=None, **data):
    windows = []

    def measure(start_s, end_s):
        windows.append((start_s, end_s))
        return VALUES if values is None else values

    return ScpiPeer(ScpiMeter(**data), measure), windows


def say(peer, message, at_s=10.0):
    """Send one message and return all that comes within ten seconds."""
    peer.receive(message, at_s)
    reply = b""
    while (next_s := peer.next_s()) < at_s + 10.0:
        reply += peer.take(next_s)
    return reply


@pytest.mark.parametrize(
    "header",
    [
        "MEAS:POW?",
        "meas:pow?",
        "MEASURE:POWER?",
        "MEASure:SCALar:POWer:ACTive?",
        ":MEAS:SCAL:POW?",
        "Meas:Power:Act?",
    ],
)
def test_long_and_short_headers_are_understood_whatever_their_case(header):
    peer, _ = peer_of()
    assert say(peer, f"{header}\n".encode()) == b"+6.12500E+02\n"
    assert peer.queued_errors == ()


@pytest.mark.parametrize("header", ["MEASU:POW?", "MEAS:POWE?", "MEAS?", "POW?", "MEAS:POW", "x"])
def test_what_is_not_understood_is_queued_and_not_answered(header):
    peer, _ = peer_of()
    assert say(peer, f"{header}\n".encode()) == b""
    assert say(peer, b"SYST:ERR?\n") == b'-113,"Undefined header"\n'
    assert say(peer, b"SYSTem:ERRor:NEXT?\n") == b'0,"No error"\n'


def test_later_headers_of_a_message_count_from_where_the_one_before_stood():
    peer, _ = peer_of()
    assert say(peer, b"MEAS:POW?;VOLT?;*OPC?;CURR?\n") == (
        b"+6.12500E+02;+2.30100E+02;1;+2.75000E+00\n"
    )
    assert say(peer, b"MEAS:POW?;MEAS:VOLT?\n") == b"+6.12500E+02\n"
    assert peer.queued_errors == (-113,)
    assert say(peer, b"MEAS:POW?;:MEAS:VOLT?\n") == b"+6.12500E+02;+2.30100E+02\n"


@pytest.mark.parametrize(
    ("form", "digits", "expected"),
    [("NR1", 0, b"612"), ("NR2", 1, b"612.5"), ("NR3", 3, b"+6.125E+02")],
)
def test_numbers_are_written_in_the_form_of_the_data(form, digits, expected):
    values = VALUES | {"wall_power_w": 612.5 if form != "NR1" else 612.0}
    peer, _ = peer_of(values, number_form=form, digits=digits)
    assert say(peer, b"MEAS:POW?\n") == expected + b"\n"


@pytest.mark.parametrize(
    ("value", "written"),
    [(math.nan, b"9.91E+37\n"), (math.inf, b"9.9E+37\n"), (-math.inf, b"-9.9E+37\n")],
)
def test_no_value_and_infinity_are_written_as_scpi_has_them(value, written):
    peer, _ = peer_of(VALUES | {"wall_power_w": value})
    assert say(peer, b"MEAS:POW?\n") == written


def test_a_measurement_takes_its_averaging_and_the_latest_values_are_there_at_once():
    peer, windows = peer_of(averaging_s=0.3, refresh_s=0.1, reply_delay_s=0.01)
    peer.receive(b"MEAS:POW?\n", 10.0)
    assert peer.next_s() == pytest.approx(10.31)
    assert peer.take(10.31)
    assert windows == [(pytest.approx(10.01), pytest.approx(10.31))]
    peer.receive(b"FETC:ALL?\n", 20.04)
    assert peer.next_s() == pytest.approx(20.05)
    assert peer.take(20.05).count(b",") == 4
    assert windows[1] == (pytest.approx(19.7), pytest.approx(20.0))


def test_messages_are_worked_off_in_their_order():
    peer, _ = peer_of()
    peer.receive(b"MEAS:POW?\n*IDN?\nnonsense\nSYST:ERR?\n", 10.0)
    assert say(peer, b"", 10.0) == (
        b'+6.12500E+02\nVirtual bench,PA-1,SIM-0101,1.0\n-113,"Undefined header"\n'
    )


def test_messages_are_found_at_every_split_point():
    message = b"*IDN?\r\n"
    for split in range(len(message) + 1):
        peer, _ = peer_of(terminator="CR LF")
        peer.receive(message[:split], 9.0)
        assert say(peer, message[split:]) == b"Virtual bench,PA-1,SIM-0101,1.0\r\n"


def test_status_registers_tell_of_errors():
    peer, _ = peer_of()
    assert say(peer, b"*ESR?\n") == b"128\n"  # power on
    assert say(peer, b"*ESR?\n") == b"0\n"  # reading clears
    say(peer, b"nonsense?\n")
    assert say(peer, b"*STB?\n") == b"4\n"
    say(peer, b"*ESE 32\n")
    assert say(peer, b"*ESE?;*STB?\n") == b"32;36\n"
    say(peer, b"*ESE 300\n*ESE\n*OPC\n")
    assert say(peer, b"*ESR?\n") == b"49\n"  # command error, execution error, complete
    assert peer.queued_errors == (-113, -222, -109)
    say(peer, b"*CLS\n")
    assert say(peer, b"*STB?;*ESR?;*ESE?;SYST:ERR?\n") == b'0;0;32;0,"No error"\n'


def test_a_full_error_queue_says_so_in_its_last_entry():
    peer, _ = peer_of(errors_kept=3)
    for _ in range(5):
        say(peer, b"nonsense\n")
    assert peer.queued_errors == (-113, -113, -350)


def test_more_than_it_can_hold_is_an_error():
    peer, _ = peer_of()
    assert say(peer, b"x" * 5000) == b""
    assert peer.queued_errors == (-363,)
    assert say(peer, b"\n*OPC?\n") == b"1\n"


def test_a_break_drops_what_is_under_way():
    peer, _ = peer_of()
    peer.receive(b"MEAS:POW?\n*ID", 10.0)
    peer.line_break(10.1, 10.3)
    assert say(peer, b"*OPC?\n", 11.0) == b"1\n"


def test_a_query_in_the_notation_of_manuals_gives_its_short_form():
    query = ScpiQuery(query="MEASure[:SCALar]:POWer?", quantities=("wall_power_w",))
    assert query.short_form == "MEAS:POW?"
    with pytest.raises(ValueError, match="query"):
        ScpiQuery(query="MEAS:POW", quantities=("wall_power_w",))


def test_the_table_of_instruments_chooses_it_by_what_it_speaks():
    made = Instruments.from_table(
        {
            "power_meter": {
                "speaks": "scpi",
                "terminator": "CR",
                "faults": [{"kind": "error", "at_exchange": 3, "code": -222}],
            }
        }
    )
    assert isinstance(made.power_meter, ScpiMeter)
    assert made.power_meter.faults[0].kind == "error"


# With our driver, over a line in memory.


def wired(values=None, *, options=None, **data):
    peer, _ = peer_of(values, **data)
    clock = VirtualClock()
    line = MemoryLine("memory", SerialSettings(9600), clock, peer)
    options = options or {
        "queries": [
            QueryOptions(quantity=name, query="FETC:ALL?", field=n)
            for n, name in enumerate(VALUES, 1)
        ]
    }
    made = ScpiPowerMeterOptions(port="memory", **options)
    return clock, peer, PowerMeter(made, line, clock, "wattmeter")


def read(meter, clock):
    meter.start()
    return {reading.quantity: reading.value for reading in finish(meter, clock)}


@pytest.mark.parametrize("echoes", [False, True])
@pytest.mark.parametrize("terminator", ["LF", "CR LF"])
def test_our_driver_reads_it(echoes, terminator):
    clock, peer, meter = wired(echoes=echoes, terminator=terminator)
    for _ in range(3):
        assert read(meter, clock) == pytest.approx(VALUES)
    assert peer.queued_errors == ()
    meter.start_identify()
    assert finish(meter, clock, poll=meter.poll_identity) == (
        "Virtual bench PA-1, serial number SIM-0101, firmware 1.0"
    )


@pytest.mark.parametrize("joined", [False, True])
def test_our_driver_measures_quantity_by_quantity(joined):
    queries = [
        QueryOptions(quantity="wall_power_w", query="MEAS:POW?"),
        QueryOptions(quantity="power_factor", query="MEAS:POW:PFAC?"),
        QueryOptions(quantity="line_voltage_v", query="MEAS:VOLT?"),
    ]
    clock, _, meter = wired(options={"queries": queries, "joined_queries": joined})
    assert read(meter, clock) == {
        name: VALUES[name] for name in ("wall_power_w", "power_factor", "line_voltage_v")
    }
    assert clock.elapsed_s() > 3 * 0.3


def test_missing_and_infinite_values_reach_the_reader_as_such():
    values = VALUES | {"power_factor": math.nan, "line_frequency_hz": math.inf}
    clock, _, meter = wired(values)
    shown = read(meter, clock)
    assert math.isnan(shown["power_factor"])
    assert math.isnan(shown["line_frequency_hz"])
    assert shown["wall_power_w"] == 612.5
    clock, _, meter = wired(VALUES | {"wall_power_w": math.inf})
    with pytest.raises(DeviceFault, match="out of range"):
        read(meter, clock)


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        ({"kind": "drop"}, NoReply),
        ({"kind": "truncate", "keep_bytes": 5}, GarbledReply),
        ({"kind": "garble"}, GarbledReply),
        ({"kind": "garbage"}, GarbledReply),
        ({"kind": "delay", "delay_s": 5.0}, NoReply),
        ({"kind": "error", "code": -222}, DeviceFault),
        ({"kind": "error", "code": 42}, DeviceFault),
    ],
)
def test_scripted_faults_are_told_and_got_over(fault, error):
    # Exchange 1 is the look at the errors on connecting, 2 the first query.
    clock, _, meter = wired(faults=(Fault(at_exchange=2, **fault),))
    meter.start()
    with pytest.raises(error) as caught:
        finish(meter, clock)
    assert caught.type is error
    clock.wait_until(clock.elapsed_s() + 0.5)
    for _ in range(3):
        try:
            assert read(meter, clock) == pytest.approx(VALUES)
            break
        except (NoReply, GarbledReply):  # What was held up is still coming.
            assert fault["kind"] == "delay"
    else:
        pytest.fail("never got over it")


def test_an_unknown_fault_is_refused():
    with pytest.raises(ValueError, match="fault kind 'alarm' at exchange 1 is not known"):
        peer_of(faults=(Fault(kind="alarm", at_exchange=1),))
