"""Small programs, compiled and run with a clock of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pytest

from softctl.errors import Problem, ProblemsError
from softctl.logic import Global, Instance, Source, compile_application

MS = 1_000_000


class Bench:
    """One instance of a program, scanned by a fake clock."""

    def __init__(self, text: str, globals_: Iterable[Global] = (), strict: bool = False) -> None:
        self.application = compile_application([Source("p.st", text)], globals_, strict=strict)
        self.instance: Instance = self.application.instantiate()

    def scan(self, at_ms: float = 0) -> None:
        """Scan once at a time in milliseconds."""
        self.instance.scan(round(at_ms * MS))

    def __getitem__(self, path: str) -> Any:
        return self.instance.read(path)

    def __setitem__(self, path: str, value: Any) -> None:
        self.instance.write(path, value)


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """Compiles a whole text."""
    return Bench


@pytest.fixture
def evaluate() -> Callable[..., Any]:
    """The value of one expression assigned to a variable of a type."""

    def run(expression: str, type_: str = "DINT", declarations: str = "") -> Any:
        text = f"PROGRAM P VAR r : {type_}; {declarations} END_VAR r := {expression}; END_PROGRAM"
        made = Bench(text)
        made.scan()
        return made["P.r"]

    return run


@pytest.fixture
def problems() -> Callable[..., tuple[Problem, ...]]:
    """The problems of a text that does not compile."""

    def find(text: str, globals_: Iterable[Global] = (), strict: bool = False) -> Any:
        with pytest.raises(ProblemsError) as caught:
            compile_application([Source("p.st", text)], globals_, strict=strict)
        return caught.value.problems

    return find
