"""No code path closes the lamp circuit but through `rig/lamp.py`: read from the source itself.

Followed are the name ``start_on`` however it is reached (called, passed on, taken by
`getattr` or a string), and the making of an `Arming`, without which no relay closes.
"""

from __future__ import annotations

import ast

import pytest

from tests.boundaries import Module, our_modules, planted

ONLY = "rig/lamp.py"
#: Where the word stands because it is defined: the contract and the relays themselves.
DEFINES = {
    "drivers/contracts.py",
    "drivers/conversing_relay.py",
    "drivers/modbus/coil_relay.py",
    "drivers/control_line/relay.py",
}
#: Where an arming is described, and where it is looked at; none of them makes one.
KNOWS_ARMING = {"drivers/arming.py", "drivers/relay_options.py", *DEFINES}
WAYS_OF_CLOSING = ("_switch", "set_control_line", "write_request")


def reaches_start_on(module: Module) -> list[str]:
    """List the places where a module names ``start_on`` other than to define it."""
    if module.path == ONLY:
        return []
    found = []
    for node in ast.walk(module.tree):
        named = (
            (isinstance(node, ast.Attribute) and node.attr == "start_on")
            or (isinstance(node, ast.Name) and node.id == "start_on")
            or (isinstance(node, ast.Constant) and node.value == "start_on")
            or (isinstance(node, ast.alias) and node.name.endswith("start_on"))
        )
        defined = isinstance(node, ast.FunctionDef) and node.name == "start_on"
        if named or (defined and module.path not in DEFINES):
            found.append(f"{module.path}:{getattr(node, 'lineno', 0)}")
    return found


def makes_an_arming(module: Module) -> list[str]:
    """List the places where a module could make an arming."""
    if module.path == ONLY:
        return []
    found = []
    for node in ast.walk(module.tree):
        if isinstance(node, ast.ImportFrom) and any(a.name == "Arming" for a in node.names):
            if module.path not in KNOWS_ARMING:
                found.append(f"{module.path}:{node.lineno}")
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name == "Arming":
                found.append(f"{module.path}:{node.lineno}")
        elif "Arming" in (getattr(node, "attr", ""), getattr(node, "value", "")):
            found.append(f"{module.path}:{getattr(node, 'lineno', 0)}")
    return found


def callers(tree: ast.AST, of: str) -> dict[str, list[ast.Call]]:
    """Return the calls of a method, by the function in which they stand."""
    return {
        function.name: calls
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef)
        and (
            calls := [
                node
                for node in ast.walk(function)
                if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == of
            ]
        )
    }


@pytest.mark.parametrize("rule", [reaches_start_on, makes_an_arming])
def test_only_the_lamp_module_lights_a_lamp(rule):
    modules = our_modules()
    assert ONLY in {module.path for module in modules}
    assert [place for module in modules for place in rule(module)] == []


@pytest.mark.parametrize(
    ("rule", "path", "source"),
    [
        (reaches_start_on, "rig/sequence.py", "def f(relay, a):\n    relay.start_on(a)\n"),
        (
            reaches_start_on,
            "rig/attendant.py",
            "def f(self, relay):\n    self.once(relay.start_on)\n",
        ),
        (reaches_start_on, "rig/x.py", "def f(relay):\n    getattr(relay, 'start_on')(1)\n"),
        (reaches_start_on, "drivers/x.py", "class R:\n    def start_on(self, a): ...\n"),
        (reaches_start_on, "drivers/modbus/coil_relay.py", "def f(self):\n    self.start_on(1)\n"),
        (makes_an_arming, "rig/run.py", "from drivers.arming import Arming\n"),
        (makes_an_arming, "rig/run.py", "from drivers import arming\narming.Arming(expires_s=1)\n"),
        (makes_an_arming, "drivers/relay_options.py", "Arming(expires_s=1.0)\n"),
        (makes_an_arming, "rig/run.py", "make = getattr(arming, 'Arming')\n"),
    ],
)
def test_a_planted_path_is_found(rule, path, source):
    assert rule(planted(path, source))


def test_inside_a_relay_closing_is_reached_from_start_on_and_from_holding_a_closed_one_only():
    for module in our_modules():
        if module.path not in DEFINES or module.path == "drivers/contracts.py":
            continue
        closing = {
            name
            for name, calls in callers(module.tree, "_switch").items()
            if any(
                not (isinstance(c.args[0], ast.Constant) and c.args[0].value is False)
                for c in calls
            )
        }
        assert closing <= {"start_on", "_refresh"}, module.path
        raising = {
            name
            for name, calls in callers(module.tree, "_set").items()
            if any(
                not (isinstance(c.args[0], ast.Constant) and c.args[0].value is False)
                for c in calls
            )
        }
        assert raising <= {"_switch", "_refresh", "_identify"}, module.path


def test_in_the_lamp_module_each_arming_is_made_behind_its_questions():
    (lamp,) = (module for module in our_modules() if module.path == ONLY)
    makers = {
        function.name
        for function in ast.walk(lamp.tree)
        if isinstance(function, ast.FunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Arming"
    }
    assert makers == {"_arm", "prove_opening"}
    assert set(callers(lamp.tree, "_arm")) == {"light"}
    assert set(callers(lamp.tree, "start_on")) == {"light", "prove_opening"}


def test_only_the_sequence_asks_for_light_and_only_where_it_is_armed():
    asking = {
        (module.path, name)
        for module in our_modules()
        if module.path.startswith("rig/")
        for name in callers(module.tree, "light")
    }
    assert asking == {("rig/sequence.py", "_light")}
