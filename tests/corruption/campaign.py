"""Corrupted exchanges by the hundred thousand: what is refused, what slips through.

::

    python -m tests.corruption.campaign --exchanges 1000000 --processes 2

Every measurement is made by the real driver over a line in memory on the virtual clock. One of
its replies is struck by one class of damage; then an undisturbed measurement follows, in which
a reply that was left over would show as a shifted value. Counted are, for each protocol and
class: accepted right (perhaps after the retries of the protocol), refused (an error of our
tree), accepted wrong, hung (beyond the protocol's longest time), and foreign exceptions.

The bound beside the wrong ones is the exact one-sided 95 % bound of Clopper and Pearson on
the rate. Behind the table stands what would still catch the wrong values of protocols without
a check sum: plain ASCII and SDI-12 without CRC let a wrong digit pass (form and plausible range
see a lost point, not that), unless a value must be repeated; a stage is asked twice and must
stand at its target, and let nothing pass. FINDINGS.md has the numbers.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from attrs import define, field

from analysis.quantities import MEASURED
from drivers.clock import VirtualClock
from drivers.errors import DriverError
from tests.corruption.damage import CLASSES, THROUGHOUT, Context
from tests.corruption.fast_line import FastLine
from tests.corruption.subject import Pairs, Subject
from tests.corruption.subjects import SUBJECTS

#: A poll loop that turns more often for one measurement is taken for one without end.
MOST_POLLS = 20_000
RIGHT, REFUSED, WRONG, HUNG, FOREIGN = "right", "refused", "wrong", "hung", "foreign"


@define
class Tally:
    """What became of the exchanges of one protocol under one class of damage.

    Attributes
    ----------
    outcomes : Counter
        Of the struck measurements.
    after : Counter
        Of the undisturbed measurements after them: a wrong one is a reply that was shifted.
    wrong : int
        Struck exchanges by which a wrong value was taken, at once or in the next measurement.
    wrong_values : list
        Quantity, what was read and what is true, for each wrong value.
    remarks : list of str
        The first foreign exceptions and hangs, for whoever has to find the cause.
    """

    subject: str
    damage: str
    outcomes: Counter[str] = field(factory=Counter)
    after: Counter[str] = field(factory=Counter)
    wrong: int = 0
    wrong_values: list[tuple[str, float, float]] = field(factory=list)
    remarks: list[str] = field(factory=list)

    @property
    def exchanges(self) -> int:
        return self.outcomes.total()

    def count(self, name: str) -> int:
        return self.outcomes[name] + self.after[name]


class _Striker:
    """Stands between far end and line, and strikes replies."""

    def __init__(self, subject: Subject, damage: str, rng: random.Random) -> None:
        self._subject = subject
        self._damage = CLASSES[damage]
        self._throughout = damage in THROUGHOUT
        self._rng = rng
        self._left = -1

    def arm(self) -> None:
        self._left = self._rng.randrange(self._subject.replies)

    def disarm(self) -> None:
        self._left = -1

    def far_end(self, request: bytes, at_s: float) -> list[tuple[float, bytes]]:
        arriving = []
        for delay_s, reply in self._subject.answer(request, at_s):
            pieces = [(0.0, reply)]
            if self._left == 0 or (self._throughout and self._left >= 0):
                pieces = self._damage(self._rng, reply, self._context(reply))
            if self._left >= 0 and not self._throughout:
                self._left -= 1
            arriving += [(delay_s + further_s, piece) for further_s, piece in pieces]
        return arriving

    def _context(self, reply: bytes) -> Context:
        subject = self._subject
        return Context(
            data_bits=subject.settings.data_bits,
            bits_per_character=subject.settings.bits_per_byte,
            alphabet=subject.alphabet,
            strangers=subject.strangers(reply),
            within_s=subject.within_s,
            pause_s=subject.pause_s,
        )


def strike(subject_name: str, damage: str, exchanges: int, seed: int) -> Tally:
    """Make so many struck measurements, each followed by an undisturbed one."""
    rng = random.Random(f"{subject_name}, {damage}, {seed}")
    subject, clock = SUBJECTS[subject_name](rng), VirtualClock()
    striker = _Striker(subject, damage, rng)
    line = FastLine(clock, subject.settings, striker.far_end, rng)
    instrument = subject.make(line, clock)
    tally = Tally(subject_name, damage)
    for _ in range(exchanges):
        values_before = len(tally.wrong_values)
        for is_struck in (True, False):
            _recover(subject, instrument, clock)
            subject.draw()
            if is_struck:
                striker.arm()
            outcome, pairs, remark = _measure(subject, instrument, clock)
            striker.disarm()
            (tally.outcomes if is_struck else tally.after)[outcome] += 1
            if outcome == WRONG:
                tally.wrong_values += [
                    (name, read, true)
                    for name, (read, true) in pairs.items()
                    if subject.is_wrong(read, true)
                ]
            if remark and len(tally.remarks) < 3:
                tally.remarks.append(remark)
            if outcome == REFUSED:
                # The rig's own pause; nobody reads the line meanwhile.
                clock.wait_until(clock.elapsed_s() + subject.pause_s)
        tally.wrong += len(tally.wrong_values) > values_before
    return tally


def _measure(
    subject: Subject, instrument: Any, clock: VirtualClock
) -> tuple[str, Pairs, str | None]:
    try:
        result = _carried_through(
            instrument, clock, lambda: subject.start(instrument), subject.longest_s
        )
    except DriverError:
        return REFUSED, {}, None
    except Exception as error:
        instrument.cancel()
        return FOREIGN, {}, f"{type(error).__name__}: {error}"
    if result is None:
        instrument.cancel()
        return HUNG, {}, f"no end after {subject.longest_s:g} s of virtual time"
    pairs = subject.pairs(result, clock.elapsed_s())
    if any(math.isnan(read) for read, _ in pairs.values()):
        return REFUSED, {}, None  # It says that it has no value; none is taken.
    wrong = any(subject.is_wrong(read, true) for read, true in pairs.values())
    return (WRONG if wrong else RIGHT), pairs, None


def _carried_through(
    instrument: Any, clock: VirtualClock, start: Callable[[], Any], longest_s: float
) -> Any:
    """Drive a measurement as the rig does; None if it does not end."""
    begun_s = clock.elapsed_s()
    start()
    for _ in range(MOST_POLLS):
        if (result := instrument.poll()) is not None:
            return result
        if clock.elapsed_s() - begun_s > longest_s:
            return None
        clock.wait_until(min(instrument.wake_s, begun_s + 2 * longest_s), watching=instrument.lines)
    return None


def _recover(subject: Subject, instrument: Any, clock: VirtualClock) -> None:
    """Bring a stage that lost its position back, undisturbed, as an operator would."""
    for _ in range(20):
        if (start := subject.recovery(instrument)) is None:
            return
        try:
            _carried_through(instrument, clock, start, subject.longest_s)
        except DriverError:
            clock.wait_until(clock.elapsed_s() + 1.0)
    raise RuntimeError(f"{subject.name}: could not be brought back")


def bound(wrong: int, exchanges: int, level: float = 0.95) -> float:
    """Return the exact upper bound on a rate of which `wrong` in `exchanges` were seen.

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404, as scipy's binomtest computes it.
    """
    from scipy.stats import binomtest

    interval = binomtest(wrong, exchanges, alternative="less").proportion_ci(level, "exact")
    return float(interval.high)


def is_within(wrong: int, exchanges: int, rate: float) -> bool:
    """Say whether so many are no surprise at this rate, at one in a million."""
    from scipy.stats import binomtest

    return bool(binomtest(wrong, exchanges, rate, alternative="greater").pvalue > 1e-6)


def shares(exchanges: int, subjects: Iterable[str]) -> list[tuple[str, str, int]]:
    """Part a number of exchanges among protocols and classes."""
    cells = [(subject, damage) for subject in subjects for damage in CLASSES]
    each, over = divmod(exchanges, len(cells))
    return [(*cell, each + (n < over)) for n, cell in enumerate(cells)]


def campaign(
    exchanges: int, seed: int, *, processes: int = 1, subjects: Iterable[str] = tuple(SUBJECTS)
) -> list[Tally]:
    """Strike so many exchanges over all protocols and classes."""
    work = [cell for cell in shares(exchanges, subjects) if cell[2]]
    if processes == 1:
        return [strike(*cell, seed) for cell in work]
    with ProcessPoolExecutor(processes) as pool:
        jobs = [pool.submit(strike, *cell, seed) for cell in work]
        return [job.result() for job in jobs]


def table(tallies: Iterable[Tally]) -> str:
    """Write the result, one line for each protocol and class."""
    head = (
        f"{'protocol':17} {'damage':23} {'struck':>7} {'right':>7} {'refused':>7} "
        f"{'wrong':>6} {'bound':>8} {'hung':>4} {'foreign':>7}"
    )
    lines = [head, "-" * len(head)]
    last = ""
    for tally in tallies:
        if last and tally.subject != last:
            lines.append("")
        last = tally.subject
        lines.append(
            f"{tally.subject:17} {tally.damage:23} {tally.exchanges:7} "
            f"{tally.outcomes[RIGHT]:7} {tally.outcomes[REFUSED]:7} {tally.wrong:6} "
            f"{bound(tally.wrong, tally.exchanges):8.1e} {tally.count(HUNG):4} "
            f"{tally.count(FOREIGN):7}"
        )
    return "\n".join(lines)


def slipped(tallies: Iterable[Tally]) -> str:
    """Say of the wrong values of each protocol what would still catch them, and what not."""
    lines = []
    by_subject: dict[str, list[tuple[str, float, float]]] = {}
    struck: Counter[str] = Counter()
    for tally in tallies:
        by_subject.setdefault(tally.subject, []).extend(tally.wrong_values)
        struck[tally.subject] += tally.exchanges
    for name, values in by_subject.items():
        if not values:
            continue
        out = sum(not is_plausible(quantity, read) for quantity, read, _ in values)
        steps = [
            sum(
                is_plausible(quantity, read) and abs(read - true) > share * abs(true)
                for quantity, read, true in values
            )
            for share in (0.05, 0.01)
        ]
        rest = len(values) - out - steps[1]
        lines.append(
            f"{name}: {len(values)} wrong values in {struck[name]} struck exchanges; "
            f"{out} outside the plausible range; {steps[0]} inside it but more than 5 % off, "
            f"{steps[1] - steps[0]} 1 to 5 % off, {rest} less than 1 % off"
        )
    return "\n".join(lines)


def is_plausible(quantity: str, value: float) -> bool:
    """Say whether the recorder would file a value as plausible."""
    if quantity not in MEASURED:
        return True
    low, high = MEASURED[quantity].plausible
    return low <= value <= high


def defects(tallies: Iterable[Tally]) -> list[str]:
    """List what must not be: hangs, foreign exceptions, more wrong values than a sum lets pass."""
    found = []
    for tally in tallies:
        where = f"{tally.subject}, {tally.damage}"
        for name in (HUNG, FOREIGN):
            if tally.count(name):
                found.append(f"{where}: {tally.count(name)} {name}: {'; '.join(tally.remarks)}")
        if (rate := SUBJECTS[tally.subject].allowed(tally.damage)) is None:
            continue
        if not (is_within(tally.wrong, tally.exchanges, rate) if rate else tally.wrong == 0):
            found.append(
                f"{where}: {tally.wrong} wrong of {tally.exchanges}; allowed is a rate of "
                f"{rate:.2g}; the first: {tally.wrong_values[0]}"
            )
    return found


def main(arguments: list[str] | None = None) -> int:
    """Run the campaign and print its table; 1 if anything was found that must not be."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--exchanges", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--protocol", action="append", choices=list(SUBJECTS))
    options = parser.parse_args(arguments)
    began = time.perf_counter()
    tallies = campaign(
        options.exchanges,
        options.seed,
        processes=options.processes,
        subjects=options.protocol or SUBJECTS,
    )
    took_s = time.perf_counter() - began
    print(table(tallies))
    print(f"\n{slipped(tallies)}")
    total = sum(tally.exchanges for tally in tallies)
    print(f"\n{total} struck exchanges in {took_s:.1f} s: {total / took_s:.0f} a second")
    found = defects(tallies)
    print("\n".join(found) or "no hang, no foreign exception, no more wrong than allowed")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
