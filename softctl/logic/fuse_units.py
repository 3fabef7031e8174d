"""One body of statements out of a program and the blocks it calls, on local names.

This works on the Python that was generated for the units, because all that ST means is
settled there. A call of a block becomes the block's statements; a variable of a block becomes
a local name `v<object>_<VARIABLE>`. Line numbers tell the call as well as the line: each
unit's statements are moved up by `SPAN` lines for each unit before it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass, field
from textwrap import dedent
from typing import Any

SPAN = 1_000_000
"""Lines between the units of one body; no generated module has so many."""

MOST_STATEMENTS = 20_000
"""A body that grows beyond this takes longer to compile than it can save."""

_KEPT = frozenset(("g", "c"))
"""Names that mean the same in every unit: the globals, and the cells that round REALs."""

Path = tuple[str, ...]


class NotFusible(Exception):  # noqa: N818 - nothing went wrong: the units are called as before
    """There is no such body for these units; they run as they are."""


@dataclass
class FusedBody:
    """The statements, the objects they stand for by path from the program, and the variables.

    `variables` maps a local name to the number of its object and the attribute there;
    `units` has the number of the object whose unit the statements of each span belong to.
    """

    statements: list[ast.stmt] = field(default_factory=list)
    objects: list[Path] = field(default_factory=list)
    variables: dict[str, tuple[int, str]] = field(default_factory=dict)
    units: list[int] = field(default_factory=list)


def fuse_units(module: str, program: Any) -> FusedBody:
    """The body of a program's run, given the generated module and one instance.

    Raises NotFusible.
    """
    runs = dict(_runs(module))
    apart: set[Path] = set()
    while True:
        try:
            return _Fuser(runs, program, apart).run()
        except _KeptApart as found:
            if found.path in apart or not found.path:
                raise NotFusible from found
            apart.add(found.path)


class _KeptApart(Exception):  # noqa: N818
    """A block that somebody holds on to: it has to stay an object with its own variables."""

    def __init__(self, path: Path) -> None:
        self.path = path


@dataclass(frozen=True, slots=True)
class _Run:
    """The text of a unit's run, and its first line in the module.

    Parsing it once more is the fastest way to another copy of its tree.
    """

    text: str
    line: int

    def tree(self, number: int) -> ast.FunctionDef:
        """A tree of its own, with lines of the span of this number."""
        (run,) = ast.parse(self.text).body
        assert isinstance(run, ast.FunctionDef)
        ast.increment_lineno(run, number * SPAN + self.line - 1)
        return run


def _runs(module: str) -> Iterator[tuple[str, _Run]]:
    lines = module.split("\n")
    for class_ in ast.parse(module).body:
        if isinstance(class_, ast.ClassDef):
            for item in class_.body:
                if isinstance(item, ast.FunctionDef) and item.name == "run":
                    text = dedent("\n".join(lines[item.lineno - 1 : item.end_lineno]))
                    yield class_.name, _Run(text, item.lineno)


class _Fuser:
    def __init__(self, runs: dict[str, _Run], program: Any, apart: set[Path]) -> None:
        self._runs = runs
        self._program = program
        self._apart = apart
        self._numbers: dict[Path, int] = {}
        self._count = 0
        self.body = FusedBody()

    def run(self) -> FusedBody:
        self.body.statements = self.unit((), self._program)
        return self.body

    def unit(self, path: Path, unit: Any) -> list[ast.stmt]:
        """The statements of one call of a unit."""
        number = len(self.body.units)
        run = self._runs[type(unit).__name__].tree(number)
        if any(isinstance(node, ast.Return) for node in ast.walk(run)):
            raise _KeptApart(path)
        self._count += sum(isinstance(node, ast.stmt) for node in ast.walk(run))
        if self._count > MOST_STATEMENTS:
            raise NotFusible
        self.body.units.append(self.number(path))
        return _Unit(self, path, run, f"t{number}_").block(run.body)

    def number(self, path: Path) -> int:
        """The number of an object."""
        if path not in self._numbers:
            self._numbers[path] = len(self.body.objects)
            self.body.objects.append(path)
        return self._numbers[path]

    def variable(self, path: Path, name: str) -> str:
        """The local name of a variable of an object."""
        number = self.number(path)
        local = f"v{number}_{name}"
        self.body.variables[local] = (number, name)
        return local

    def found(self, path: Path) -> Any:
        """The object or value at a path."""
        value = self._program
        for name in path:
            value = getattr(value, name)
        return value

    def is_unit(self, path: Path) -> bool:
        """Whether a block is there whose statements are taken in."""
        return path not in self._apart and type(self.found(path)).__name__ in self._runs


class _Unit(ast.NodeTransformer):
    """Puts the names of the body into the statements of one unit."""

    def __init__(self, fuser: _Fuser, path: Path, run: ast.FunctionDef, prefix: str) -> None:
        self._fuser = fuser
        self._prefix = prefix
        self._objects: dict[str, Path] = {"self": path}
        self._locals = {
            node.id
            for node in ast.walk(run)
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        }

    def block(self, statements: list[ast.stmt]) -> list[ast.stmt]:
        """A list of statements, with the bodies of the blocks that they call."""
        return [new for old in statements for new in self._statement(old)]

    def _statement(self, node: ast.stmt) -> list[ast.stmt]:
        if isinstance(node, ast.Assign) and self._names_object(node):
            return []
        called = _called(node)
        path = self._path(called) if called is not None else None
        if path is not None:
            return self._fuser.unit(path, self._fuser.found(path))
        return [self.visit(node)]

    def _names_object(self, node: ast.Assign) -> bool:
        """A line that gives a block, or the cells, a short name; another may do so again."""
        (target, *more), value = node.targets, node.value
        if more or not isinstance(target, ast.Name):
            return False
        if target.id in _KEPT:
            return True
        path = self._path(value)
        if path is None:
            return False
        self._objects[target.id] = path
        return True

    def _path(self, node: ast.expr) -> Path | None:
        """Which unit an expression names."""
        if isinstance(node, ast.Name):
            return self._objects.get(node.id)
        if isinstance(node, ast.Attribute):
            base = self._path(node.value)
            if base is not None and self._fuser.is_unit((*base, node.attr)):
                return (*base, node.attr)
        return None

    def generic_visit(self, node: ast.AST) -> ast.AST:
        for name in ("body", "orelse", "finalbody"):
            statements = getattr(node, name, None)
            if isinstance(statements, list):
                setattr(node, name, self.block(statements) or [ast.Pass()] * (name == "body"))
        for name, value in ast.iter_fields(node):
            if isinstance(value, ast.AST):
                setattr(node, name, self.visit(value))
            elif isinstance(value, list) and not (value and isinstance(value[0], ast.stmt)):
                setattr(node, name, [self.visit(item) for item in value])
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.expr:
        base = self._path(node.value)
        if base is None:
            node.value = self.visit(node.value)
            return node
        if self._fuser.is_unit((*base, node.attr)):
            raise _KeptApart((*base, node.attr))
        local = ast.Name(self._fuser.variable(base, node.attr), node.ctx)
        return ast.copy_location(local, node)

    def visit_Name(self, node: ast.Name) -> ast.expr:
        if node.id in self._objects:
            raise _KeptApart(self._objects[node.id])
        if node.id in self._locals and node.id not in _KEPT:
            node.id = f"{self._prefix}{node.id}"
        return node


def _called(node: ast.stmt) -> ast.expr | None:
    """The object of a call `object.run(g)`."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        function = node.value.func
        if isinstance(function, ast.Attribute) and function.attr == "run":
            return function.value
    return None
