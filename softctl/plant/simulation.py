"""The running plant: the generated program, stepped."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from softctl.errors import Place, Problem, ProblemsError, SoftctlError
from softctl.logic import Application, LogicFault, Source, Type, compile_application
from softctl.machine import Machine
from softctl.plant.blocks import Input
from softctl.plant.faults import Fault, FaultBook, fitted
from softctl.plant.generate import PROGRAM, drawn_seed, generate, initial_values
from softctl.plant.library import Library, load_library, standard_names
from softctl.plant.parts import CarrierRow, Part, PartFinder, PartTrace, carrier_rows, wrong_holders
from softctl.plant.plans import faulty, piece_of, planned_faults
from softctl.plant.stepping import Stepper
from softctl.plant.terminals import check_terminals
from softctl.plant.values import literal_value, suggestion
from softctl.plant.wiring import Wiring, wire

Value = bool | int | float | str


@dataclass(frozen=True, slots=True)
class VesselRow:
    """One vessel for a status screen, in metres and cubic metres."""

    name: str
    level_m: float
    height_m: float
    volume_m3: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A plant's whole state at one time."""

    now_ns: int
    inner: Any
    faults: Any
    trace: Any = None


class Plant:
    """A plant in its initial state at 0 ns, advanced by `step`.

    Terminals are `EQUIPMENT.PORT`, upper or lower case alike, in SI units. `seed` replaces
    the one that the program was generated with, `values` by terminal those that the compiled
    program declares.
    """

    def __init__(
        self,
        source: str,
        application: Application,
        wiring: Wiring,
        step_ns: int,
        planned: Sequence[Fault] = (),
        seed: int | None = None,
        values: Mapping[str, Value] | None = None,
    ) -> None:
        self.source = source
        self.step_ns = step_ns
        self.now_ns = 0
        self._application = application
        self._wiring = wiring
        self._planned = tuple(planned)
        self._instance = application.instantiate()
        self._stepper = Stepper(application, self._instance)
        self._values = values or {}
        self.writer(list(self._values))(list(self._values.values()))
        if seed is not None:
            self._sow(seed)
        self._book = FaultBook(self.write)
        self._finder: PartFinder | None = None
        self._trace: PartTrace | None = None
        # The first call of every block sets its initial state.
        self._instance.scan(0)
        for fault in planned:
            self.inject(fault)

    def another(self, seed: int) -> Plant:
        """A plant of the same machine in its initial state that draws from another seed.

        It shares the compiled program and nothing else, so it costs no compilation. It is
        the plant that a machine file with this seed would give.
        """
        return Plant(
            self.source,
            self._application,
            self._wiring,
            self.step_ns,
            self._planned,
            seed,
            self._values,
        )

    def step(self) -> None:
        """Advance by one step."""
        if self._book.due_ns <= self.now_ns:
            self._book.apply(self.now_ns)
        self._stepper.step(self.now_ns)
        self.now_ns += self.step_ns
        if self._trace is not None:
            self._trace.note(self.now_ns / 1e9)

    def advance(self, until_ns: int) -> None:
        """Steps until a time is reached; faster than as many calls of `step`."""
        if self._trace is not None:
            while self.now_ns < until_ns:
                self.step()
            return
        step_ns, book, steps = self.step_ns, self._book, self._stepper.steps
        while self.now_ns < until_ns:
            if book.due_ns <= self.now_ns:
                book.apply(self.now_ns)
            due_ns = book.due_ns
            stop_ns = until_ns if due_ns >= until_ns else max(int(due_ns), self.now_ns + 1)
            try:
                self.now_ns += step_ns * steps(range(self.now_ns, stop_ns, step_ns))
            except LogicFault:
                self.now_ns = self._stepper.last_ns
                raise

    def hasten(self) -> None:
        """Spend a moment so that `advance` is faster from now on, with the same results."""
        self._stepper.hasten()

    def connect(
        self, given: Sequence[str], taken: Sequence[str]
    ) -> tuple[Callable[[Sequence[Value]], None], Callable[[], tuple[Value, ...]]]:
        """A writer and a reader of terminals, the fastest there are, for who runs the plant.

        They write terminals that nothing else drives. Raises SoftctlError for an unknown one.
        """
        return self._stepper.connect(
            [self._path(terminal) for terminal in given],
            [self._path(terminal) for terminal in taken],
        )

    def read(self, terminal: str) -> Value:
        """The value of a terminal, or of any variable inside a block.

        Raises SoftctlError when there is none of that name.
        """
        return self.reader([terminal])()[0]

    def write(self, terminal: str, value: Value) -> None:
        """Set an input of a block; raises SoftctlError when there is none of that name."""
        self.writer([terminal])([value])

    def reader(self, terminals: Sequence[str]) -> Callable[[], tuple[Value, ...]]:
        """A function that reads terminals in order; raises SoftctlError for an unknown one."""
        return self._stepper.reader([self._path(terminal) for terminal in terminals])

    def writer(self, terminals: Sequence[str]) -> Callable[[Sequence[Value]], None]:
        """A function that writes terminals in order; raises SoftctlError for an unknown one."""
        return self._stepper.writer([self._path(terminal) for terminal in terminals])

    def type_of(self, terminal: str) -> Type:
        """The type of a terminal's variable; raises SoftctlError for an unknown one."""
        return self._instance.type_of(self._path(terminal))

    def snapshot(self) -> Snapshot:
        """The whole state, for `restore`."""
        trace = self._trace.copy() if self._trace else None
        return Snapshot(self.now_ns, self._stepper.snapshot(), self._book.copy(), trace)

    def restore(self, state: Snapshot) -> None:
        """Go back to a state that `snapshot` gave."""
        self.now_ns = state.now_ns
        self._stepper.restore(state.inner)
        self._book.restore(state.faults)
        if self._trace is not None and state.trace is not None:
            self._trace.restore(state.trace)

    def parts(self) -> list[Part]:
        """The parts that are on belts, tools and tables now; bins only count theirs."""
        if self._finder is None:
            self._finder = PartFinder(self._wiring, self.reader)
        return self._finder.parts()

    def carriers(self) -> list[CarrierRow]:
        """What has parts or could have some, with its parts, in the file's order."""
        return carrier_rows(self._wiring, self.reader, self.parts())

    def trace_parts(self) -> PartTrace:
        """Record where each part goes from now on; costs some time in each step."""
        if self._trace is None:
            self._trace = PartTrace(self._wiring, self.reader)
        return self._trace

    def faults(self, equipment: str) -> tuple[str, ...]:
        """The names of the faults that a piece of equipment can have.

        Raises SoftctlError when there is no such equipment.
        """
        return tuple(piece_of(self._wiring, equipment).block.faults())

    def inject(self, fault: Fault) -> None:
        """Break something at its time, or at the next step if that is past.

        The equipment `*` is every piece that can have the fault. Raises SoftctlError for an
        unknown equipment or fault, for a size that is missing, out of range or not called
        for, and for an input that another piece of equipment drives.
        """
        for piece, port in faulty(self._wiring, fault.equipment, fault.name):
            one = fitted(replace(fault, equipment=piece.name), port)
            terminal = f"{piece.name}.{port.name}"
            healthy = self.read(terminal)
            assert isinstance(healthy, bool | float)
            self._book.add(one, terminal, port, healthy)

    def fault_port(self, equipment: str, name: str) -> Input:
        """The input through which a fault acts: a yes or no, or a size with unit and limits.

        Raises SoftctlError for an unknown equipment or fault.
        """
        return faulty(self._wiring, equipment, name)[0][1]

    def mend(self, equipment: str, name: str = "") -> None:
        """Take away one fault of a piece of equipment, or all of them, also those to come.

        Raises SoftctlError for an unknown equipment or fault.
        """
        piece = piece_of(self._wiring, equipment)
        ports = [self.fault_port(equipment, name)] if name else piece.block.faults().values()
        self._book.mend([f"{piece.name}.{port.name}" for port in ports], self.now_ns)

    def active_faults(self) -> list[Fault]:
        """The faults that act now."""
        return self._book.active(self.now_ns)

    def clear_faults(self) -> None:
        """Mend everything, and forget the faults still to come."""
        self._book.clear(self.now_ns)

    def summary(self) -> list[VesselRow]:
        """The vessels with a level and a height, in the file's order."""
        return list(self._vessels())

    def _vessels(self) -> Iterator[VesselRow]:
        ports = ("level", "full_level", "volume")
        for piece in self._wiring.pieces.values():
            if set(ports) <= set(piece.block.outputs):
                values = self.reader([f"{piece.name}.{port}" for port in ports])()
                yield VesselRow(piece.name, *map(float, values))

    def _sow(self, seed: int) -> None:
        for piece in self._wiring.pieces.values():
            for port in piece.block.inputs.values():
                if port.is_seed:
                    self.write(f"{piece.name}.{port.name}", drawn_seed(seed, piece.name))

    def _path(self, terminal: str) -> str:
        name, _, rest = terminal.partition(".")
        piece = piece_of(self._wiring, name)
        if not rest:
            raise SoftctlError(f"expected EQUIPMENT.TERMINAL, got {terminal}")
        return f"{PROGRAM}.{piece.name}.{rest}"


def check_plant(machine: Machine, blocks: Sequence[Source] = ()) -> list[Problem]:
    """Everything wrong with a machine's equipment and the terminals of its points.

    `blocks` are the ST sources of the machine's folder, whose FUNCTION_BLOCKs are
    equipment like any other.
    """
    problems: list[Problem] = []
    _wired(machine, blocks, problems)
    return problems


def wire_plant(machine: Machine, blocks: Sequence[Source] = ()) -> Wiring:
    """A machine's equipment with its neighbours, without a plant; raises ProblemsError."""
    problems: list[Problem] = []
    _, wiring = _wired(machine, blocks, problems)
    if any(problem.severity == "error" for problem in problems):
        raise ProblemsError(problems)
    return wiring


def build_plant(machine: Machine, blocks: Sequence[Source] = ()) -> Plant:
    """Generate, compile and start the plant of a machine; raises ProblemsError."""
    problems: list[Problem] = []
    library, wiring = _wired(machine, blocks, problems)
    if any(problem.severity == "error" for problem in problems):
        raise ProblemsError(problems)
    source = generate(machine, wiring)
    application, is_other = _compiled(machine, wiring, blocks, library, source)
    values = dict(initial_values(machine, wiring)) if is_other else {}
    planned = list(planned_faults(machine, wiring, problems))
    plant = Plant(
        source,
        application,
        wiring,
        machine.plant_step_ns,
        planned,
        values={terminal: literal_value(text) for terminal, text in values.items()},
    )
    problems += wrong_holders(wiring, plant.reader)
    if any(problem.severity == "error" for problem in problems):
        raise ProblemsError(problems)
    return plant


def _compiled(
    machine: Machine,
    wiring: Wiring,
    blocks: Sequence[Source],
    library: Library,
    source: str,
) -> tuple[Application, bool]:
    """The program, and whether it declares other values than `source` does.

    Trials and the runs of a campaign differ in values; one compilation serves them all.
    """
    skeleton = generate(machine, wiring, with_values=False)
    key = (skeleton, library.standard, tuple((one.name, one.text) for one in blocks))
    if key not in _programs:
        while len(_programs) >= _KEPT_PROGRAMS:
            del _programs[next(iter(_programs))]
        sources = [*blocks, Source(f"{machine.name} plant", source)]
        _programs[key] = (source, compile_application(sources, library=library.standard))
    compiled, application = _programs[key]
    return application, compiled != source


_KEPT_PROGRAMS = 8
_programs: dict[Any, tuple[str, Application]] = {}
"""The programs that were compiled last, by all that is in them but values."""


def _wired(
    machine: Machine, blocks: Sequence[Source], problems: list[Problem]
) -> tuple[Library, Wiring]:
    library = load_library(machine, blocks, problems)
    # A folder's block that does not compile may be the one that is missed.
    if not problems:
        problems += _unknown_types(machine, library)
    problems += _surplus_species(machine, library)
    problems += _lost_heat(machine, library)
    wiring = wire(machine, library.types, problems)
    problems += check_terminals(machine, wiring)
    planned_faults(machine, wiring, problems)
    return library, wiring


def _unknown_types(machine: Machine, library: Library) -> Iterator[Problem]:
    known = sorted({*standard_names(), *(block.name for block in library.types.values())})
    for equipment in machine.equipment.values():
        if equipment.type.lower() not in library.types:
            message = f"expected a type of equipment ({', '.join(known)}), got {equipment.type}"
            hint = suggestion(equipment.type, known)
            yield Problem(message, equipment.type_place, hint=hint)


def _surplus_species(machine: Machine, library: Library) -> Iterator[Problem]:
    blocks = library.types.values()
    limit = max((port.species for block in blocks for port in block.inputs.values()), default=0)
    if 0 < limit < len(machine.species):
        message = f"expected at most {limit} species, got {len(machine.species)}"
        yield Problem(message, Place(machine.file, path="species"))


def _lost_heat(machine: Machine, library: Library) -> Iterator[Problem]:
    """Liquid that comes without its heat would come at 0 K."""
    for equipment in machine.equipment.values():
        block = library.types.get(equipment.type.lower())
        loses = block and "moved" in block.outputs and "moved_h" not in block.outputs
        if block and loses and library.has_heat:
            message = (
                "expected a block with an output moved_h, in J, since this machine has "
                f"temperatures; got {block.name}"
            )
            yield Problem(message, equipment.type_place)
