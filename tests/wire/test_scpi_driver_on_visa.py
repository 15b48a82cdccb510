"""Our SCPI driver over PyVISA, with PyVISA-sim as the instrument, and the line's deadlines."""

import sys
import threading

import pytest

from drivers.clock import SystemClock
from drivers.errors import DeviceFault, GarbledReply, NoReply, PortLost, WriteStalled
from drivers.scpi.options import QueryOptions, ScpiPowerMeterOptions
from drivers.scpi.power_meter import PowerMeter
from drivers.scpi.visa_line import GRACE_S, VisaLine
from rig.build import open_line
from rig.profile import Fitted
from tests.drivers.far_end import finish

pyvisa = pytest.importorskip("pyvisa")
pytest.importorskip("pyvisa_sim")
pytestmark = pytest.mark.wire

RESOURCE = "USB0::0x1234::0x5678::SN-42::0::INSTR"
DEVICE = """\
spec: "1.1"
devices:
  analyser:
    eom:
      USB INSTR:
        q: "\\n"
        r: "\\n"
    error: ERROR
    dialogues:
      - q: "*CLS"
      - q: "*IDN?"
        r: "Example Works,PA-1,SN-42,1.0"
      - q: "SYST:ERR?"
        r: '0,"No error"'
      - q: "MEAS:POW?"
        r: "+6.12500E+02"
      - q: "MEAS:VOLT?"
        r: "9.91E+37"
      - q: "MEAS:BAD?"
        r: "612.5 W"
resources:
  {resource}:
    device: analyser
"""
POWER = QueryOptions(quantity="wall_power_w", query="MEAS:POW?")


@pytest.fixture
def visa(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text(DEVICE.replace("{resource}", RESOURCE), encoding="utf-8")
    made = []

    def make(*, resource=RESOURCE, within_s=0.5, **options):
        options = ScpiPowerMeterOptions(port=f"visa:{resource}", **({"queries": [POWER]} | options))
        clock = SystemClock()
        line = VisaLine(resource, clock, within_s=within_s, library=f"{path}@sim")
        meter = PowerMeter(options, line, clock, "wattmeter")
        made.append(meter)
        return meter, clock, line

    yield make
    for meter in made:
        meter.close()
        meter.close()


def test_values_come_through_pyvisa(visa):
    voltage = QueryOptions(quantity="line_voltage_v", query="MEAS:VOLT?")
    meter, clock, _ = visa(queries=[POWER, voltage])
    for _ in range(3):
        meter.start()
        power, missing = finish(meter, clock)
        assert power.value == 612.5
        assert power.raw == b"+6.12500E+02"
        assert missing.is_missing


@pytest.mark.parametrize("serial_number", [None, "SN-42"])
def test_the_identity_comes_through_pyvisa(visa, serial_number):
    meter, clock, _ = visa(serial_number=serial_number)
    meter.start_identify()
    assert finish(meter, clock, poll=meter.poll_identity) == (
        "Example Works PA-1, serial number SN-42, firmware 1.0"
    )


def test_another_serial_number_is_refused(visa):
    meter, clock, _ = visa(serial_number="SN-43")
    meter.start_identify()
    with pytest.raises(DeviceFault, match="'SN-42'; the rig profile has 'SN-43'"):
        finish(meter, clock, poll=meter.poll_identity)


def test_an_instrument_that_pyvisa_cannot_open_is_a_lost_port(visa):
    with pytest.raises(PortLost, match="visa:NOTHING::INSTR: is nothing that carries messages"):
        visa(resource="NOTHING::INSTR")
    with pytest.raises(PortLost, match=r"visa:X: cannot be opened \(.*pyvisa_nix\)") as caught:
        VisaLine("X", SystemClock(), within_s=0.5, library="@nix")
    assert "visa_library" in caught.value.remedy


def test_an_instrument_that_says_nothing_is_given_up_in_time(visa):
    # PyVISA-sim opens whatever it is asked for, and has nothing to say where there is nothing.
    meter, clock, _ = visa(resource="USB0::0x9999::0x5678::SN-42::0::INSTR", reply_within_s=0.2)
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)
    assert clock.elapsed_s() < 2.0


def test_a_reply_that_is_no_number_is_garbled(visa):
    row = QueryOptions(quantity="wall_power_w", query="MEAS:BAD?")
    meter, clock, _ = visa(queries=[row])
    meter.start()
    with pytest.raises(GarbledReply, match=r"'612\.5 W' is not a number"):
        finish(meter, clock)


def test_a_port_of_the_profile_that_says_visa_is_opened_through_it(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text(DEVICE.replace("{resource}", RESOURCE), encoding="utf-8")
    options = ScpiPowerMeterOptions(
        port=f"visa:{RESOURCE}", queries=[POWER], visa_library=f"{path}@sim"
    )
    line = open_line(Fitted("scpi-power-meter", options), SystemClock())
    assert isinstance(line, VisaLine)
    assert line.name == options.port
    line.close()


def test_without_pyvisa_the_way_to_get_it_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(PortLost, match=r"PyVISA is not installed.*pip install 'evenfall\[usb\]'"):
        VisaLine(RESOURCE, SystemClock(), within_s=1.0)


def test_knowing_the_line_loads_no_pyvisa():
    import subprocess

    code = "import sys, drivers.scpi.visa_line; print('pyvisa' in sys.modules)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "False"


class Instrument(pyvisa.resources.MessageBasedResource):
    """What VISA gives, with an end to its waiting that the test decides on."""

    def __init__(self):
        self.free = threading.Event()
        self.written = []
        self.replies = []
        self.cleared = 0
        self.is_closed = threading.Event()
        self.timeout = 0

    timeout = None

    def write_raw(self, message):
        self.written.append(message)
        if message == b"HANG\n":
            self.free.wait(10.0)
        if message == b"GONE?\n":
            raise pyvisa.VisaIOError(pyvisa.constants.StatusCode.error_connection_lost)

    def read_raw(self, size=None):
        if not self.replies:
            raise pyvisa.VisaIOError(pyvisa.constants.StatusCode.error_timeout)
        return self.replies.pop(0)

    def clear(self):
        self.cleared += 1

    def close(self):
        self.is_closed.set()

    def __del__(self):
        pass


class SteppedClock(SystemClock):
    """The system clock, put forward by hand."""

    ahead_s = 0.0

    def elapsed_s(self):
        return super().elapsed_s() + self.ahead_s


@pytest.fixture
def faked(monkeypatch):
    instrument = Instrument()

    class Manager:
        def __init__(self, library):
            pass

        def open_resource(self, name, open_timeout):
            return instrument

    monkeypatch.setattr(pyvisa, "ResourceManager", Manager)
    clock = SteppedClock()
    line = VisaLine("X", clock, within_s=0.5)
    yield instrument, line, clock
    instrument.free.set()
    line.close()


def read_until(line, clock, within_s=3.0):
    clock.wait_until(clock.elapsed_s() + within_s, watching=[line])
    return line.read()


def test_visa_is_given_the_time_of_a_reply_and_no_more(faked):
    instrument, _, _ = faked
    assert instrument.timeout == 500


def test_only_a_message_with_a_question_mark_is_read_after(faked):
    instrument, line, clock = faked
    instrument.replies = [b"1\n", b"2\n"]
    line.write(b"*CLS\n")
    line.write(b"*OPC?\n")
    assert read_until(line, clock) == b"1\n"
    assert instrument.replies == [b"2\n"]
    assert line.read() == b""


def test_a_reply_that_does_not_come_has_the_interface_cleared(faked):
    instrument, line, clock = faked
    line.write(b"*OPC?\n")
    line.write(b"*CLS\n")
    clock.wait_until(clock.elapsed_s() + 0.1, watching=[line])
    assert line.read() == b""
    assert instrument.cleared == 1
    instrument.replies = [b"1\n"]
    line.write(b"*OPC?\n")
    assert read_until(line, clock) == b"1\n"


def test_a_connection_that_breaks_is_a_lost_port_for_good(faked):
    instrument, line, clock = faked
    line.write(b"GONE?\n")
    clock.wait_until(clock.elapsed_s() + 3.0, watching=[line])
    assert line.readable()
    for _ in range(2):
        with pytest.raises(PortLost, match="visa:X: the instrument is gone"):
            line.read()
        with pytest.raises(PortLost):
            line.write(b"*CLS\n")
    assert instrument.is_closed.wait(3.0)


def test_a_call_of_visa_that_never_returns_holds_nobody_up(faked):
    instrument, line, clock = faked
    options = ScpiPowerMeterOptions(port="visa:X", queries=[POWER], reply_within_s=0.2)
    meter = PowerMeter(options, line, clock, "wattmeter")
    line.write(b"HANG\n")
    begun_s = clock.elapsed_s()
    meter.start()
    with pytest.raises(NoReply):
        finish(meter, clock)
    assert clock.elapsed_s() - begun_s < 1.0
    clock.ahead_s += 0.5 + GRACE_S
    meter.start()
    with pytest.raises(WriteStalled, match="wattmeter, visa:X: VISA has been at an earlier"):
        finish(meter, clock)
    meter.close()  # does not wait either
    assert clock.elapsed_s() - clock.ahead_s - begun_s < 2.0
    assert not instrument.is_closed.is_set()
    instrument.free.set()
    assert instrument.is_closed.wait(3.0)


def test_a_closed_line_is_a_lost_port_and_lets_the_instrument_go(faked):
    instrument, line, _ = faked
    line.close()
    line.close()
    for use in (line.read, lambda: line.write(b"*CLS\n")):
        with pytest.raises(PortLost, match="the line is closed"):
            use()
    assert line.fileno() is None
    assert not line.readable()
    assert instrument.is_closed.wait(3.0)
    with pytest.raises(PortLost, match="carries no break"):
        line.set_break(True)
