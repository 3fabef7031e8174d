"""Many scans of one instance in one Python function, its variables in local names meanwhile.

Three things make this fast: nothing is called, nothing is looked up in an object, and what
is constant is left out. In return the objects of the instance are behind what was run until
somebody settles them, save for the variables that were named in advance. Whoever runs an
instance this way settles it before its objects are read, and says when they were written.
"""

from __future__ import annotations

import ast
from bisect import bisect_right
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from functools import cached_property
from operator import attrgetter
from typing import Any

from softctl.logic.fuse_constants import Folded, assigned, fold, used
from softctl.logic.fuse_last import split_last
from softctl.logic.fuse_units import SPAN, FusedBody, fuse_units

FUSED = "<fused>"
"""The file that fused functions claim to be from."""

ORIGINS = "__softctl_origins__"
"""Under this name a fused function's module says which unit a line of it comes from."""

WORTH_SCANS = 10_000
"""Scans that do not find everything as usual, before a function is made for those."""

Passes = Generator[None, range | None, None]


@dataclass(frozen=True, slots=True)
class Listing:
    """The generated module: its text, and where each of its lines comes from.

    `marks` has the line in the source for each line of the text, `files` the source's name
    for the first line of each function.
    """

    text: str
    marks: Sequence[int]
    files: Mapping[int, str]

    def place(self, line: int) -> tuple[str, int]:
        """The name of the source and the line there."""
        starts = sorted(self.files)
        return self.files[starts[bisect_right(starts, line) - 1]], self.marks[line - 1]


@dataclass(frozen=True, slots=True)
class Origins:
    """Where a line of a fused function comes from, and what its unit's variables are called."""

    listing: Listing
    units: Sequence[int]

    def place(self, line: int) -> tuple[str, int]:
        """The name of the source and the line there."""
        return self.listing.place(line % SPAN)

    def names(self, line: int, names: Mapping[str, Any]) -> dict[str, Any]:
        """What the unit that a line comes from would call the names of the function.

        The function has brought its objects up to date when this matters: behind a fault.
        """
        unit = line // SPAN
        prefix = f"t{unit}_"
        own = {n.removeprefix(prefix): value for n, value in names.items() if n.startswith(prefix)}
        return own | {"self": names[f"o{self.units[unit]}"], "g": names["g"]}


@dataclass(frozen=True, slots=True)
class _Variant:
    """A compiled function and what has to be so when it begins."""

    make: Callable[..., Passes]
    assumed: tuple[Any, ...]
    getters: tuple[tuple[int, Callable[[Any], Any]], ...]

    def fits(self, objects: Sequence[Any]) -> bool:
        """Whether the objects have the values that were taken for granted."""
        found = [value for number, get in self.getters for value in _as_tuple(get(objects[number]))]
        return tuple(found) == self.assumed


class FusedProgram:
    """What can be run this way of one application; made once, used by any instance of it.

    `given` and `taken` are variables by path of object and name: those that the outside
    writes between two runs and those that it reads then. `sample` is an instance's program
    and globals after its first scans: what they have in their parameters is what the fastest
    of the functions takes for granted. Raises NotFusible.
    """

    def __init__(
        self,
        listing: Listing,
        namespace: Mapping[str, Any],
        sample: Any,
        given: Iterable[tuple[tuple[str, ...], str]],
        taken: Iterable[tuple[tuple[str, ...], str]],
        budget: int,
    ) -> None:
        body = fuse_units(listing.text, sample)
        self.paths = body.objects
        self._sample = sample
        self._unusual_scans = 0
        self._budget = budget
        self._namespace = namespace
        self._origins = Origins(listing, body.units)
        self._body = body
        self._given = sorted(_local_names(body, given))
        self._taken = sorted(_local_names(body, taken))
        objects = [found(sample, path) for path in self.paths]
        self._values = {
            name: getattr(objects[number], attribute)
            for name, (number, attribute) in body.variables.items()
        }

    def fitting(self, objects: Sequence[Any], scans: int) -> Callable[..., Passes] | None:
        """The fastest of the functions that is right for these objects as they are.

        `scans` were made one by one since the last call.
        """
        if self._as_usual.fits(objects):
            return self._as_usual.make
        self._unusual_scans += scans
        if self._unusual_scans < WORTH_SCANS or not self._with_any_parameters.fits(objects):
            return None
        return self._with_any_parameters.make

    @cached_property
    def _as_usual(self) -> _Variant:
        return self._variant(parameters=True)

    @cached_property
    def _with_any_parameters(self) -> _Variant:
        return self._variant(parameters=False)

    def _variant(self, *, parameters: bool) -> _Variant:
        body = self._body if parameters else fuse_units(self._origins.listing.text, self._sample)
        folded = fold(body.statements, self._values, self._given, parameters=parameters)
        scope = {**self._namespace, ORIGINS: self._origins}
        exec(compile(self._module(folded), FUSED, "exec", dont_inherit=True), scope)
        by_object: dict[int, list[str]] = {}
        for name in folded.assumed:
            by_object.setdefault(self._body.variables[name][0], []).append(name)
        attributes = self._body.variables
        return _Variant(
            scope["fused"],
            tuple(folded.assumed[name] for names in by_object.values() for name in names),
            tuple(
                (number, attrgetter(*(attributes[name][1] for name in names)))
                for number, names in by_object.items()
            ),
        )

    def _module(self, folded: Folded) -> ast.Module:
        """The function as a module's syntax tree: a head and a tail around the statements."""
        module = ast.parse("\n".join(self._frame(folded)))
        every, last = split_last(folded.statements)
        places = [node for node in ast.walk(module) if isinstance(node, ast.For | ast.Try)]
        for node in places:
            if isinstance(node, ast.Try):
                node.handlers[0].body[:0] = deepcopy(last)
            else:
                node.body = (node.body + every) or [ast.Pass()]
                node.orelse = last
        return ast.fix_missing_locations(module)

    def _frame(self, folded: Folded) -> Iterator[str]:
        names = used(folded.statements)
        variables = self._body.variables
        loaded = [name for name in variables if name in names or name in folded.repeated.values()]
        sets = assigned(folded.statements)
        stored = {name: name for name in loaded if name in sets}
        stored |= {name: of for name, of in folded.repeated.items() if name in variables}
        yield f"def fused(g, {', '.join(f'o{n}' for n in range(len(self.paths)))}):"
        yield "    c = g.cells"
        yield from (f"    {name} = {self._place(name)}" for name in loaded)
        yield "    try:"
        yield "        span = yield"
        yield "        while True:"
        yield "            if span is None:"
        yield from (f"                {line}" for line in self._stores(stored) or ["pass"])
        yield "            else:"
        yield from (
            f"                {name} = {self._place(name)}"
            for name in self._given
            if name in loaded
        )
        yield "                for now in span:"
        if "g" in names:
            yield "                    g.h__NOW = now"
            yield f"                    g.fuel = {self._budget}"
        else:
            yield "                    pass"
        yield "                g.h__NOW = now"
        yield from (
            f"                {line}"
            for line in self._stores({n: of for n, of in stored.items() if n in self._taken})
        )
        yield "            span = yield"
        yield "    except Exception:"
        yield "        g.h__NOW = now"
        yield from (f"        {line}" for line in self._stores(stored))
        yield "        raise"

    def _stores(self, names: Mapping[str, str]) -> list[str]:
        return [f"{self._place(name)} = {source}" for name, source in names.items()]

    def _place(self, name: str) -> str:
        number, attribute = self._body.variables[name]
        return f"o{number}.{attribute}"


class FusedRun:
    """One instance's program that runs this way, as long as it can."""

    def __init__(self, program: FusedProgram, unit: Any, state: Any) -> None:
        self._program = program
        self._objects = [found(unit, path) for path in program.paths]
        self._state = state
        self._passes: Passes | None = None
        self._send: Callable[[range | None], None] | None = None
        self.is_ahead = False
        """Whether the objects are behind."""

    def begin(self, scans: int = 1) -> bool:
        """Take the variables over from the objects; False when none of the functions fits.

        `scans` were made one by one since the variables were dropped, or this was tried.
        """
        self.drop()
        make = self._program.fitting(self._objects, scans)
        if make is not None:
            self._passes = make(self._state, *self._objects)
            next(self._passes)
            self._send = self._passes.send
        return self.has_begun

    @property
    def has_begun(self) -> bool:
        """Whether the variables are those of the objects, or ahead of them."""
        return self._send is not None

    def run(self, span: range) -> None:
        """A scan at each of these times, at least one; raises what the program raises."""
        assert self._send is not None
        self.is_ahead = True
        try:
            self._send(span)
        except Exception:
            # The function has settled the objects and is at its end.
            self.is_ahead = False
            self.drop()
            raise

    def settle(self) -> None:
        """Bring the objects up to date."""
        if self.is_ahead and self._send is not None:
            self._send(None)
            self.is_ahead = False

    def drop(self) -> None:
        """Forget the variables: the objects were written, or are about to be."""
        assert not self.is_ahead
        if self._passes is not None:
            self._passes.close()
        self._passes = self._send = None


def found(unit: Any, path: Iterable[str]) -> Any:
    """The object at a path."""
    for name in path:
        unit = getattr(unit, name)
    return unit


def _local_names(
    body: FusedBody, variables: Iterable[tuple[tuple[str, ...], str]]
) -> Iterator[str]:
    """The local names of variables; those of objects apart, or never used, have none."""
    names = {
        (body.objects[number], attribute): name
        for name, (number, attribute) in body.variables.items()
    }
    for variable in variables:
        if variable in names:
            yield names[variable]


def _as_tuple(value: Any) -> tuple[Any, ...]:
    return value if isinstance(value, tuple) else (value,)
