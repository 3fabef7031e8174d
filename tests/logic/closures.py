"""A second back end for tests: the typed tree as closures, one per node.

It shares nothing with the generated Python but the tree. State is one list per instance,
structure or array. With `trusting` it believes the checker where that says that a value
cannot leave its type, as a fast evaluator would; otherwise it wraps and checks everything,
so that a wrong belief shows as a difference.
"""

from __future__ import annotations

import math
import operator
from array import array
from collections.abc import Callable
from functools import reduce
from typing import Any

from softctl.logic import Application, typed
from softctl.logic.types import (
    REAL,
    ArrayType,
    BlockType,
    EnumType,
    StringType,
    StructType,
    SubrangeType,
    Type,
)
from softctl.values.types import ElementaryType, Kind

Frame = list[Any]
Code = Callable[[Frame], Any]
EXIT, CONTINUE, RETURN = 1, 2, 3
_CELL = array("f", (0.0,))
_COMPARISONS = {
    "=": operator.eq,
    "<>": operator.ne,
    "<": operator.lt,
    ">": operator.gt,
    "<=": operator.le,
    ">=": operator.ge,
}
_ARITHMETIC = {"+": operator.add, "-": operator.sub, "*": operator.mul}
_BITWISE = {"AND": operator.and_, "OR": operator.or_, "XOR": operator.xor}


class Fault(Exception):  # noqa: N818 - the trade says fault
    """A program failed."""


def binary32(value: float) -> float:
    """Round to 32 bits."""
    _CELL[0] = value
    return _CELL[0]


def quotient(a: int, b: int) -> int:
    """Whole division towards zero."""
    if b == 0:
        raise Fault("division by zero")
    return abs(a) // abs(b) * (1 if (a < 0) == (b < 0) else -1)


def modulo(a: int, b: int) -> int:
    """MOD: 0 for a zero divisor."""
    return a - quotient(a, b) * b if b else 0


def initial_value(type_: Type, given: Any = None) -> Any:
    """A fresh value of a type."""
    if isinstance(type_, ArrayType):
        return _initial_array(type_, type_.bounds, given)
    if isinstance(type_, StructType):
        given = given or {}
        return [initial_value(f.type, _first(given.get(k), f.initial))
                for k, f in type_.fields.items()]  # fmt: skip
    if isinstance(type_, BlockType):
        return new_frame(type_.block, given)
    if given is not None:
        return given
    if isinstance(type_, StringType):
        return ""
    if isinstance(type_, SubrangeType):
        return type_.low
    kind = type_.kind if isinstance(type_, ElementaryType) else None
    return False if kind is Kind.BOOL else 0.0 if kind is Kind.REAL else 0


def _first(*values: Any) -> Any:
    return next((value for value in values if value is not None), None)


def _initial_array(type_: ArrayType, bounds: tuple[tuple[int, int], ...], given: Any) -> Any:
    (low, high), *rest = bounds
    parts = given if given is not None else [None] * (high - low + 1)
    if rest:
        return [_initial_array(type_, tuple(rest), part) for part in parts]
    return [initial_value(type_.element, _first(part, type_.initial)) for part in parts]


def new_frame(block: typed.Block, given: Any = None) -> Frame:
    """A fresh instance; temporary variables stand behind the others."""
    given = given or {}
    return [
        None if symbol.kind == "VAR_IN_OUT"
        else initial_value(symbol.type, _first(given.get(symbol.key), symbol.initial))
        for symbol in block.symbols.values()
    ]  # fmt: skip


def saved(type_: Type, value: Any) -> Any:
    """A value in the shape of `Instance.snapshot`."""
    if isinstance(type_, BlockType):
        return saved_frame(type_.block, value)
    if isinstance(type_, StructType):
        return tuple(saved(f.type, v) for f, v in zip(type_.fields.values(), value, strict=True))
    if isinstance(type_, ArrayType):
        parts = [_saved_part(type_, len(type_.bounds), v) for v in value]
        simple = len(type_.bounds) == 1 and not _is_aggregate(type_.element)
        return parts if simple else tuple(parts)
    return value


def _saved_part(type_: ArrayType, depth: int, value: Any) -> Any:
    if depth > 1:
        return tuple(_saved_part(type_, depth - 1, v) for v in value)
    return saved(type_.element, value)


def _is_aggregate(type_: Type) -> bool:
    return isinstance(type_, ArrayType | StructType | BlockType)


def saved_frame(block: typed.Block, frame: Frame) -> tuple[Any, ...]:
    """An instance in the shape of its snapshot."""
    return tuple(
        saved(symbol.type, value)
        for symbol, value in zip(block.symbols.values(), frame, strict=True)
        if symbol.storage == "slot" and symbol.kind != "VAR_IN_OUT"
    )


def copy_into(target: list[Any], source: list[Any]) -> None:
    """Copy an array or structure without replacing it."""
    for index, value in enumerate(source):
        if isinstance(value, list):
            copy_into(target[index], value)
        else:
            target[index] = value


class ClosureMachine:
    """An application run by closures."""

    def __init__(self, application: Application, *, trusting: bool = False) -> None:
        symbols = list(application.world.globals_.values())
        self._places = {id(symbol): index for index, symbol in enumerate(symbols)}
        self.globals_: Frame = [initial_value(s.type, s.initial) for s in symbols]
        self._symbols = symbols
        self._trusting = trusting
        self._codes: dict[int, Code] = {}
        self.executed = 0
        self._counting = False
        self._blocks = [entry.block for entry in application.scheduled]
        self._frames = [new_frame(block) for block in self._blocks]
        self._runs = [self.block(block) for block in self._blocks]
        self._now = next(i for i, s in enumerate(symbols) if s.key == "__NOW")

    def scan(self, now_ns: int) -> None:
        """Run every program once."""
        self.globals_[self._now] = now_ns
        for run, frame in zip(self._runs, self._frames, strict=True):
            run(frame)

    def count_statements(self, scans: int, step_ns: int) -> float:
        """Mean number of statements that a scan executes, in a machine made for this only."""
        self._counting, self._codes = True, {}
        self._runs = [self.block(block) for block in self._blocks]
        for number in range(scans):
            self.scan((number + 1) * step_ns)
        return self.executed / scans

    def snapshot(self) -> tuple[Any, ...]:
        """The state in the shape of `Instance.snapshot`, without due times."""
        shared = tuple(
            saved(s.type, v)
            for s, v in zip(self._symbols, self.globals_, strict=True)
            if s.storage == "global"
        )
        frames = zip(self._blocks, self._frames, strict=True)
        return shared, tuple(saved_frame(block, frame) for block, frame in frames)

    # Units

    def block(self, block: typed.Block) -> Code:
        """The code of a unit, made once; it runs on an instance's frame."""
        known = self._codes.get(id(block))
        if known is not None:
            return known
        codes: list[Code] = []

        def late(frame: Frame) -> Any:
            return codes[0](frame)

        self._codes[id(block)] = late
        layout = {id(symbol): index for index, symbol in enumerate(block.symbols.values())}
        body = _Unit(self, layout, self._trusting).sequence(block.body)
        fresh = [
            (index, symbol)
            for index, symbol in enumerate(block.symbols.values())
            if symbol.storage == "local" and symbol.kind not in ("VAR_INPUT", "VAR_IN_OUT")
        ]
        if not fresh or block.kind == "FUNCTION":
            code = body
        else:
            simple = [(i, initial_value(s.type, s.initial)) for i, s in fresh]

            def code(frame: Frame) -> Any:
                for index, value in simple:
                    frame[index] = value
                return body(frame)

        codes.append(code)
        self._codes[id(block)] = code
        return code

    def count(self) -> None:
        """Note a statement."""
        self.executed += 1


class _Unit:
    """Compiles one unit's tree; `layout` tells where its variables stand in the frame."""

    def __init__(self, machine: ClosureMachine, layout: dict[int, int], trusting: bool) -> None:
        self.machine = machine
        self.layout = layout
        self.trusting = trusting

    # Statements

    def sequence(self, body: list[typed.Statement]) -> Code:
        codes = [self.statement(node) for node in body]
        if self.machine._counting:
            codes = [self._counted(code) for code in codes]
        if len(codes) == 1:
            return codes[0]
        if not any(_may_leave(node) for node in body):

            def straight(f: Frame) -> None:
                for code in codes:
                    code(f)

            return straight

        def run(f: Frame) -> Any:
            for code in codes:
                signal = code(f)
                if signal:
                    return signal
            return None

        return run

    def _counted(self, code: Code) -> Code:
        def run(f: Frame) -> Any:
            self.machine.count()
            return code(f)

        return run

    def statement(self, node: typed.Statement) -> Code:
        made: Code = getattr(self, f"_{type(node).__name__.lower()}")(node)
        return made

    def _assign(self, node: typed.Assign) -> Code:
        return self.store(node.target, self.expression(node.value))

    def store(self, target: typed.Expression, value: Code) -> Code:
        """Code that puts a value where a target says."""
        if isinstance(target.type, ArrayType | StructType):
            place = self.expression(target)
            return lambda f: copy_into(place(f), value(f))
        if isinstance(target, typed.Part):
            return self.store(target.base, self._with_part(target, value))
        if isinstance(target, typed.Variable):
            if target.symbol.storage == "global":
                shared, where = self.machine.globals_, self.machine._places[id(target.symbol)]

                def set_global(f: Frame) -> None:
                    shared[where] = value(f)

                return set_global
            index = self.layout[id(target.symbol)]

            def set_variable(f: Frame) -> None:
                f[index] = value(f)

            return set_variable
        if isinstance(target, typed.Member):
            base, member = self.expression(target.base), _member(target)

            def set_member(f: Frame) -> None:
                item = value(f)
                base(f)[member] = item

            return set_member
        assert isinstance(target, typed.Index | typed.OpenIndex)
        row, last = self._row(target)

        def set_element(f: Frame) -> None:
            item = value(f)
            row(f)[last(f)] = item

        return set_element

    def _with_part(self, target: typed.Part, value: Code) -> Code:
        base, shift = self.expression(target.base), target.shift
        type_ = target.base.type
        assert isinstance(type_, ElementaryType)
        mask = (1 << target.width) - 1
        low, size = type_.low, type_.high - type_.low + 1

        def run(f: Frame) -> int:
            bits = int(value(f)) & mask
            whole = base(f) & ~(mask << shift) | bits << shift
            return (whole - low) % size + low

        return run

    def _evaluate(self, node: typed.Evaluate) -> Code:
        value = self.expression(node.value)

        def run(f: Frame) -> None:
            value(f)

        return run

    def _attempt(self, node: typed.Attempt) -> Code:
        body, failed = self.sequence(node.body), self.sequence(node.failed)

        def run(f: Frame) -> Any:
            try:
                return body(f)
            except (Fault, ArithmeticError, ValueError):
                return failed(f)

        return run

    def _callblock(self, node: typed.CallBlock) -> Code:
        instance, run_block = self.expression(node.instance), self.machine.block(node.type.block)
        places = {id(s): i for i, s in enumerate(node.type.block.symbols.values())}
        inputs = [
            (places[id(s)], self.expression(v), _is_aggregate(s.type)) for s, v in node.inputs
        ]
        shared = [(places[id(s)], self.expression(v)) for s, v in node.in_outs]
        plain = [(i, v) for i, v, aggregate in inputs if not aggregate] + shared
        copied = [(i, v) for i, v, aggregate in inputs if aggregate]
        after = [
            self.store(value, _fetch(instance, places[id(symbol)]))
            for symbol, value in node.in_outs
            if not _is_aggregate(symbol.type)
        ]
        after += [self.store(target, self.expression(value)) for target, value in node.outputs]

        def run(f: Frame) -> None:
            b = instance(f)
            for index, value in plain:
                b[index] = value(f)
            for index, value in copied:
                copy_into(b[index], value(f))
            run_block(b)
            for code in after:
                code(f)

        return run

    def _if(self, node: typed.If) -> Code:
        otherwise = self.sequence(node.otherwise)
        if len(node.branches) == 1:
            condition = self.expression(node.branches[0][0])
            then = self.sequence(node.branches[0][1])
            if not node.otherwise:
                return lambda f: then(f) if condition(f) else None
            return lambda f: then(f) if condition(f) else otherwise(f)
        branches = [(self.expression(c), self.sequence(body)) for c, body in node.branches]

        def run(f: Frame) -> Any:
            for test, body in branches:
                if test(f):
                    return body(f)
            return otherwise(f)

        return run

    def _case(self, node: typed.Case) -> Code:
        selector, otherwise = self.expression(node.selector), self.sequence(node.otherwise)
        arms = [(labels, self.sequence(body)) for labels, body in node.arms]

        def run(f: Frame) -> Any:
            value = selector(f)
            for labels, body in arms:
                for low, high in labels:
                    if low <= value <= high:
                        return body(f)
            return otherwise(f)

        return run

    def _for(self, node: typed.For) -> Code:
        start, end, step = map(self.expression, (node.start, node.end, node.step))
        current: list[Any] = [0]
        put = self.store(node.variable, lambda f: current[-1])
        get, body = self.expression(node.variable), self.sequence(node.body)
        wrap = _wrapper(node.start.type)

        def run(f: Frame) -> Any:
            value, last, by = start(f), end(f), step(f)
            while True:
                current[-1] = wrap(value)
                put(f)
                if value > last if by >= 0 else value < last:
                    return None
                signal = body(f)
                if signal and signal != CONTINUE:
                    return RETURN if signal == RETURN else None
                value = get(f) + by

        return run

    def _while(self, node: typed.While) -> Code:
        condition, body = self.expression(node.condition), self.sequence(node.body)

        def run(f: Frame) -> Any:
            while condition(f):
                signal = body(f)
                if signal and signal != CONTINUE:
                    return RETURN if signal == RETURN else None
            return None

        return run

    def _repeat(self, node: typed.Repeat) -> Code:
        until, body = self.expression(node.until), self.sequence(node.body)

        def run(f: Frame) -> Any:
            while True:
                signal = body(f)
                if signal and signal != CONTINUE:
                    return RETURN if signal == RETURN else None
                if until(f):
                    return None

        return run

    def _exit(self, node: typed.Exit) -> Code:
        return lambda f: EXIT

    def _continue(self, node: typed.Continue) -> Code:
        return lambda f: CONTINUE

    def _return(self, node: typed.Return) -> Code:
        return lambda f: RETURN

    # Expressions

    def expression(self, node: typed.Expression) -> Code:
        made: Code = getattr(self, f"_{type(node).__name__.lower()}_value")(node)
        return made

    def _constant_value(self, node: typed.Constant) -> Code:
        if _is_aggregate(node.type):
            return lambda f: initial_value(node.type, node.value)
        value = node.value
        return lambda f: value

    def _variable_value(self, node: typed.Variable) -> Code:
        if node.symbol.storage == "global":
            shared, where = self.machine.globals_, self.machine._places[id(node.symbol)]
            return lambda f: shared[where]
        if node.symbol.storage == "constant":
            constant = initial_value(node.symbol.type, node.symbol.initial)
            return lambda f: constant
        index = self.layout[id(node.symbol)]
        return lambda f: f[index]

    def _member_value(self, node: typed.Member) -> Code:
        return _fetch(self.expression(node.base), _member(node))

    def _row(self, node: typed.Index | typed.OpenIndex) -> tuple[Code, Code]:
        row = self.expression(node.base)
        if isinstance(node, typed.OpenIndex):
            bounds = zip(node.indices, node.lows, node.highs, strict=True)
            offsets = [self._open_offset(*map(self.expression, part)) for part in bounds]
        else:
            parts = zip(node.indices, node.bounds, node.checked, strict=True)
            offsets = [self._offset(index, *bound, checked) for index, bound, checked in parts]
        for offset in offsets[:-1]:
            row = _element(row, offset)
        return row, offsets[-1]

    def _offset(self, index: typed.Expression, low: int, high: int, checked: bool) -> Code:
        value = self.expression(index)
        if self.trusting and not checked:
            return lambda f: value(f) - low

        def run(f: Frame) -> int:
            found: int = value(f)
            if not low <= found <= high:
                raise Fault("index")
            return found - low

        return run

    def _open_offset(self, index: Code, low: Code, high: Code) -> Code:
        def run(f: Frame) -> int:
            found, least = index(f), low(f)
            if not least <= found <= high(f):
                raise Fault("index")
            offset: int = found - least
            return offset

        return run

    def _openindex_value(self, node: typed.OpenIndex) -> Code:
        return _element(*self._row(node))

    def _guarded_value(self, node: typed.Guarded) -> Code:
        call, otherwise = self.expression(node.call), initial_value(node.type)
        enable: Code = self.expression(node.enable) if node.enable else lambda f: True
        done = [False]
        tell = self.store(node.eno, lambda f: done[0]) if node.eno else None

        def run(f: Frame) -> Any:
            done[0], result = enable(f), otherwise
            try:
                if done[0]:
                    result = call(f)
            except (Fault, ArithmeticError, ValueError):
                if tell is None:
                    raise
                done[0] = False
            if tell is not None:
                tell(f)
            return result

        return run

    def _index_value(self, node: typed.Index) -> Code:
        return _element(*self._row(node))

    def _part_value(self, node: typed.Part) -> Code:
        base, shift, mask = self.expression(node.base), node.shift, (1 << node.width) - 1
        if node.width == 1:
            return lambda f: (base(f) >> shift & 1) != 0
        return lambda f: base(f) >> shift & mask

    def _unary_value(self, node: typed.Unary) -> Code:
        operand = self.expression(node.operand)
        if node.operator == "-":
            return self._sized(lambda f: -operand(f), node.type, node.wraps)
        if node.type.name == "BOOL":
            return lambda f: not operand(f)
        return self._sized(lambda f: ~operand(f), node.type, True)

    def _sized(self, code: Code, type_: Type, wraps: bool) -> Code:
        """A number brought back into its type."""
        if type_ == REAL:
            return lambda f: binary32(code(f))
        if not isinstance(type_, ElementaryType) or type_.kind is Kind.REAL:
            return code
        if self.trusting and not wraps:
            return code
        low, high, wrap = type_.low, type_.high, _wrapper(type_)

        def run(f: Frame) -> Any:
            value = code(f)
            return value if low <= value <= high else wrap(value)

        return run

    def _binary_value(self, node: typed.Binary) -> Code:
        op, left, right = node.operator, self.expression(node.left), self.expression(node.right)
        if op in _COMPARISONS:
            compare = _COMPARISONS[op]
            return lambda f: compare(left(f), right(f))
        if op in _BITWISE:
            if node.type.name == "BOOL" and op != "XOR":
                if op == "AND":
                    return lambda f: left(f) and right(f)
                return lambda f: left(f) or right(f)
            combine = _BITWISE[op]
            return lambda f: combine(left(f), right(f))
        return self._sized(self._arithmetic(node, left, right), node.type, node.wraps)

    def _arithmetic(self, node: typed.Binary, left: Code, right: Code) -> Code:
        op = node.operator
        if op == "+":
            return lambda f: left(f) + right(f)
        if op == "-":
            return lambda f: left(f) - right(f)
        if op == "*":
            return lambda f: left(f) * right(f)
        real = isinstance(node.type, ElementaryType) and node.type.kind is Kind.REAL
        if op == "**":
            return (
                (lambda f: _real_power(left(f), right(f)))
                if real
                else (lambda f: _whole_power(left(f), right(f)))
            )
        if op == "MOD":
            return lambda f: modulo(left(f), right(f))
        if real:
            return lambda f: left(f) / right(f)
        return lambda f: quotient(left(f), right(f))

    def _rangecheck_value(self, node: typed.RangeCheck) -> Code:
        operand, low, high = self.expression(node.operand), node.low, node.high

        def run(f: Frame) -> Any:
            value = operand(f)
            if not low <= value <= high:
                raise Fault("subrange")
            return value

        return run

    def _convert_value(self, node: typed.Convert) -> Code:
        source, target, operand = node.operand.type, node.type, self.expression(node.operand)
        assert node.mode in ("round", "truncate"), node.mode
        if target.name == "BOOL":
            return lambda f: operand(f) != 0
        if isinstance(target, ElementaryType) and target.kind is Kind.REAL:
            return self._sized(lambda f: float(operand(f)), target, False)
        if isinstance(source, ElementaryType) and source.kind is Kind.REAL:
            change: Callable[[float], int] = math.trunc if node.mode == "truncate" else round
            return self._sized(lambda f: change(operand(f)), target, node.wraps)
        if source.name == "BOOL":
            return lambda f: int(operand(f))
        return self._sized(operand, target, node.wraps)

    def _standardcall_value(self, node: typed.StandardCall) -> Code:
        arguments = [self.expression(argument) for argument in node.arguments]
        if node.name == "SEL":
            which, if_false, if_true = arguments
            return lambda f: if_true(f) if which(f) else if_false(f)
        function = _FUNCTIONS[node.name]
        bits = getattr(node.type, "bits", 0)
        if node.name in ("SHL", "SHR", "ROL", "ROR"):
            value, count = arguments
            return lambda f: function(value(f), count(f), bits)
        if len(arguments) == 1:
            (only,) = arguments
            return self._sized(lambda f: function(only(f)), node.type, True)
        whole = isinstance(node.type, ElementaryType) and node.type.kind is not Kind.REAL
        code: Code = lambda f: function(*[argument(f) for argument in arguments])  # noqa: E731
        return code if whole else self._sized(code, node.type, True)

    def _functioncall_value(self, node: typed.FunctionCall) -> Code:
        function = node.function
        run, symbols = self.machine.block(function), list(function.symbols.values())
        places = {id(symbol): index for index, symbol in enumerate(symbols)}
        parameters = function.of_kind("VAR_INPUT", "VAR_IN_OUT")
        arguments = [
            (places[id(symbol)], self.expression(argument))
            for symbol, argument in zip(parameters, node.arguments, strict=True)
        ]
        result = places[id(function.symbols[function.key])] if function.result is not None else -1
        inner: list[Any] = [None]
        after = []
        for symbol, target, negated in node.outputs:
            after.append(self.store(target, _output(inner, places[id(symbol)], negated)))
        for symbol, argument in zip(parameters, node.arguments, strict=True):
            if symbol.kind == "VAR_IN_OUT" and not _is_aggregate(symbol.type):
                after.append(self.store(argument, _output(inner, places[id(symbol)], False)))

        def call(f: Frame) -> Any:
            frame = new_frame(function)
            for index, argument in arguments:
                frame[index] = argument(f)
            run(frame)
            inner[0] = frame
            for code in after:
                code(f)
            return frame[result] if result >= 0 else None

        return call


def _output(inner: list[Any], index: int, negated: bool) -> Code:
    return (lambda f: not inner[0][index]) if negated else (lambda f: inner[0][index])


def _fetch(base: Code, index: int) -> Code:
    return lambda f: base(f)[index]


def _element(row: Code, offset: Code) -> Code:
    return lambda f: row(f)[offset(f)]


def _member(node: typed.Member) -> int:
    type_ = node.base.type
    keys = type_.fields if isinstance(type_, StructType) else type_.block.symbols  # type: ignore[union-attr]
    return list(keys).index(node.key)


def _wrapper(type_: Type) -> Callable[[int], int]:
    if isinstance(type_, SubrangeType):
        type_ = type_.base
    if isinstance(type_, EnumType) or not isinstance(type_, ElementaryType):
        return lambda value: value
    low, size = type_.low, type_.high - type_.low + 1
    return lambda value: (value - low) % size + low


def _may_leave(node: typed.Statement) -> bool:
    if isinstance(node, typed.Exit | typed.Continue | typed.Return):
        return True
    bodies: list[list[typed.Statement]] = []
    if isinstance(node, typed.If):
        bodies = [*(body for _, body in node.branches), node.otherwise]
    elif isinstance(node, typed.Case):
        bodies = [*(body for _, body in node.arms), node.otherwise]
    elif isinstance(node, typed.For | typed.While | typed.Repeat):
        bodies = [node.body]
    elif isinstance(node, typed.Attempt):
        bodies = [node.body, node.failed]
    return any(_may_leave(inner) for body in bodies for inner in body)


def _real_power(base: float, exponent: float) -> float:
    try:
        result = base**exponent
    except OverflowError:
        return math.inf
    if isinstance(result, complex):
        raise Fault("power")
    return result


def _whole_power(base: int, exponent: int) -> int:
    return base**exponent if exponent >= 0 else quotient(1, base**-exponent)


def _choose(index: int, *values: Any) -> Any:
    if not 0 <= index < len(values):
        raise Fault("MUX")
    return values[index]


def _exponential(value: float) -> float:
    try:
        return math.exp(value)
    except OverflowError:
        return math.inf


_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "ABS": abs,
    "SQRT": math.sqrt,
    "EXP": _exponential,
    "LN": math.log,
    "LOG": math.log10,
    "SIN": math.sin,
    "COS": math.cos,
    "TAN": math.tan,
    "ASIN": math.asin,
    "ACOS": math.acos,
    "ATAN": math.atan,
    "ATAN2": math.atan2,
    "MOVE": lambda value: value,
    "MIN": lambda *values: reduce(lambda a, b: a if a < b else b, values),
    "MAX": lambda *values: reduce(lambda a, b: a if a > b else b, values),
    "LIMIT": lambda low, value, high: min(max(value, low), high),
    "MUX": _choose,
    "SHL": lambda value, count, bits: value << count & (1 << bits) - 1,
    "SHR": lambda value, count, bits: value >> count,
    "ROL": lambda value, count, bits: (
        (value << count % bits | value >> (bits - count % bits)) & (1 << bits) - 1
    ),
    "ROR": lambda value, count, bits: (
        (value >> count % bits | value << (bits - count % bits)) & (1 << bits) - 1
    ),
    "LEN": len,
}
