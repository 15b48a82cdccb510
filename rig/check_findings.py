"""What a check finds: where, what is wrong, what to do, and how much it weighs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import Enum

from attrs import frozen


class Weight(Enum):
    """How much a finding weighs.

    A fault of the configuration or of an instrument keeps a run from being begun by itself; what
    spoils only its result does not.
    """

    CONFIGURATION = "configuration"
    INSTRUMENT = "instrument"
    RESULT = "result"
    REMARK = "remark"


@frozen
class Finding:
    """One line of the table of problems.

    Attributes
    ----------
    where : str
        File, section or place, as the user knows it.
    problem : str
        What is wrong, what was received, what is allowed.
    remedy : str
        The next step.
    weight : Weight
        A remark asks for attention, and fails nothing.
    """

    where: str
    problem: str
    remedy: str = ""
    weight: Weight = Weight.INSTRUMENT


def of_configuration(where: str, fault: str) -> Finding:
    """Part what a file's reader says, at its first semicolon, into problem and next step."""
    problem, _, remedy = fault.partition("; ")
    return Finding(where, problem, remedy[:1].upper() + remedy[1:], Weight.CONFIGURATION)


def exit_code(findings: Iterable[Finding]) -> int:
    """Return 2 for a fault of configuration, 1 for one of the bench, else 0."""
    weights = {finding.weight for finding in findings}
    if Weight.CONFIGURATION in weights:
        return 2
    return 1 if weights & {Weight.INSTRUMENT, Weight.RESULT} else 0


def problems(findings: Iterable[Finding]) -> Sequence[Finding]:
    """Return what is more than a remark."""
    return [finding for finding in findings if finding.weight is not Weight.REMARK]
