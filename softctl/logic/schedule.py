"""Configurations: which programs run, when, and what their inputs and outputs are joined to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from softctl.logic import tree, typed
from softctl.logic.check_statements import StatementChecker
from softctl.logic.convert import article
from softctl.logic.source import suggest
from softctl.logic.types import BOOL, ERROR, TIME, UINT, is_aggregate
from softctl.logic.world import World

_NO_TASK = 1 << 30


@dataclass(frozen=True, slots=True)
class Connection:
    """An input or output of a program instance, joined to a global variable or a constant."""

    variable: typed.Symbol
    shared: typed.Symbol | None
    value: Any = None
    is_output: bool = False


@dataclass(frozen=True, slots=True)
class Scheduled:
    """A program instance; `interval_ns` 0 means every scan, or each rise of `single`.

    `task` is the name of its task, empty for none.
    """

    name: str
    block: typed.Block
    interval_ns: int
    single: typed.Symbol | None = None
    connections: tuple[Connection, ...] = ()
    task: str = ""


@dataclass(frozen=True, slots=True)
class _Task:
    name: str = ""
    priority: int = _NO_TASK
    interval_ns: int = 0
    single: typed.Symbol | None = None


class Scheduler:
    """Turns configurations into program instances in the order they run."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.reporter = world.reporter
        self.checker = StatementChecker(world, None)

    def run(
        self, configurations: list[tree.Configuration], programs: list[tree.Pou]
    ) -> list[Scheduled]:
        """By priority, then in the order of the text; all programs if nothing is configured."""
        if not any(configuration.programs for configuration in configurations):
            blocks = [self.world.find_block(pou.name) for pou in programs]
            return [Scheduled(block.name, block, 0) for block in blocks if block is not None]
        entries: list[tuple[int, Scheduled]] = []
        names: dict[str, tree.ProgramInstance] = {}
        for configuration in configurations:
            tasks = self._tasks(configuration)
            for program in configuration.programs:
                first = names.setdefault(program.name.upper(), program)
                if first is not program:
                    where = f"first at {first.at.place}"
                    message = f"program instance {program.name} is declared twice"
                    self.reporter.error(program.at, message, where)
                    continue
                entry = self._program(program, tasks)
                if entry is not None:
                    entries.append(entry)
        entries.sort(key=lambda item: item[0])
        return [entry for _, entry in entries]

    def _tasks(self, configuration: tree.Configuration) -> dict[str, _Task]:
        found: dict[str, tree.Task] = {}
        for task in configuration.tasks:
            first = found.setdefault(task.name.upper(), task)
            if first is not task:
                where = f"first at {first.at.place}"
                self.reporter.error(task.at, f"task {task.name} is declared twice", where)
        return {key: self._task(task) for key, task in found.items()}

    def _task(self, task: tree.Task) -> _Task:
        priority, interval_ns, single = 0, 0, None
        if task.priority is not None:
            value = self.checker.value(task.priority, UINT)
            priority = value.value if isinstance(value, typed.Constant) else 0
        if task.interval is not None:
            value = self.checker.value(task.interval, TIME)
            interval_ns = value.value if isinstance(value, typed.Constant) else 0
            if interval_ns < 0:
                self.reporter.error(task.interval.at, "expected an interval from T#0s up")
        if task.single is not None:
            single = self._single(task.single)
        return _Task(task.name, priority, interval_ns, single)

    def _single(self, node: tree.Expression) -> typed.Symbol | None:
        value = self.checker.expression(node)
        if isinstance(value, typed.Variable) and value.type == BOOL:
            return value.symbol
        if value.type is not ERROR:
            self.reporter.error(
                node.at, f"expected a global BOOL variable, got {article(value.type)}"
            )
        return None

    def _program(
        self, node: tree.ProgramInstance, tasks: dict[str, _Task]
    ) -> tuple[int, Scheduled] | None:
        block = self.world.find_block(node.type_name)
        if block is None or block.kind != "PROGRAM":
            hint = suggest(node.type_name, self.world.block_names)
            self.reporter.error(node.at, f"expected a program, got {node.type_name}", hint)
            return None
        if node.task and node.task.upper() not in tasks:
            hint = suggest(node.task, tasks)
            self.reporter.error(node.at, f"expected a task, got {node.task}", hint)
            return None
        task = tasks.get(node.task.upper(), _Task())
        found = (self._connection(argument, block) for argument in node.arguments)
        connections = tuple(connection for connection in found if connection is not None)
        timing = task.interval_ns, task.single
        return task.priority, Scheduled(node.name, block, *timing, connections, task.name)

    def _connection(self, argument: tree.Argument, block: typed.Block) -> Connection | None:
        kinds = ("VAR_OUTPUT",) if argument.is_output else ("VAR_INPUT",)
        what = "an output" if argument.is_output else "an input"
        symbols = block.of_kind(*kinds)
        variable = next((s for s in symbols if s.key == argument.name.upper()), None)
        if variable is None or argument.value is None or is_aggregate(variable.type):
            hint = suggest(argument.name, [s.name for s in symbols])
            message = f"expected {what} of {block.name}, got {argument.name or 'a bare value'}"
            self.reporter.error(argument.at, message, hint)
            return None
        if argument.is_output:
            target = self.checker.reference(argument.value)
        else:
            target = self.checker.value(argument.value, variable.type)
        if target is None or target.type is ERROR:
            return None
        if isinstance(target, typed.Constant) and not argument.is_output:
            return Connection(variable, None, target.value)
        if isinstance(target, typed.Variable) and target.type == variable.type:
            return Connection(variable, target.symbol, None, argument.is_output)
        self.reporter.error(
            argument.at, f"expected a global variable of type {variable.type}, got {target.type}"
        )
        return None
