"""Single expressions over variables that live elsewhere: points, program variables, a plant's.

Each name in an expression, with its members and indices (`Feed.Timer.ET`, `T_101.level`), is
looked up by the caller; the expression is then checked and generated like any other code.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from softctl.errors import Problem, SoftctlError
from softctl.logic import tree, typed
from softctl.logic.application import Application
from softctl.logic.check_statements import StatementChecker
from softctl.logic.cursor import ParseError, describe_token
from softctl.logic.instance import Instance
from softctl.logic.lexer import tokenize
from softctl.logic.parse_expressions import ExpressionParser
from softctl.logic.python_expressions import CELLS, mangle
from softctl.logic.python_module import ModuleWriter
from softctl.logic.resolve import LIBRARY
from softctl.logic.source import Reporter, Source, Token
from softctl.logic.types import (
    BOOL,
    ERROR,
    LREAL,
    ArrayType,
    BlockType,
    EnumType,
    StructType,
    Type,
    is_kind,
)
from softctl.logic.world import NOW, World, now_symbol
from softctl.values.types import Kind

Find = Callable[[str], tuple[str, Type]]
"""The variable that a name stands for: what it is read by, and its type; SoftctlError if none."""

FindConstant = Callable[[str], typed.Symbol | None]
"""The constant that a name stands for, whose value then stands in the expression."""

_RESULT = "RESULT"


class UnknownNameError(SoftctlError):
    """A name in an expression that stands for nothing; `hint` says what was probably meant."""

    def __init__(self, message: str, hint: str = "") -> None:
        self.hint = hint
        super().__init__(message)


def find_as(instance: Instance, program: str, path: str) -> tuple[str, Type]:
    """What `Find` wants of a name as a program sees it: its own variable, then a global one."""
    for name in (f"{program}.{path}", path):
        try:
            return name, instance.type_of(name)
        except SoftctlError:
            continue
    raise UnknownNameError(f"expected a variable, got {path}")


@dataclass(frozen=True, slots=True)
class Condition:
    """A checked expression: `names` are the variables it reads, in the order they come."""

    text: str
    names: tuple[str, ...]
    block: typed.Block


class ConditionReader:
    """Checks expressions one by one and keeps the variables that they share.

    A name is looked up by `find_constant`, if there is one, and then by `find`.
    """

    def __init__(
        self, application: Application, find: Find, find_constant: FindConstant | None = None
    ) -> None:
        self._application = application
        self._find = find
        self._find_constant = find_constant or (lambda name: None)
        self._symbols: dict[str, typed.Symbol] = {}
        self._count = 0

    def read(self, source: Source, problems: list[Problem], *, number: bool = False) -> Condition:
        """Check one expression that is a BOOL, or with `number` a number.

        `source` may begin with line ends and blanks, so that places are those of the file
        it was taken from. What is wrong is added to `problems`; the result is usable only
        when nothing was.
        """
        reporter = Reporter()
        self._count += 1
        block = _empty_block(source, f"Condition_{self._count}")
        names: dict[str, None] = {}
        parser = _Parser(tokenize(source, reporter), reporter)
        try:
            node = parser.whole()
            binder = _Binder(
                self._world(reporter), self._find, self._find_constant, self._symbols, names
            )
            bound = binder.bind(node)
            if not reporter.errors:
                self._check(block, bound, reporter, LREAL if number else BOOL)
        except ParseError:
            pass
        problems += [_about_condition(problem) for problem in reporter.errors]
        return Condition(source.text.strip(), tuple(names), block)

    def compile(self, conditions: Sequence[Condition]) -> Evaluator:
        """Make a set of good conditions ready to run."""
        return Evaluator(self._application, self._symbols, conditions)

    def _world(self, reporter: Reporter) -> World:
        world = self._application.world
        return replace(world, reporter=reporter, globals_={NOW: now_symbol()}, current=None)

    def _check(
        self, block: typed.Block, node: tree.Expression, reporter: Reporter, type_: Type
    ) -> None:
        world = self._world(reporter)
        world.globals_.update({symbol.key: symbol for symbol in self._symbols.values()})
        checker = StatementChecker(world, block)
        value = checker.condition(node) if type_ is BOOL else checker.value(node, type_)
        if value.type is ERROR:
            return
        symbol = typed.Symbol(_RESULT, type_, "slot", "VAR", node.at)
        block.symbols[_RESULT] = symbol
        block.body.append(typed.Assign(node.at, typed.Variable(node.at, type_, symbol), value))


class Evaluator:
    """Runs conditions on values: `names` says which, and in which order `load` takes them."""

    def __init__(
        self,
        application: Application,
        symbols: dict[str, typed.Symbol],
        conditions: Sequence[Condition],
    ) -> None:
        self.names = tuple(dict.fromkeys(name for one in conditions for name in one.names))
        module = ModuleWriter()
        module.globals_([now_symbol(), *symbols.values()])
        for condition in conditions:
            module.need_block(condition.block)
        namespace = module.compile("conditions")
        state = namespace["Globals"]()
        state.cells = array("f", [0.0] * CELLS)
        self._state = state
        self._symbols = symbols
        self._attributes = {name: mangle(symbols[name].key) for name in self.names}
        self._shown = {name: symbols[name].type for name in self.names}
        self._blocks = {id(c): namespace[f"b_{c.block.key}"]() for c in conditions}
        self.load = _loader(state, list(self._attributes.values()))
        """Take the values of `names`, each of its variable's type."""

    def value(self, condition: Condition) -> Any:
        """What a condition comes to with the values loaded last.

        Raises SoftctlError where it cannot be computed, as with a division by zero.
        """
        block = self._blocks[id(condition)]
        self._state.fuel = 100_000
        try:
            block.run(self._state)
        except (ArithmeticError, ValueError) as error:
            raise SoftctlError(f"cannot be computed: {condition.text}: {error}") from None
        return getattr(block, _RESULT)

    def found(self, condition: Condition) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The variables of a condition and, as ST would write them, the values loaded last."""
        return condition.names, tuple(
            self.show(name, self._loaded(name)) for name in condition.names
        )

    def show(self, name: str, value: Any) -> str:
        """A value of one of the variables as ST would write it."""
        return show_value(value, self._shown[name])

    def _loaded(self, name: str) -> Any:
        return getattr(self._state, self._attributes[name])

    def test(self, condition: Condition) -> Callable[[], bool]:
        """A fast function for a condition that is asked often."""
        block, state = self._blocks[id(condition)], self._state
        run = block.run

        def is_true() -> bool:
            try:
                run(state)
            except (ArithmeticError, ValueError):
                return bool(self.value(condition))
            return bool(block.RESULT)

        state.fuel = 1_000_000_000
        return is_true

    def tests(self, conditions: Sequence[Condition]) -> Callable[[], tuple[bool, ...] | None]:
        """A function that asks many conditions in one go; None where one cannot be computed.

        All of them are asked, so a program's own test asks those that matter one by one then.
        """
        block = _joint_block([one.block for one in conditions])
        module = ModuleWriter()
        module.globals_([now_symbol(), *self._symbols.values()])
        module.need_block(block)
        namespace = module.compile("conditions")
        state, asked = self._state, namespace[f"b_{block.key}"]()
        run = asked.run
        scope = {"asked": asked}
        results = "".join(f"asked.{_RESULT}_{number}, " for number in range(len(conditions)))
        found: Callable[[], tuple[bool, ...]] = eval(f"lambda: ({results})", scope)

        def ask() -> tuple[bool, ...] | None:
            try:
                run(state)
            except (ArithmeticError, ValueError):
                return None
            return found()

        state.fuel = 1_000_000_000
        return ask


class _Parser(ExpressionParser):
    def whole(self) -> tree.Expression:
        """An expression and nothing behind it."""
        node = self.condition()
        self.accept(";")
        if self.token.kind != "end":
            got = describe_token(self.token)
            message = f"expected an operator or the end of the condition, got {got}"
            raise self.fail(self.token, message)
        return node


class _Binder:
    """Replaces each whole name (`Feed.Timer.ET`) by one variable."""

    def __init__(
        self,
        world: World,
        find: Find,
        find_constant: FindConstant,
        symbols: dict[str, typed.Symbol],
        names: dict[str, None],
    ) -> None:
        self._world = world
        self._find = find
        self._find_constant = find_constant
        self._symbols = symbols
        self._names = names

    def bind(self, node: tree.Expression) -> tree.Expression:
        """The same expression over plain variables."""
        if isinstance(node, tree.Name | tree.Member | tree.Index):
            return self._variable(node)
        if isinstance(node, tree.Binary):
            left, right = self.bind(node.left), self.bind(node.right)
            return tree.Binary(node.at, node.operator, left, right)
        if isinstance(node, tree.Unary):
            return tree.Unary(node.at, node.operator, self.bind(node.operand))
        if isinstance(node, tree.Bit):
            return tree.Bit(node.at, self.bind(node.base), node.number, node.unit)
        if isinstance(node, tree.Call):
            return tree.Call(node.at, node.callee, [self._argument(one) for one in node.arguments])
        return node

    def _argument(self, argument: tree.Argument) -> tree.Argument:
        value = argument.value if argument.value is None else self.bind(argument.value)
        return replace(argument, value=value)

    def _variable(self, node: tree.Name | tree.Member | tree.Index) -> tree.Expression:
        path = _path(node)
        if path is None:
            self._world.reporter.error(node.at, "expected an index that is a plain number")
            return tree.Literal(node.at, "", 0)
        if self._is_enumeration(node):
            return node
        at = _first(node)
        constant = self._find_constant(path)
        if constant is not None:
            return tree.Name(at, self._shared(f"constant {id(constant)}", constant).name)
        try:
            name, type_ = self._find(path)
            if isinstance(type_, StructType | ArrayType | BlockType):
                raise UnknownNameError(f"expected a single value, got {path} ({type_})")
        except UnknownNameError as error:
            self._world.reporter.error(at, str(error), error.hint)
            return tree.Literal(node.at, "BOOL", True)
        meant = typed.Symbol(name, type_, "global", "VAR_GLOBAL", at, writable=False)
        self._names[name] = None
        return tree.Name(at, self._shared(name, meant).name)

    def _shared(self, name: str, meant: typed.Symbol) -> typed.Symbol:
        """What all conditions have for one variable or constant, under a key of its own."""
        symbol = self._symbols.get(name)
        if symbol is None:
            symbol = self._symbols[name] = replace(meant, name=f"N{len(self._symbols)}")
        return symbol

    def _is_enumeration(self, node: tree.Expression) -> bool:
        if isinstance(node, tree.Name):
            if node.name.upper() not in self._world.enum_values:
                return False
            try:
                self._find(node.name)
            except UnknownNameError:
                return True
            return False
        base = node.base if isinstance(node, tree.Member) else None
        return isinstance(base, tree.Name) and self._world.find_type(base.name) is not None


def _path(node: tree.Expression) -> str | None:
    """The name as `Instance.read` takes it, None where an index is no plain number."""
    if isinstance(node, tree.Name):
        return node.name
    if isinstance(node, tree.Member):
        base = _path(node.base)
        return None if base is None else f"{base}.{node.name}"
    if isinstance(node, tree.Index):
        base = _path(node.base)
        numbers = [i.value for i in node.indices if isinstance(i, tree.Literal)]
        if base is None or len(numbers) != len(node.indices):
            return None
        return f"{base}[{','.join(str(number) for number in numbers)}]"
    return None


def _first(node: tree.Expression) -> Token:
    """The token that a name begins with."""
    while isinstance(node, tree.Member | tree.Index):
        node = node.base
    return node.at


def _about_condition(problem: Problem) -> Problem:
    message = problem.message.replace("the end of the file", "the end of the condition")
    return replace(problem, message=message)


def _empty_block(source: Source, name: str) -> typed.Block:
    at = Token("name", name, 0, 1, 1, Source(LIBRARY, ""))
    return typed.Block("PROGRAM", name, at, Source(source.name, ""), {})


def _joint_block(blocks: Sequence[typed.Block]) -> typed.Block:
    """One block with the results of many, each under a name of its own."""
    joint = _empty_block(Source("", ""), "Conditions")
    for number, block in enumerate(blocks):
        (assignment,) = block.body
        assert isinstance(assignment, typed.Assign)
        result = replace(block.symbols[_RESULT], name=f"{_RESULT}_{number}")
        joint.symbols[result.key] = result
        target = typed.Variable(assignment.at, result.type, result)
        joint.body.append(typed.Assign(assignment.at, target, assignment.value))
    return joint


def show_value(value: Any, type_: Type) -> str:
    """A value as ST would write it: `TRUE`, `0.31`, `T#2.5s`, `Filling`."""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(type_, EnumType):
        return type_.labels.get(value, str(value))
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, str):
        return repr(value)
    if is_kind(type_, Kind.DURATION):
        return f"T#{value / 1e9:.9g}s"
    return str(value)


def _loader(state: Any, attributes: Sequence[str]) -> Callable[[Sequence[Any]], None]:
    if not attributes:
        return lambda values: None
    targets = ", ".join(f"g.{name}" for name in attributes)
    scope: dict[str, Any] = {"g": state}
    exec(f"def load(values):\n    {targets}, = values", scope)
    made: Callable[[Sequence[Any]], None] = scope["load"]
    return made
