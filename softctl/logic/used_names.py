"""Which names the generated code of programs uses: more perhaps than it reads, never fewer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import CodeType, FunctionType
from typing import Any

_STORING = {"__init__", "snapshot", "restore", "assign"}
"""Methods that handle every variable of an object, used or not."""


def used_names(namespace: Mapping[str, Any]) -> frozenset[str]:
    """Every attribute and global name in the functions and bodies of a generated module.

    The same name may belong to different variables, so this says for certain only what is
    not used.
    """
    return frozenset(name for code in _bodies(namespace) for name in _names(code))


def _bodies(namespace: Mapping[str, Any]) -> Iterator[CodeType]:
    for key, made in namespace.items():
        members = vars(made) if isinstance(made, type) and key != "Globals" else {"": made}
        for name, function in members.items():
            is_ours = getattr(function, "__globals__", None) is namespace
            if is_ours and isinstance(function, FunctionType) and name not in _STORING:
                yield function.__code__


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for part in code.co_consts:
        if isinstance(part, CodeType):
            yield from _names(part)
