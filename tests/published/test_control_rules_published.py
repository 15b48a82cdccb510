"""How long a steady bench goes on before a rule of the control chart cries wolf.

Source: C. W. Champ and W. H. Woodall (1987), Exact results for Shewhart control charts with
supplementary runs rules, Technometrics 29, 393-399: mean number of results to the first signal of
a process in control (from memory; the method here, a Markov chain, is theirs, but which window of
results is a signal is asked of our own code). They write the rules as "k of m beyond a to b
sigma": what lies beyond b is a signal by itself.

Their rule of a run takes eight in a row; ours takes Nelson's nine. The rates of the single rules,
nine in a row and six that rise among them, are held to the normal law in
tests/analysis/test_control_chart.py, which is also what pins the edges of the zones.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from analysis.control_chart import broken_rules

BEYOND_3 = "one beyond 3 σ"
TWO_OF_3 = "two of three beyond 2 σ on one side"
FOUR_OF_5 = "four of five beyond 1 σ on one side"
MEMORY = 4
"""Results before the last one that these rules look at."""

# One value for each zone that the three zone rules tell apart, and the chance of the zone.
Z = {-3.5: 3.0, -2.5: 2.0, -1.5: 1.0, 0.0: 0.0, 1.5: 1.0, 2.5: 2.0, 3.5: 3.0}
TAIL = {edge: stats.norm.sf(edge) for edge in (1.0, 2.0, 3.0)} | {4.0: 0.0}
CHANCE = {z: TAIL[edge] - TAIL[edge + 1] if edge else 1 - 2 * TAIL[1.0] for z, edge in Z.items()}


@pytest.fixture(scope="module")
def signals() -> dict[tuple[float, ...], set[str]]:
    """What the code says of every window of five results, all but the last one within 3 σ."""
    within = [z for z in Z if abs(z) < 3]
    windows = list(itertools.product(*[within] * MEMORY, Z))
    # Windows one after the other, with quiet results between so that none looks into the next.
    apart = np.array([(*[0.0] * MEMORY, *window) for window in windows])
    said: dict[int, set[str]] = {}
    for signal in broken_rules(apart.ravel()):
        said.setdefault(signal.at, set()).add(signal.rule)
    width = apart.shape[1]
    return {window: said.get(width * (n + 1) - 1, set()) for n, window in enumerate(windows)}


def mean_run_length(signals, rules: set[str]) -> float:
    """Mean number of results to the first signal by any of these rules, of a steady process."""
    states = sorted({window[:MEMORY] for window in signals})
    number = {state: n for n, state in enumerate(states)}
    stays = np.zeros((len(states), len(states)))
    for window, said in signals.items():
        if not said & rules and abs(window[-1]) < 3:
            stays[number[window[:MEMORY]], number[window[1:]]] += CHANCE[window[-1]]
    lengths = np.linalg.solve(np.eye(len(states)) - stays, np.ones(len(states)))
    return float(lengths[number[(0.0,) * MEMORY]])


@pytest.mark.parametrize(
    ("rules", "published"),
    [
        ({BEYOND_3}, 370.40),
        ({BEYOND_3, TWO_OF_3}, 225.44),
        ({BEYOND_3, FOUR_OF_5}, 166.05),
        ({BEYOND_3, TWO_OF_3, FOUR_OF_5}, 132.89),
    ],
)
def test_mean_length_to_a_false_alarm_of_the_zone_rules_is_the_published_one(
    signals, rules, published
):
    assert mean_run_length(signals, rules) == pytest.approx(published, abs=0.006)
