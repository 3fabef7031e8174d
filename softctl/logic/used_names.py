"""What the generated code of programs uses: more perhaps than it depends on, never less."""

from __future__ import annotations

import dis
from collections.abc import Collection, Iterator, Mapping
from types import CodeType, FunctionType
from typing import Any

from softctl.logic.python_expressions import mangle
from softctl.logic.world import NOW

_STORING = {"__init__", "snapshot", "restore", "assign"}
"""Methods that handle every variable of an object, used or not."""

_LOADS = {"LOAD_ATTR", "LOAD_METHOD", "LOAD_NAME", "LOAD_GLOBAL"}
_STEP_TIME, _SINCE = "T", mangle("__SINCE")


def used_names(namespace: Mapping[str, Any]) -> frozenset[str]:
    """Every attribute and global name in the functions and bodies of a generated module.

    The same name may belong to different variables, so this says for certain only what is
    not used.
    """
    return frozenset(name for _, code in _bodies(namespace) for name in code.co_names)


def time_matters(namespace: Mapping[str, Any], charts: Collection[str]) -> bool:
    """FALSE only if the time of a scan cannot change what the module's code does.

    `charts` are the classes of programs with a chart. A chart keeps the time of its steps
    (sfc.py), which does not matter while nothing looks at a step's T and no action has a
    time that is counted in a variable of its own.
    """
    return any(_looks_at_time(owner in charts, code) for owner, code in _bodies(namespace))


def _looks_at_time(is_chart: bool, code: CodeType) -> bool:
    loaded = {one.argval for one in dis.get_instructions(code) if one.opname in _LOADS}
    if not is_chart:
        return mangle(NOW) in code.co_names or _STEP_TIME in loaded
    counted = any(name.endswith("_SINCE") and name != _SINCE for name in code.co_names)
    return counted or _STEP_TIME in loaded


def _bodies(namespace: Mapping[str, Any]) -> Iterator[tuple[str, CodeType]]:
    """The functions' code, each with the name of its class, and what is defined inside."""
    for key, made in namespace.items():
        members = vars(made) if isinstance(made, type) and key != "Globals" else {"": made}
        for name, function in members.items():
            is_ours = getattr(function, "__globals__", None) is namespace
            if is_ours and isinstance(function, FunctionType) and name not in _STORING:
                for code in _with_inner(function.__code__):
                    yield key, code


def _with_inner(code: CodeType) -> Iterator[CodeType]:
    yield code
    for part in code.co_consts:
        if isinstance(part, CodeType):
            yield from _with_inner(part)
