"""Imports point down only, and the core knows no clock, file, socket or thread.

The rules, each with its number in the complaints:
1. A package imports only what its row in LAYERS allows; `softctl` itself belongs to nobody.
2. Core packages import none of FORBIDDEN, anywhere, not even inside a function.
3. Core packages reach the outside by no other way: no open(), print() or input(), no clock
   of datetime, no shared generator of random, no import by name.
4. Nobody imports `cli` but `cli` and `__main__`.
5. pymodbus and aiomqtt are each imported in one module.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "softctl"

_BASE = {"errors", "values"}
_IO = {*_BASE, "machine", "modbus"}
_CORE = {*_IO, "logic", "alarms", "plant", "image", "field", "control"}
CORE_LAYERS: dict[str, set[str]] = {
    "errors": set(),
    "values": {"errors"},
    "alarms": _BASE,
    "machine": {*_BASE, "alarms"},
    "logic": _BASE,
    "modbus": _BASE,
    "plant": {*_BASE, "machine", "logic"},
    "image": _IO,
    "wire": _IO,
    # The two ends meet over Modbus alone, so neither knows the other or its inside.
    "field": {*_IO, "image", "plant"},
    "control": {*_IO, "image", "logic", "alarms"},
    "paper": set(),
    "trial": {*_CORE, "paper", "picture"},
    "audit": {*_IO, "image", "paper"},
    "checkout": {*_CORE, "audit", "paper"},
    "picture": {*_BASE, "machine", "logic", "plant"},
    "mqtt": {*_BASE, "machine", "alarms", "control"},
    "recording": {*_BASE, "modbus"},
    "conform": _CORE,
    "prove": _CORE,
    "views": _CORE,
}
SHELLS = {"runtime", "web", "journal", "dossier", "testing", "cli", "__main__"}
ANYTHING = {*CORE_LAYERS, *SHELLS} - {"__main__"}
LAYERS = {**CORE_LAYERS, **dict.fromkeys(SHELLS, ANYTHING)}

_CLOCKS_AND_THREADS = """
    asyncio selectors socket socketserver ssl select threading _thread multiprocessing
    concurrent queue sched subprocess signal time uvloop
"""
_FILES_AND_ENVIRONMENT = """
    os posix sys platform getpass pwd pathlib glob shutil tempfile fileinput fcntl mmap
    sqlite3 shelve dbm secrets uuid http urllib ftplib smtplib webbrowser locale ctypes
"""
_LOGS_AND_SHELLS = "logging warnings structlog typer rich click aiomqtt paho pymodbus cryptography"
FORBIDDEN = set(" ".join((_CLOCKS_AND_THREADS, _FILES_AND_ENVIRONMENT, _LOGS_AND_SHELLS)).split())
FORBIDDEN_CALLS = {"open", "print", "input", "__import__", "import_module"}
CLOCKS = {"now", "utcnow", "today"}
HOMES = {"pymodbus": "runtime/field_client.py", "aiomqtt": "runtime/mqtt_connection.py"}


def imports(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every imported module with its line; relative imports come with leading dots."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            module = "." * node.level + (node.module or "")
            yield node.lineno, module
            # `from softctl import cli` names the package only here.
            if module == "softctl":
                for alias in node.names:
                    yield node.lineno, f"softctl.{alias.name}"


def package_of(path: str) -> str:
    """The package (or top module) that a path below softctl/ belongs to."""
    return path.split("/")[0].removesuffix(".py")


def complaints(path: str, text: str) -> list[str]:
    """What is wrong with the module at `path` below softctl/, as `rule n: path:line: what`."""
    tree = ast.parse(text)
    package = package_of(path)
    found = []
    if package not in LAYERS and package != "__init__":
        found.append(f"rule 1: {path}:1: {package} has no layer")
    for line, module in imports(tree):
        found += (f"{rule}: {path}:{line}: {module}" for rule in broken(path, package, module))
    if package in CORE_LAYERS:
        found += (f"rule 3: {path}:{line}: {what}" for line, what in outside_ways(tree))
    return found


def broken(path: str, package: str, module: str) -> Iterator[str]:
    """The rules that importing `module` breaks."""
    top, _, rest = module.partition(".")
    if top == "":
        yield "rule 1"
    if top == "softctl" and rest:
        target = rest.split(".")[0]
        if target not in {*LAYERS.get(package, ()), package} and target in LAYERS:
            yield "rule 1"
        if target == "cli" and package not in ("cli", "__main__"):
            yield "rule 4"
    if package in CORE_LAYERS and top in FORBIDDEN:
        yield "rule 2"
    if package in CORE_LAYERS and top == "importlib" and module != "importlib.resources":
        yield "rule 3"
    if path != HOMES.get(top, path):
        yield "rule 5"


def outside_ways(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Calls that reach a file, the terminal, a clock or shared chance without an import."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            if node.func.id in FORBIDDEN_CALLS:
                yield node.lineno, f"{node.func.id}()"
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            owner = node.value.id
            if owner in ("datetime", "date") and node.attr in CLOCKS:
                yield node.lineno, f"{owner}.{node.attr}"
            if owner == "random" and node.attr != "Random":
                yield node.lineno, f"random.{node.attr}"
            if owner == "io" and node.attr.startswith(("open", "FileIO")):
                yield node.lineno, f"io.{node.attr}"


MODULES = sorted(path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES)
def test_a_module_keeps_to_its_layer(path: str) -> None:
    """Every module keeps all five rules."""
    assert complaints(path, (ROOT / path).read_text(encoding="utf-8")) == []


def test_the_modules_are_found() -> None:
    """The walk sees the packages that must be there, so that it cannot pass on nothing."""
    packages = {package_of(path) for path in MODULES}
    assert {"errors", "values", "machine", "logic", "plant", "modbus", "control"} <= packages
    assert set(HOMES.values()) <= set(MODULES)


# Each made-up module breaks one rule; the checker has to see it, and in which line.
@pytest.mark.parametrize(
    ("path", "text", "complaint"),
    [
        ("logic/bad.py", "import softctl.machine", "rule 1: logic/bad.py:1: softctl.machine"),
        ("logic/bad.py", "from softctl.modbus import Bank", "rule 1: logic/bad.py:1: softctl.modb"),
        ("modbus/bad.py", "\nfrom softctl import logic", "rule 1: modbus/bad.py:2: softctl.logic"),
        ("values/bad.py", "from softctl.machine.model import Point", "rule 1"),
        ("errors.py", "from softctl.values.types import Kind", "rule 1"),
        ("control/bad.py", "from softctl.plant import Plant", "rule 1"),
        ("control/bad.py", "from softctl.runtime import clock", "rule 1"),
        ("machine/bad.py", "from . import model", "rule 1: machine/bad.py:1: ."),
        ("novelty/bad.py", "x = 1", "rule 1: novelty/bad.py:1: novelty has no layer"),
        ("logic/bad.py", "def f():\n    import time", "rule 2: logic/bad.py:2: time"),
        ("machine/bad.py", "from os.path import join", "rule 2: machine/bad.py:1: os.path"),
        ("plant/bad.py", "import asyncio as a, math", "rule 2: plant/bad.py:1: asyncio"),
        ("conform/bad.py", "from pathlib import Path", "rule 2"),
        (
            "field/bad.py",
            "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import threading",
            "rule 2: field/bad.py:3: threading",
        ),
        ("machine/bad.py", "text = open('x').read()", "rule 3: machine/bad.py:1: open()"),
        ("logic/bad.py", "import datetime\nx = datetime.now()", "rule 3: logic/bad.py:2"),
        ("plant/bad.py", "import random\nx = random.random()", "rule 3: plant/bad.py:2"),
        ("plant/bad.py", "from importlib import import_module", "rule 3: plant/bad.py:1"),
        ("runtime/bad.py", "from softctl.cli import main", "rule 4: runtime/bad.py:1"),
        ("runtime/bad.py", "import pymodbus.client", "rule 5: runtime/bad.py:1"),
        ("runtime/bad.py", "from aiomqtt import Client", "rule 5: runtime/bad.py:1"),
    ],
)
def test_the_checker_sees_what_it_is_for(path: str, text: str, complaint: str) -> None:
    """A module made to break a rule is caught, with rule, path and line."""
    assert any(found.startswith(complaint) for found in complaints(path, text))


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("plant/good.py", "from importlib.resources import files"),
        ("plant/good.py", "from random import Random\nimport random\nx = random.Random(1)"),
        ("runtime/field_client.py", "import pymodbus.client, asyncio, time"),
        ("cli/good.py", "from softctl.cli.app import main\nimport os\nprint(1)"),
        ("__main__.py", "from softctl.cli import main"),
        ("runtime/good.py", "from softctl import __version__\nfrom softctl.plant import Plant"),
    ],
)
def test_the_checker_lets_good_modules_be(path: str, text: str) -> None:
    """What the rules allow brings no complaint."""
    assert complaints(path, text) == []
