"""A running application: scans, access by path, forces, snapshots, faults."""

from __future__ import annotations

import re
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isinf
from types import MappingProxyType
from typing import Any
from weakref import WeakSet

from softctl.errors import Place, SoftctlError
from softctl.logic.forces import ForceBook, place_elsewhere
from softctl.logic.fuse_units import NotFusible
from softctl.logic.fused import FUSED, ORIGINS, FusedProgram, FusedRun
from softctl.logic.held_arrays import replace
from softctl.logic.paths import Location, coerce_value, locate
from softctl.logic.python_expressions import CELLS, mangle
from softctl.logic.python_fault import BudgetFault, ScanFault
from softctl.logic.python_module import MARK
from softctl.logic.resolve import LIBRARY
from softctl.logic.schedule import Scheduled
from softctl.logic.sfc_chart import Chart
from softctl.logic.transfer import TakeOver
from softctl.logic.types import REAL, Type
from softctl.logic.used_names import time_matters, used_names
from softctl.logic.world import Configured, World
from softctl.values.types import round_to_real

LOOP_BUDGET = 1_000_000
"""Loop passes that all programs together may take in one scan."""

_SHOWN_VALUES = 6
_ELEMENTARY = bool | int | float | str
_WORDS = re.compile(r"\w+")


class LogicFault(SoftctlError):  # noqa: N818 - the trade says fault
    """A program failed while running; the text names the cause, file, line and values."""

    def __init__(self, cause: str, place: Place, values: str = "") -> None:
        self.cause = cause
        self.place = place
        where = f"{place.file}:{place.line}"
        super().__init__(f"{cause} ({where})" + (f": {values}" if values else ""))


class Instance:
    """One set of variables with the programs that run on them."""

    def __init__(
        self,
        world: World,
        scheduled: Sequence[Scheduled],
        charts: Mapping[str, Chart],
        namespace: dict[str, Any],
    ) -> None:
        self._world = world
        self._charts = charts
        self._namespace = namespace
        self._globals: Any = namespace["Globals"]()
        self._globals.cells = array("f", [0.0] * CELLS)
        self._scheduled = list(scheduled)
        self._programs: dict[str, Any] = {
            entry.name.upper(): namespace[f"b_{entry.block.key}"]() for entry in scheduled
        }
        self._blocks = {entry.name.upper(): entry.block for entry in scheduled}
        self._runs = [
            _connected(entry, program)
            for entry, program in zip(scheduled, self._programs.values(), strict=True)
        ]
        self._intervals = [entry.interval_ns for entry in scheduled]
        self._singles = [mangle(e.single.key) if e.single is not None else "" for e in scheduled]
        planned = any(self._intervals) or any(self._singles)
        self._due = [0] * len(self._intervals) if planned else None
        self._missed = [0] * len(self._intervals)
        self._sources = list({id(b.source): b.source for b in world.blocks.values()}.values())
        self._cache: dict[str, Location] = {}
        self._forces = ForceBook(self._swap)
        self._accessors: WeakSet[Callable[..., Any]] = WeakSet()
        """Readers and writers of array elements, which know the arrays themselves."""
        for item in world.configured:
            self._configure(item)

    def _configure(self, item: Configured) -> None:
        """Carry out a line of VAR_CONFIG."""
        location = self._locate(item.path)
        owner, last = self._owner(location), location.last
        if item.located is not None and isinstance(last, str):
            place_elsewhere(owner, last, self._globals, mangle(item.located.key))
        elif isinstance(last, str):
            setattr(owner, last, item.initial)
        else:
            owner[last] = item.initial

    # Running

    def scan(self, now_ns: int) -> None:
        """Run the programs once, in order; raises LogicFault where one fails."""
        state = self._globals
        state.h__NOW = now_ns
        state.fuel = LOOP_BUDGET
        try:
            if self._due is None:
                for run in self._runs:
                    run(state)
            else:
                self._run_due(now_ns, self._due)
        except _FAULTS as error:
            raise self._fault(error) or error from None

    def fused_run(self, program: FusedProgram) -> FusedRun:
        """A way to run this instance's program that is faster; see `Application.fused`.

        Nothing of an instance that is run this way can be forced.
        """
        return FusedRun(program, self.only_program(), self._globals)

    def scan_fused(self, run: FusedRun, span: range) -> None:
        """As `scan` at each of these times; raises LogicFault, with everything settled."""
        try:
            run.run(span)
        except _FAULTS as error:
            raise self._fault(error) or error from None

    @property
    def now_ns(self) -> int:
        """The time of the last scan."""
        return int(self._globals.h__NOW)

    def only_program(self) -> Any:
        """The state of the one program that runs in every scan; raises NotFusible."""
        if self._due is not None or len(self._runs) != 1 or self._scheduled[0].connections:
            raise NotFusible
        (program,) = self._programs.values()
        return program

    def place_of(self, path: str) -> tuple[tuple[str, ...], str]:
        """The path of the object in its program that has a variable, and its name there."""
        location = self._locate(path)
        return tuple(map(str, location.steps)), str(location.last)

    def _run_due(self, now_ns: int, due: list[int]) -> None:
        for number, run in enumerate(self._runs):
            interval_ns, single = self._intervals[number], self._singles[number]
            if single:
                before, due[number] = due[number], int(getattr(self._globals, single))
                if due[number] > before:
                    run(self._globals)
            elif not interval_ns:
                run(self._globals)
            elif due[number] <= now_ns:
                missed, late_ns = (
                    divmod(now_ns - due[number], interval_ns) if due[number] else (0, 0)
                )
                self._missed[number] += missed
                due[number] = now_ns - late_ns + interval_ns
                run(self._globals)

    @property
    def task_overruns(self) -> dict[str, int]:
        """How often each task with an interval was due again before a scan could run it.

        A task's releases stay on the grid that its first run began, whatever was missed.
        """
        return {
            entry.task: missed
            for entry, missed in zip(self._scheduled, self._missed, strict=True)
            if entry.interval_ns
        }

    # Access

    def read(self, path: str) -> Any:
        """The value of a variable by path, such as `Feed.Timer1.ET`; raises SoftctlError."""
        return self.reader([path])()[0]

    def write(self, path: str, value: Any) -> None:
        """Set a variable by path; raises SoftctlError for a value that does not fit."""
        location = self._locate(path, True)
        self.writer([path])([coerce_value(value, location, path)])

    def reader(self, paths: Sequence[str]) -> Callable[[], tuple[Any, ...]]:
        """A fast function that reads all these variables."""
        locations = [self._locate(path) for path in paths]
        scope, texts = self._scope(locations)
        body = "".join(f"{text}, " for text in texts)
        made: Callable[[], tuple[Any, ...]] = eval(f"lambda: ({body})", scope)
        self._remember(made, locations)
        return made

    def writer(
        self, paths: Sequence[str], *, rounded: bool = False
    ) -> Callable[[Sequence[Any]], None]:
        """A fast function that sets all these variables; values must be of their types.

        REAL values are rounded, unless the caller has `rounded` ones; nothing else is checked.
        """
        locations = [self._locate(path, True) for path in paths]
        scope, texts = self._scope(locations)
        lines = ["def write(values):"]
        if not paths:
            lines.append("    pass")
        else:
            names = [
                f"v{i}" if loc.type == REAL and not rounded else text
                for i, (loc, text) in enumerate(zip(locations, texts, strict=True))
            ]
            lines.append(f"    {', '.join(names)}, = values")
        for number, (location, text) in enumerate(zip(locations, texts, strict=True)):
            if location.type == REAL and not rounded:
                lines.append(f"    {text} = to_real(v{number})")
        scope["to_real"] = self._namespace["to_real"]
        exec("\n".join(lines), scope)
        made: Callable[[Sequence[Any]], None] = scope.pop("write")
        self._remember(made, locations)
        return made

    def _remember(self, made: Callable[..., Any], locations: list[Location]) -> None:
        if any(isinstance(location.last, int) for location in locations):
            self._accessors.add(made)

    def type_of(self, path: str) -> Type:
        """The type of a variable by path; raises SoftctlError if there is none."""
        return self._locate(path).type

    # Forces

    @property
    def forces(self) -> Mapping[str, Any]:
        """The forced variables by path, with the values they are held at."""
        return MappingProxyType(self._forces.shown())

    @property
    def force_count(self) -> int:
        """How many variables are forced; cheaper than looking at all of `forces`."""
        return len(self._forces)

    def force(self, path: str, value: Any) -> None:
        """Hold a variable at a value, whatever is written to it, until it is released.

        Works for any variable with a single value: globals, variables, inputs and outputs of
        programs and of blocks inside them, members of structures, elements of arrays.
        The value that is written stays visible through `written` and comes back on release.
        Snapshots hold what was written; restoring one leaves the forces as they are.
        A FOR counts unforced inside its own loop.
        Raises SoftctlError for an unknown path or a value that does not fit.
        """
        owner, name, location = self._forceable(path)
        held = coerce_value(value, location, path)
        if location.type == REAL:
            held = round_to_real(held)
            if isinf(held) and not isinf(value):
                raise SoftctlError(f"expected a value of type REAL, got {value!r} ({path})")
        self._forces.force(path, owner, name, held)

    def release(self, path: str) -> None:
        """Let a forced variable go; raises SoftctlError if it is not forced."""
        owner, name, _ = self._forceable(path)
        self._forces.release(path, owner, name)

    def release_all(self) -> None:
        """Let every forced variable go."""
        self._forces.release_all()

    def written(self, path: str) -> Any:
        """The value that was last written to a variable, forced or not."""
        owner, name, _ = self._forceable(path)
        return self._forces.written(owner, name)

    def _forceable(self, path: str) -> tuple[Any, str | int, Location]:
        location = self._locate(path)
        owner, last = self._owner(location), location.last
        if isinstance(last, str) and (not hasattr(owner, last) or last.startswith("h__")):
            raise SoftctlError(f"expected a variable, got {path}: nothing there can be forced")
        return owner, last, location

    def _swap(self, old: list[Any], new: list[Any]) -> None:
        """Put another list in the place of an array, also for readers and writers made before."""
        replace([self._globals, *self._programs.values()], old, new)
        for accessor in self._accessors:
            scope = accessor.__globals__
            scope.update({name: new for name, value in scope.items() if value is old})

    def _owner(self, location: Location) -> Any:
        owner = self._globals if not location.program else self._programs[location.program]
        for step in location.steps:
            owner = getattr(owner, step) if isinstance(step, str) else owner[step]
        if owner is None:  # an in-out before its first call
            raise SoftctlError(f"expected a variable that exists already, got {location.last}")
        return owner

    def _locate(self, path: str, written: bool = False) -> Location:
        access = self._world.access.get(path.upper())
        if access is not None:
            if written and not access.writable:
                raise SoftctlError(f"expected a path that may be written, got {path}: READ_ONLY")
            path = access.path
        location = self._cache.get(path)
        if location is None:
            location = self._cache[path] = locate(path, self._world, self._blocks)
        return location

    def _scope(self, locations: list[Location]) -> tuple[dict[str, Any], list[str]]:
        """Each variable is one attribute or element of a known object.

        Objects never change; an array does while an element of it is forced: see `_swap`.
        """
        scope: dict[str, Any] = {}
        names: dict[int, str] = {}
        texts = []
        for location in locations:
            owner = self._owner(location)
            name = names.setdefault(id(owner), f"o{len(names)}")
            scope[name] = owner
            last = location.last
            texts.append(f"{name}.{last}" if isinstance(last, str) else f"{name}[{last}]")
        return scope, texts

    # Online change

    def take_over(self, old: Instance) -> TakeOver:
        """Go on where the instance of another version of the application is.

        Its forces move here as well; those that nothing here can take are reset. The old
        instance is not to be run again.
        """
        change = TakeOver()
        forces = dict(old.forces)
        old.release_all()
        change.carry(old._world.held_globals, self._world.held_globals, old._globals, self._globals)
        for key, block in old._blocks.items():
            if key in self._blocks:
                programs = (old._programs[key], self._programs[key])
                change.carry_unit(block, self._blocks[key], *programs, block.name)
            else:
                change.gone.append(block.name)
        self._take_over_phases(old)
        for path, value in forces.items():
            try:
                self.force(path, value)
            except SoftctlError:
                change.reset.append(f"{path} (force)")
        return change

    def _take_over_phases(self, old: Instance) -> None:
        """A task with the interval that it had keeps its phase, and its count of overruns."""
        if self._due is None or old._due is None:
            return
        missed = dict(zip((e.name.upper() for e in old._scheduled), old._missed, strict=True))
        before = {
            entry.name.upper(): (entry.interval_ns, due)
            for entry, due in zip(old._scheduled, old._due, strict=True)
        }
        for number, entry in enumerate(self._scheduled):
            interval_ns, due = before.get(entry.name.upper(), (None, 0))
            if interval_ns == entry.interval_ns:
                self._due[number] = due
                self._missed[number] = missed.get(entry.name.upper(), 0)

    # Charts

    def active_steps(self, program: str) -> tuple[str, ...]:
        """The active steps of a program's chart, in order of declaration."""
        block = self._blocks.get(program.upper())
        chart = self._charts.get(block.key) if block is not None else None
        if chart is None:
            raise SoftctlError(f"expected a program with a chart, got {program}")
        state = self._programs[program.upper()]
        return tuple(s.name for s in chart.steps if getattr(state, mangle(s.name.upper())).X)

    # What the programs depend on

    def unused(self, names: Iterable[str]) -> set[str]:
        """Those of the global variables that no program can depend on, as far as is certain."""
        shared = [c.shared for entry in self._scheduled for c in entry.connections]
        shared += [entry.single for entry in self._scheduled]
        joined = {mangle(symbol.key) for symbol in shared if symbol is not None}
        used = used_names(self._namespace) | joined
        return {name for name in names if mangle(name.upper()) not in used}

    @property
    def depends_on_time(self) -> bool:
        """FALSE only if no scan can go otherwise because of when it is.

        The times of a chart's steps do not count while no program looks at them.
        """
        has_intervals = any(entry.interval_ns for entry in self._scheduled)
        charts = {f"b_{key}" for key in self._charts}
        own = (source.text for source in self._sources if source.name != LIBRARY)
        # Nothing stops a text from naming the chart's hidden variables.
        is_hidden_named = any("__" in text for text in own)
        return has_intervals or is_hidden_named or time_matters(self._namespace, charts)

    # Snapshots

    def snapshot(self) -> tuple[Any, ...]:
        """All state as one value that never changes afterwards."""
        due = tuple(self._due) if self._due is not None else None
        return (
            self._globals.snapshot(),
            tuple(program.snapshot() for program in self._programs.values()),
            due,
        )

    def restore(self, state: tuple[Any, ...]) -> None:
        """Go back to a snapshot of this application."""
        shared, programs, due = state
        self._globals.restore(shared)
        for program, saved in zip(self._programs.values(), programs, strict=True):
            program.restore(saved)
        self._due = list(due) if due is not None else None

    # Faults

    def _fault(self, error: BaseException) -> LogicFault | None:
        """The fault in ST's terms, or None if the exception is not from generated code."""
        frame, place = None, Place("")
        trace = error.__traceback__
        while trace is not None:
            code = trace.tb_frame.f_code
            files = trace.tb_frame.f_globals.get(MARK)
            origins = trace.tb_frame.f_globals.get(ORIGINS)
            if files and code.co_filename in files:
                frame, place = trace.tb_frame, Place(code.co_filename, trace.tb_lineno)
                names = frame.f_locals
            elif origins is not None and code.co_filename == FUSED:
                frame, place = trace.tb_frame, Place(*origins.place(trace.tb_lineno))
                names = origins.names(trace.tb_lineno, frame.f_locals)
            trace = trace.tb_next
        if frame is None:
            return None
        text = next((s.excerpt(place.line) for s in self._sources if s.name == place.file), "")
        return LogicFault(_cause(error), place, _values(names, text))


def _connected(entry: Scheduled, program: Any) -> Callable[[Any], None]:
    """The program's run, between copies to its inputs and from its outputs."""
    run: Callable[[Any], None] = program.run
    if not entry.connections:
        return run
    inputs = [c for c in entry.connections if not c.is_output]
    outputs = [c for c in entry.connections if c.is_output]

    def connected(state: Any) -> None:
        for c in inputs:
            value = c.value if c.shared is None else getattr(state, mangle(c.shared.key))
            setattr(program, mangle(c.variable.key), value)
        run(state)
        for c in outputs:
            assert c.shared is not None
            setattr(state, mangle(c.shared.key), getattr(program, mangle(c.variable.key)))

    return connected


_FAULTS = (ScanFault, BudgetFault, ArithmeticError, ValueError, RecursionError)
_OUT_OF_RANGE = "expected a value within range, got one that is too large"
_CAUSES = (
    ("domain", "expected a number that the function is defined for, got another one"),
    ("infinity", "expected a real number that a whole number can hold, got an infinity"),
    ("NaN", "expected a real number that a whole number can hold, got not a number"),
)
"""What Python says about a value, and what to say instead."""


def _cause(error: BaseException) -> str:
    if isinstance(error, ScanFault | BudgetFault):
        return str(error)
    if isinstance(error, ZeroDivisionError):
        return "expected a divisor other than zero, got 0"
    if isinstance(error, RecursionError):
        return "expected calls that end, got a function that calls itself without end"
    text = str(error)
    return next((cause for sign, cause in _CAUSES if sign in text), _OUT_OF_RANGE)


def _values(names: Mapping[str, Any], text: str) -> str:
    """Elementary variables at the fault: those its line names, global ones too, then a few."""
    instance = names.get("self")
    pairs = [(name, value) for name, value in names.items() if name.isupper()]
    classes = reversed(type(instance).__mro__)  # a forced object has its slots in its base
    slots = [n for c in classes for n in getattr(c, "__slots__", ()) if n[0].isupper()]
    pairs += [(name, getattr(instance, name, None)) for name in slots]
    named = set(_WORDS.findall(text.upper()))
    shared, own = names.get("g"), {name for name, _ in pairs}
    pairs += [(n, getattr(shared, n)) for n in sorted(named - own) if hasattr(shared, n)]
    pairs.sort(key=lambda pair: pair[0] not in named)
    shown = [f"{name} = {value!r:.60}" for name, value in pairs if isinstance(value, _ELEMENTARY)]
    more = ", …" if len(shown) > _SHOWN_VALUES else ""
    return ", ".join(shown[:_SHOWN_VALUES]) + more
