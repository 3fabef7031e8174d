"""Compilation from sources to an application, and what an application offers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

from softctl.errors import Place, Problem, ProblemsError, SoftctlError
from softctl.logic import tree, typed
from softctl.logic.check_statements import StatementChecker
from softctl.logic.configure import Configurer
from softctl.logic.doubts import warn_of_transitions, warn_of_two_writers, warn_of_variables
from softctl.logic.fuse_units import NotFusible
from softctl.logic.fused import FusedProgram, Listing
from softctl.logic.instance import LOOP_BUDGET, Instance, LogicFault
from softctl.logic.library import library_text
from softctl.logic.parser import parse
from softctl.logic.python_module import ModuleWriter
from softctl.logic.resolve import LIBRARY, Declarer
from softctl.logic.retained import retained_paths
from softctl.logic.schedule import Scheduled, Scheduler
from softctl.logic.sfc_chart import Chart, chart_of
from softctl.logic.sizes import check_sizes
from softctl.logic.source import Reporter, Source, Token
from softctl.logic.standard import elementary
from softctl.logic.types import StringType, Type, is_kind
from softctl.logic.world import NOW, World, now_symbol
from softctl.values.types import Kind


@dataclass(frozen=True, slots=True)
class Global:
    """A variable of the surroundings, such as a point, that programs use by name.

    `type` is a keyword such as REAL or STRING[20]; assigning one that is not `writable` is
    an error of the program.
    """

    name: str
    type: str
    writable: bool
    initial: Any = None


_SETTLING_SCANS = 2
"""A block sets itself up in its first call, and sees its inputs in the second."""

WORTH_SCANS = 20_000
"""What can be saved in so many scans is about what it takes to make one function of them."""

Revise = Callable[[Sequence[tree.Unit]], Iterable[Global]]
"""Changes syntax trees before they are checked, and gives more globals."""


@dataclass(frozen=True, slots=True)
class VariableInfo:
    """An input or output of a block, with the pragma before and the comment behind it."""

    name: str
    type: str
    initial: Any
    pragma: str
    comment: str
    place: Place


@dataclass(frozen=True, slots=True)
class BlockInterface:
    """What a function block looks like from outside."""

    name: str
    inputs: tuple[VariableInfo, ...]
    outputs: tuple[VariableInfo, ...]
    pragma: str
    place: Place


@dataclass
class Application:
    """A compiled set of programs; `instantiate` gives one that runs."""

    world: World
    scheduled: list[Scheduled]
    charts: tuple[Chart, ...]
    block_charts: Mapping[str, Chart]
    blocks: Mapping[str, BlockInterface]
    warnings: tuple[Problem, ...]
    namespace: dict[str, Any] = field(repr=False)
    listing: Listing = field(repr=False)
    _fused: dict[Any, FusedProgram | None] = field(default_factory=dict, repr=False)
    _single_scans: int = 0

    @property
    def programs(self) -> tuple[str, ...]:
        """The names of the program instances, in the order they run."""
        return tuple(entry.name for entry in self.scheduled)

    @cached_property
    def retained(self) -> tuple[str, ...]:
        """The paths of the variables that are to outlive a restart (RETAIN), leaves only."""
        found = [*self.world.globals_.values(), *self.world.image.symbols.values()]
        shared = {id(symbol): symbol for symbol in found}.values()
        return tuple(retained_paths(shared, self.scheduled))

    def instantiate(self) -> Instance:
        """A fresh instance with every variable at its initial value."""
        return Instance(self.world, self.scheduled, self.block_charts, self.namespace)

    def fused(self, given: frozenset[str], taken: frozenset[str]) -> FusedProgram | None:
        """What runs many scans in one function, or None where these programs cannot.

        `given` are paths of variables that are written between such runs, `taken` of those
        that are read; any other use of the instance's variables has to settle the run first.
        """
        key = (given, taken)
        if key not in self._fused:
            try:
                self._fused[key] = self._fuse(given, taken)
            except (NotFusible, LogicFault):
                self._fused[key] = None
        return self._fused[key]

    def fused_if_worth(
        self, given: frozenset[str], taken: frozenset[str], scans: int
    ) -> FusedProgram | None:
        """The same, once scans of any instance that were made one by one outweigh it.

        `scans` are those made since the last call.
        """
        self._single_scans += scans
        if self._single_scans < WORTH_SCANS and (given, taken) not in self._fused:
            return None
        return self.fused(given, taken)

    def _fuse(self, given: frozenset[str], taken: frozenset[str]) -> FusedProgram:
        sample = self.instantiate()
        for _ in range(_SETTLING_SCANS):
            sample.scan(0)
        return FusedProgram(
            self.listing,
            self.namespace,
            sample.only_program(),
            map(sample.place_of, given),
            map(sample.place_of, taken),
            LOOP_BUDGET,
        )


def compile_application(
    sources: Sequence[Source],
    globals_: Iterable[Global] = (),
    *,
    library: Sequence[Source] = (),
    strict: bool = False,
    revise: Revise | None = None,
) -> Application:
    """Compile IEC 61131-3 sources.

    `revise` may change the syntax trees of the sources before they are checked, and gives
    more globals that it needs for that; the trees are its own. `library` holds more sources,
    whose units are only included where they are used; with `strict`, forms that the standard
    does not have are errors instead of warnings. Raises ProblemsError with every problem
    found, in the order of the sources.
    """
    compiler = _Compiler(Reporter(strict))
    try:
        application = compiler.run(sources, globals_, library, revise)
    except (RecursionError, SyntaxError, MemoryError) as error:
        raise ProblemsError([_too_deep(sources)]) from error
    if application is None:
        order = {source.name: number for number, source in enumerate((*library, *sources))}
        problems = sorted(
            compiler.reporter.errors,
            key=lambda p: (order.get(p.place.file, -1), p.place.line, p.place.column),
        )
        raise ProblemsError(problems)
    return application


def _too_deep(sources: Sequence[Source]) -> Problem:
    """The parser's limit on nesting comes first; Python has more limits than are known here."""
    names = ", ".join(source.name for source in sources)
    return Problem(
        "expected expressions and statements that nest less deeply, got more than can be compiled",
        Place(names),
        hint="split what nests with a variable in between",
    )


@lru_cache(maxsize=1)
def _prelude() -> tree.Unit:
    reporter = Reporter()
    unit = parse(Source(LIBRARY, library_text()), reporter)
    assert not reporter.problems, reporter.problems
    return unit


class _Compiler:
    def __init__(self, reporter: Reporter) -> None:
        self.reporter = reporter
        self.world = World(reporter)
        self.declarer = Declarer(self.world)

    def run(
        self,
        sources: Sequence[Source],
        globals_: Iterable[Global],
        library: Sequence[Source],
        revise: Revise | None,
    ) -> Application | None:
        units = [parse(source, self.reporter) for source in (*library, *sources)]
        more = () if revise is None else revise(units[len(library) :])
        self.world.globals_[NOW] = now_symbol()
        for item in (*globals_, *more):
            self._bind(item)
        own = [pou for unit in units for pou in unit.pous]
        for unit in units:
            self.declarer.add(unit)
        self.declarer.add_library(_prelude())
        self._declare_globals(units)
        self.declarer.resolve_all(own)
        self._check_bodies()
        configurations = [c for unit in units for c in unit.configurations]
        programs = [pou for pou in own if pou.kind == "PROGRAM"]
        scheduled = Scheduler(self.world).run(configurations, programs)
        Configurer(self.declarer, scheduled).run(configurations)
        if not self.reporter.errors:
            blocks = [block for _, block in self.declarer.resolved]
            symbols = [symbol for block in blocks for symbol in block.symbols.values()]
            check_sizes([*self._shared(), *symbols], self.reporter)
        if self.reporter.errors:
            return None
        hushed = {source.name for source in library}
        return self._generate(scheduled, own, hushed)

    def _bind(self, item: Global) -> None:
        name = item.type.upper()
        type_: Type | None = elementary(name)
        if name.startswith(("STRING", "WSTRING")):
            length = name.partition("[")[2].rstrip("]")
            type_ = (
                StringType(name[0] == "W", int(length)) if length else StringType(name[0] == "W")
            )
        if type_ is None:
            raise SoftctlError(f"expected an elementary type for {item.name}, got {item.type}")
        at = Token("name", item.name, 0, 0, 0, Source("the machine", ""))
        initial = item.initial
        if initial is not None and is_kind(type_, Kind.REAL):
            initial = float(initial)
        symbol = typed.Symbol(item.name, type_, "global", "VAR_GLOBAL", at, initial, item.writable)
        self.world.globals_[symbol.key] = symbol

    def _declare_globals(self, units: list[tree.Unit]) -> None:
        for unit in units:
            sections = [*unit.globals_, *(s for c in unit.configurations for s in c.sections)]
            for section in sections:
                if section.kind == "VAR_GLOBAL":
                    self.declarer.announce_globals(section)
        self.declarer.resolve_globals()

    def _check_bodies(self) -> None:
        done = 0
        writers: list[tuple[typed.Block, set[int]]] = []
        while done < len(self.declarer.resolved):  # checking may resolve more of the library
            pou, block = self.declarer.resolved[done]
            before = {id(symbol): symbol.writes for symbol in self._shared()}
            block.body += StatementChecker(self.world, block).statements(pou.body)
            if block.kind == "PROGRAM":
                after = self._shared()
                written = {id(s) for s in after if s.writes > before.get(id(s), 0)}
                writers.append((block, written))
            if pou.source.name != LIBRARY:
                warn_of_variables(block, self.reporter)
                warn_of_transitions(pou, block, self.world)
            done += 1
        warn_of_two_writers(writers, self._shared(), self.reporter)

    def _shared(self) -> list[typed.Symbol]:
        found = [*self.world.globals_.values(), *self.world.image.symbols.values()]
        return list({id(symbol): symbol for symbol in found}.values())

    # Generation

    def _generate(
        self, scheduled: list[Scheduled], own: list[tree.Pou], hushed: set[str]
    ) -> Application:
        module = ModuleWriter()
        image = self.world.image
        symbols = [*self.world.globals_.values(), *image.symbols.values()]
        module.globals_(symbols, image.overlays(), list(image.rows.values()))
        for entry in scheduled:
            module.need_block(entry.block)
        charts = {pou.name.upper(): chart_of(pou) for pou in own if pou.network is not None}
        shown = [charts[e.block.key] for e in scheduled if e.block.key in charts]
        blocks = {
            pou.name: _interface(block)
            for pou, block in self.declarer.resolved
            if block.kind == "FUNCTION_BLOCK" and pou in own
        }
        return Application(
            self.world,
            scheduled,
            tuple(shown),
            charts,
            blocks,
            tuple(w for w in self.reporter.warnings if w.place.file not in hushed),
            module.compile("logic"),
            module.listing,
        )


def _interface(block: typed.Block) -> BlockInterface:
    return BlockInterface(
        block.name,
        tuple(_info(symbol) for symbol in block.of_kind("VAR_INPUT", "VAR_IN_OUT")),
        tuple(_info(symbol) for symbol in block.of_kind("VAR_OUTPUT")),
        block.pragma,
        block.at.place,
    )


def _info(symbol: typed.Symbol) -> VariableInfo:
    initial = symbol.initial
    if initial is None:
        initial = _zero(symbol.type)
    return VariableInfo(
        symbol.name, str(symbol.type), initial, symbol.pragma, symbol.comment, symbol.at.place
    )


def _zero(type_: Type) -> Any:
    if is_kind(type_, Kind.BOOL):
        return False
    if is_kind(type_, Kind.REAL):
        return 0.0
    if isinstance(type_, StringType):
        return ""
    return 0 if not hasattr(type_, "bounds") and not hasattr(type_, "fields") else None
