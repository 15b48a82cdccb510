"""Who may import whom, read the time, open a port, print: read from the source itself.

Every rule is a function from one parsed module to the faults in it.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

from attrs import frozen

from analysis import quantities

ROOT = Path(__file__).parents[1]
PACKAGES = ("drivers", "analysis", "rig")
LONGEST_FILE_LINES = 400

MAY_READ_TIME = {"drivers/clock.py"}
MAY_OPEN_PORTS = {
    "drivers/serial_line.py",
    "drivers/tcp_line.py",
    "drivers/scpi/visa_line.py",
    "drivers/simulated/terminals.py",
}
# Sends notices in a process of its own, and speaks to no instrument.
MAY_SEND_NOTICES = {"rig/notice_sender.py"}
# Serves the live page, which reads run folders and speaks to no instrument.
MAY_SERVE = {"rig/live/serve.py"}
# Names ports, and opens none.
MAY_LIST_PORTS = {"drivers/finding.py"}
# Has keys come one by one, and opens nothing.
MAY_SET_THE_KEYBOARD = {"rig/hand/keyboard.py"}
MAY_SCHEDULE = {"rig/schedule.py"}
MAY_TOUCH_THE_DISK = {"rig/storage.py"}
RECORDING = {"rig/recorder.py", "rig/repair.py", "rig/descriptor.py"}

FORBIDDEN_TO = {"drivers": {"analysis", "rig"}, "analysis": {"drivers", "rig"}, "rig": set()}
TIME_MODULES = {"time", "selectors", "sched", "timeit"}
TIME_CALLS = {
    "now",
    "utcnow",
    "today",
    "sleep",
    "monotonic",
    "monotonic_ns",
    "perf_counter",
    "perf_counter_ns",
    "time_ns",
    "uuid1",
    "alarm",
    "setitimer",
    "sigtimedwait",
    "call_later",
    "wait_for",
    "Timer",
}
# Where the timeout stands among the arguments.
TIMEOUT_PLACE = {"select": 3, "poll": 0}
PORT_MODULES = {"serial", "socket", "socketserver", "pty", "termios", "tty", "http", "urllib"}
PORT_MODULES |= {"smtplib", "uvicorn"}
PORT_MODULES |= {"pymodbus.client", "pymodbus.server", "minimalmodbus", "pyvisa"}
PORT_CALLS = {"openpty", "open_connection", "start_server", "create_connection", "forkpty"}
HEAVY = {"numpy", "pandas", "matplotlib", "scipy"}
UNIT_ENDING = re.compile(r"[a-z][a-z0-9_]*_(umol_m2_s|umol_s|umol_j|w|va|var|wh|kwh|v|a|hz|c)")


@frozen
class Module:
    """One source file of ours."""

    path: str
    tree: ast.Module
    lines: int = 0

    @property
    def package(self) -> str:
        return self.path.split("/", 1)[0]

    @property
    def name(self) -> str:
        return self.path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def planted(path: str, source: str) -> Module:
    return Module(path, ast.parse(source), source.count("\n"))


@cache
def our_modules() -> tuple[Module, ...]:
    """Return all modules of ours, parsed once for all rules."""
    return tuple(
        planted(path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8"))
        for package in PACKAGES
        for path in sorted((ROOT / package).rglob("*.py"))
    )


def imported(module: Module, nodes: Iterator[ast.AST]) -> Iterator[tuple[int, str]]:
    """Return line and full name of what is imported; `from a import b` gives a.b."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = module.name.split(".")
                is_package = module.path.endswith("/__init__.py")
                up = here[: len(here) - node.level + is_package]
                base = ".".join([*up, base] if base else up)
            yield from ((node.lineno, f"{base}.{alias.name}") for alias in node.names)


def is_within(name: str, modules: set[str]) -> bool:
    return any(name == module or name.startswith(f"{module}.") for module in modules)


def called(module: Module) -> Iterator[tuple[int, str]]:
    """Return line and last name of what is called, `a.b.c()` giving c."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                yield node.lineno, node.func.attr
            elif isinstance(node.func, ast.Name):
                yield node.lineno, node.func.id


# The rules


def imports_against_the_direction(module: Module) -> list[str]:
    forbidden = FORBIDDEN_TO[module.package] | {"tests"}
    return [
        f"{module.path}:{line}: imports {name}"
        for line, name in imported(module, ast.walk(module.tree))
        if is_within(name, forbidden)
    ]


def reads_the_time(module: Module) -> list[str]:
    """Select may be asked whether bytes are there, but nobody may wait in it."""
    if module.path in MAY_READ_TIME:
        return []
    faults = [
        f"{module.path}:{line}: imports {name}"
        for line, name in imported(module, ast.walk(module.tree))
        if is_within(name, TIME_MODULES) or name.startswith("select.") or name == "asyncio.sleep"
    ]
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call):
            name = last_name(node.func)
            if name in TIME_CALLS or (name in TIMEOUT_PLACE and not has_no_timeout(node, name)):
                faults.append(f"{module.path}:{node.lineno}: calls {ast.unparse(node)}")
    return faults


def has_no_timeout(call: ast.Call, name: str) -> bool:
    """Whether a call that could wait is told not to; `poll` of an instrument takes nothing."""
    place = TIMEOUT_PLACE[name]
    if name == "poll" and not call.args and not call.keywords:
        return True
    return len(call.args) == place + 1 and ast.unparse(call.args[place]) in {"0", "0.0"}


def opens_a_port(module: Module) -> list[str]:
    if module.path in MAY_OPEN_PORTS | MAY_SEND_NOTICES | MAY_SERVE:
        return []
    return (
        [
            f"{module.path}:{line}: imports {name}"
            for line, name in imported(module, ast.walk(module.tree))
            if is_within(name, PORT_MODULES)
            and not (module.path in MAY_LIST_PORTS and name == "serial.tools.list_ports")
            and not (module.path in MAY_SET_THE_KEYBOARD and name == "termios")
        ]
        + [
            f"{module.path}:{line}: calls {name}"
            for line, name in called(module)
            if name in PORT_CALLS
        ]
        + [
            f"{module.path}:{node.lineno}: opens {node.args[0].value}"
            for node in ast.walk(module.tree)
            if isinstance(node, ast.Call)
            and last_name(node.func) == "open"
            and node.args
            and isinstance(node.args[0], ast.Constant)
            and str(node.args[0].value).startswith("/dev/")
        ]
    )


def schedules(module: Module) -> list[str]:
    if module.path in MAY_SCHEDULE:
        return []
    return [
        f"{module.path}:{line}: imports {name}"
        for line, name in imported(module, ast.walk(module.tree))
        if is_within(name, {"apscheduler"})
    ]


def speaks(module: Module) -> list[str]:
    if module.package == "rig":
        return []
    return [
        f"{module.path}:{line}: calls {name}" for line, name in called(module) if name == "print"
    ] + [
        f"{module.path}:{line}: imports {name}"
        for line, name in imported(module, ast.walk(module.tree))
        if is_within(name, {"logging", "sys.stdout", "sys.stderr"})
    ]


def records_past_the_storage(module: Module) -> list[str]:
    if module.path not in RECORDING:
        return []
    writes = {"open", "write_text", "write_bytes", "read_bytes", "read_text", "mkdir", "unlink"}
    return [
        f"{module.path}:{line}: imports {name}"
        for line, name in imported(module, ast.walk(module.tree))
        if is_within(name, {"os", "shutil", "tempfile", "io"})
    ] + [f"{module.path}:{line}: calls {name}" for line, name in called(module) if name in writes]


def is_too_long(module: Module) -> list[str]:
    if module.lines <= LONGEST_FILE_LINES:
        return []
    return [f"{module.path}: {module.lines} lines, more than {LONGEST_FILE_LINES}: split it"]


def emits_an_unknown_quantity(module: Module) -> list[str]:
    """Look at what is called a quantity, and at every text that reads like one.

    What the virtual bench calls its own truths by is not emitted by anybody.
    """
    if module.package != "drivers":
        return []
    is_driver = not module.path.startswith("drivers/simulated/")
    found: list[tuple[int, str]] = []
    for node in ast.walk(module.tree):
        if isinstance(node, ast.keyword) and node.arg == "quantity":
            found += texts(node.value)
        elif isinstance(node, ast.AnnAssign | ast.Assign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if node.value is not None and any(last_name(t) == "quantity" for t in targets):
                found += texts(node.value)
        elif (
            is_driver
            and isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and UNIT_ENDING.fullmatch(node.value)
        ):
            found.append((node.lineno, node.value))
    return [
        f"{module.path}:{line}: {name!r} is not in analysis/quantities.py"
        for line, name in found
        if name not in quantities.GLOSSARY
    ]


def texts(value: ast.expr) -> list[tuple[int, str]]:
    """Return a text, or the default of an attrs field that is one."""
    if isinstance(value, ast.Call):
        defaults = [*value.args, *(kw.value for kw in value.keywords if kw.arg == "default")]
        return [found for default in defaults for found in texts(default)]
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return [(value.lineno, value.value)]
    return []


def last_name(target: ast.expr) -> str:
    return getattr(target, "id", getattr(target, "attr", ""))


def heavy_chain(modules: Sequence[Module], start: str) -> list[str]:
    """Return how a module comes to import something heavy when it is loaded, or nothing."""
    by_name = {module.name: module for module in modules}
    queue, seen = [[start]], {start}
    while queue:
        chain = queue.pop(0)
        module = by_name[chain[-1]]
        for line, name in imported(module, loaded_at_once(module.tree.body)):
            if is_within(name, HEAVY):
                return [*chain, f"{name} ({module.path}:{line})"]
            parts = name.split(".")
            for end in range(1, len(parts) + 1):
                inner = ".".join(parts[:end])
                if inner in by_name and inner not in seen:
                    seen.add(inner)
                    queue.append([*chain, inner])
    return []


def loaded_at_once(body: list[ast.stmt]) -> Iterator[ast.AST]:
    """Return the statements that run on import, those for the type checker left out."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            yield from loaded_at_once(node.orelse)
            continue
        yield node
        for part in ("body", "orelse", "finalbody", "handlers"):
            for child in getattr(node, part, []):
                yield from loaded_at_once(
                    child.body if isinstance(child, ast.ExceptHandler) else [child]
                )
