"""Statements: what is assigned, called and repeated, and whether it may be."""

from __future__ import annotations

from typing import Any

from softctl.logic import tree, typed
from softctl.logic.check_expressions import ExpressionChecker
from softctl.logic.folding import fits, interval_of
from softctl.logic.source import Token, counted, suggest
from softctl.logic.types import (
    BOOL,
    ERROR,
    LINT,
    VOID,
    BlockType,
    EnumType,
    StringType,
    SubrangeType,
    Type,
    is_integer,
    is_kind,
    is_real,
    limits,
)
from softctl.values.types import ElementaryType, Kind

MAX_LOOPS = 16
"""Python takes twenty blocks inside one another, and some are needed for other things."""


class StatementChecker(ExpressionChecker):
    """Checks the statements of one unit."""

    _loops = 0

    def statements(self, nodes: list[tree.Statement]) -> list[typed.Statement]:
        """The checked statements; those with errors are left out."""
        return [s for node in nodes if (s := self.statement(node)) is not None]

    def statement(self, node: tree.Statement) -> typed.Statement | None:
        """One checked statement, or None."""
        if isinstance(node, tree.Assign):
            return self._assign(node)
        if isinstance(node, tree.If):
            return self._if(node)
        if isinstance(node, tree.CallStatement):
            return self._call(node)
        if isinstance(node, tree.Case):
            return self._case(node)
        if isinstance(node, tree.For):
            return self._for(node)
        if isinstance(node, tree.While | tree.Repeat):
            return self._loop(node)
        if isinstance(node, tree.Return):
            return typed.Return(node.at)
        assert isinstance(node, tree.Exit | tree.Continue)
        return self._leave(node)

    def _leave(self, node: tree.Exit | tree.Continue) -> typed.Statement | None:
        if not self._loops:
            self.reporter.error(node.at, f"expected {node.at.key} inside a loop only")
            return None
        return typed.Exit(node.at) if isinstance(node, tree.Exit) else typed.Continue(node.at)

    # Targets

    def reference(self, node: tree.Expression) -> typed.Expression | None:
        """A variable, or part of one, that may be written."""
        target = self._target(node)
        root = _root(target)
        if target.type is ERROR:
            return None
        if root is None:
            self.reporter.error(node.at, "expected a variable here, got a value")
            return None
        return target if self._may_write(node, root, target) else None

    def _target(self, node: tree.Expression) -> typed.Expression:
        """Like an expression, but the access that is written does not count as read."""
        if isinstance(node, tree.Name):
            symbol = self.find_symbol(node.name.upper())
            if symbol is not None:
                symbol.writes += 1
                if symbol.storage == "constant":
                    self.reporter.error(node.at, f"{symbol.name} is CONSTANT: it cannot be written")
                    return typed.Constant(node.at, ERROR, 0)
                return typed.Variable(node.at, symbol.type, symbol, limits(symbol.type))
        target = self.expression(node)
        root = _root(target)
        if root is not None:
            root.symbol.writes += 1
        if isinstance(target, typed.Member):
            target.type = _member_type(target) or target.type
        elif isinstance(target, typed.Index | typed.OpenIndex):
            element = getattr(target.base.type, "element", target.type)
            target.type = element
        return target

    def _may_write(
        self, node: tree.Expression, root: typed.Variable, target: typed.Expression
    ) -> bool:
        symbol = root.symbol
        if not symbol.writable:
            what = "CONSTANT" if symbol.kind != "VAR_GLOBAL" else "an input"
            self.reporter.error(node.at, f"{symbol.name} is {what}: it cannot be written")
            return False
        if symbol.kind == "VAR_INPUT" and not isinstance(symbol.type, BlockType):
            self.reporter.depart(node.at, f"{symbol.name} is an input: copy it to write it")
        if isinstance(target, typed.Member) and isinstance(target.base.type, BlockType):
            member = target.base.type.block.symbols[target.key]
            if member.kind == "VAR_OUTPUT":
                self.reporter.error(
                    node.at, f"{member.name} is an output of {target.base.type}: only it writes it"
                )
                return False
        return True

    # Assignments and calls

    def _assign(self, node: tree.Assign) -> typed.Statement | None:
        enabled = self.enabled_call(node.value)
        if enabled is not None:
            call, enable, eno = enabled
            return self._guarded(self._assign(tree.Assign(node.at, node.target, call)), enable, eno)
        target = self.reference(node.target)
        if target is None:
            self.expression(node.value)
            return None
        value = self.expression(node.value, target.type)
        if isinstance(target.type, BlockType):
            self.reporter.error(node.at, "a block cannot be assigned: copy its outputs")
            return None
        return typed.Assign(node.at, target, self.coerce(value, target.type, node.value.at))

    def _guarded(
        self,
        statement: typed.Statement | None,
        enable: tree.Argument | None,
        eno: tree.Argument | None,
    ) -> typed.Statement | None:
        """A statement that runs if EN is true; ENO tells whether it ran without a fault."""
        condition = None
        if enable is not None and enable.value is not None:
            condition = self.condition(enable.value)
        target = self.enable_output(eno)
        if statement is None:
            return None
        at, failed = statement.at, []
        if target is not None:
            done = typed.Assign(at, target, typed.Constant(at, BOOL, True))
            failed = [typed.Assign(at, target, typed.Constant(at, BOOL, False))]
            statement = typed.Attempt(at, [statement, done], [*failed])
        if condition is None:
            return statement
        otherwise: list[typed.Statement] = [*failed]
        return typed.If(at, [(condition, [statement])], otherwise)

    def _call(self, node: tree.CallStatement) -> typed.Statement | None:
        callee = node.call.callee
        own = isinstance(callee, tree.Name) and self.find_symbol(callee.name.upper()) is not None
        enabled = None if own else self.enabled_call(node.call)
        if enabled is not None:
            call, enable, eno = enabled
            return self._guarded(self._call(tree.CallStatement(node.at, call)), enable, eno)
        if isinstance(callee, tree.Name) and self.find_symbol(callee.name.upper()) is None:
            if self.world.find_block(callee.name) is None:
                value = self.expression(node.call)
                return None if value.type is ERROR else typed.Evaluate(node.at, value)
            value = self.expression(node.call)
            return None if value.type is ERROR else typed.Evaluate(node.at, value)
        instance = self.expression(callee)
        if instance.type is ERROR:
            return None
        if not isinstance(instance.type, BlockType):
            self.reporter.error(node.at, f"expected a function block before (, got {instance.type}")
            return None
        root = _root(instance)
        if root is not None:
            root.symbol.writes += 1
        return self._block_call(node, instance, instance.type)

    def _block_call(
        self, node: tree.CallStatement, instance: typed.Expression, type_: BlockType
    ) -> typed.Statement:
        call = typed.CallBlock(node.at, instance, type_, [], [], [])
        inputs = type_.block.parameters("VAR_INPUT", "VAR_IN_OUT")
        enable: typed.Expression | None = None
        enabled: list[typed.Statement] = []
        for position, argument in enumerate(node.call.arguments):
            key = argument.name.upper()
            if key == "EN" and argument.value is not None and "EN" not in type_.block.symbols:
                enable = self.condition(argument.value)
            elif key == "ENO" and argument.value is not None and "ENO" not in type_.block.symbols:
                target = self.enable_output(argument)
                if target is not None:
                    enabled.append(
                        typed.Assign(argument.at, target, typed.Constant(argument.at, BOOL, True))
                    )
            elif argument.is_output:
                self._output(call, argument)
            else:
                self._input(call, argument, position, inputs)
        self._require_in_outs(call, node)
        if enable is None and not enabled:
            return call
        condition = enable or typed.Constant(node.at, BOOL, True)
        disabled: list[typed.Statement] = [
            typed.Assign(s.at, s.target, typed.Constant(s.at, BOOL, False))
            for s in enabled
            if isinstance(s, typed.Assign)
        ]
        return typed.If(node.at, [(condition, [call, *enabled])], disabled)

    def _input(
        self,
        call: typed.CallBlock,
        argument: tree.Argument,
        position: int,
        inputs: list[typed.Symbol],
    ) -> None:
        symbol = self._block_parameter(call.type, argument, position, inputs)
        if symbol is None:
            if argument.value is not None:
                self.expression(argument.value)
            return
        value = self.argument_value(argument, symbol)
        if value is not None:
            (call.in_outs if symbol.kind == "VAR_IN_OUT" else call.inputs).append((symbol, value))
            bounds = self.bounds_given(symbol, value)
            call.inputs += [(call.type.block.symbols[k], bound) for k, bound in bounds.items()]

    def _block_parameter(
        self,
        type_: BlockType,
        argument: tree.Argument,
        position: int,
        inputs: list[typed.Symbol],
    ) -> typed.Symbol | None:
        if argument.name:
            for symbol in inputs:
                if symbol.key == argument.name.upper():
                    return symbol
            outputs = [s.key for s in type_.block.of_kind("VAR_OUTPUT")]
            if argument.name.upper() in outputs:
                self.reporter.error(
                    argument.at, f"{argument.name} is an output of {type_}: write => to fetch it"
                )
                return None
            hint = suggest(argument.name, [s.name for s in inputs])
            self.reporter.error(
                argument.at, f"expected an input of {type_}, got {argument.name}", hint
            )
            return None
        if position < len(inputs):
            return inputs[position]
        self.reporter.error(
            argument.at, f"expected at most {counted(len(inputs), 'input')} of {type_}, got more"
        )
        return None

    def _output(self, call: typed.CallBlock, argument: tree.Argument) -> None:
        outputs = call.type.block.of_kind("VAR_OUTPUT", "VAR_IN_OUT")
        symbol = next((s for s in outputs if s.key == argument.name.upper()), None)
        if symbol is None:
            hint = suggest(argument.name, [s.name for s in outputs])
            self.reporter.error(
                argument.at, f"expected an output of {call.type}, got {argument.name}", hint
            )
            return
        if argument.value is None:
            return
        target = self.reference(argument.value)
        if target is None:
            return
        source: typed.Expression = typed.Member(argument.at, symbol.type, call.instance, symbol.key)
        if argument.negated:
            source = self.unary(argument.at, "NOT", source)
        call.outputs.append((target, self.coerce(source, target.type, argument.at)))

    def _require_in_outs(self, call: typed.CallBlock, node: tree.CallStatement) -> None:
        given = {symbol.key for symbol, _ in call.in_outs}
        for symbol in call.type.block.of_kind("VAR_IN_OUT"):
            if symbol.key not in given and not any(
                a.name.upper() == symbol.key and a.value is not None for a in node.call.arguments
            ):
                self.reporter.error(
                    node.at, f"expected a variable for the in-out {symbol.name} of {call.type}"
                )

    # Selection

    def _if(self, node: tree.If) -> typed.Statement:
        branches = [
            (self.condition(condition), self.statements(body)) for condition, body in node.branches
        ]
        return typed.If(node.at, branches, self.statements(node.otherwise))

    def _case(self, node: tree.Case) -> typed.Statement | None:
        selector = self.settle(self.expression(node.selector))
        type_ = selector.type
        single = isinstance(type_, ElementaryType | EnumType | StringType) and not is_real(type_)
        if type_ is not ERROR and not single:
            self.reporter.error(
                node.selector.at, f"expected a whole number or enumeration, got {type_}"
            )
            type_ = ERROR
        arms = []
        seen: list[tuple[Any, Any]] = []
        for labels, body in node.arms:
            pairs = [self._label(label, type_, seen) for label in labels]
            arms.append(([pair for pair in pairs if pair is not None], self.statements(body)))
        otherwise = self.statements(node.otherwise)
        return None if type_ is ERROR else typed.Case(node.at, selector, arms, otherwise)

    def _label(
        self, label: tree.CaseLabel, type_: Type, seen: list[tuple[Any, Any]]
    ) -> tuple[Any, Any] | None:
        low = self._label_value(label.low, type_)
        high = low if label.high is None else self._label_value(label.high, type_)
        if low is None or high is None:
            return None
        if high < low:
            self.reporter.error(label.at, f"expected a range from low to high, got {low}..{high}")
            return None
        if any(a <= low and high <= b for a, b in seen):
            self.reporter.warn(label.at, "an earlier label takes this value: never reached")
        seen.append((low, high))
        return low, high

    def _label_value(self, node: tree.Expression, type_: Type) -> Any:
        self.needs_constant = True
        value = self.expression(node, type_)
        self.needs_constant = False
        if type_ is ERROR or value.type is ERROR:
            return None
        value = self.coerce(value, type_, node.at)
        if isinstance(value, typed.Constant):
            return None if value.type is ERROR else value.value
        self.reporter.error(node.at, "expected a constant as CASE label")
        return None

    # Loops

    def _body(self, at: Token, nodes: list[tree.Statement]) -> list[typed.Statement]:
        self._loops += 1
        if self._loops == MAX_LOOPS + 1:
            self.reporter.error(at, f"expected at most {MAX_LOOPS} loops inside one another")
        body = self.statements(nodes)
        self._loops -= 1
        return body

    def _loop(self, node: tree.While | tree.Repeat) -> typed.Statement:
        if isinstance(node, tree.While):
            condition = self.condition(node.condition)
            return typed.While(node.at, condition, self._body(node.at, node.body))
        body = self._body(node.at, node.body)
        return typed.Repeat(node.at, body, self.condition(node.until))

    def _for(self, node: tree.For) -> typed.Statement | None:
        variable = self.reference(node.variable)
        if variable is None or not (
            is_integer(variable.type) or isinstance(variable.type, SubrangeType)
        ):
            if variable is not None:
                self.reporter.error(
                    node.variable.at, f"expected a whole-number variable, got {variable.type}"
                )
            self._body(node.at, node.body)
            return None
        base = variable.type.base if isinstance(variable.type, SubrangeType) else variable.type
        start = self.value(node.start, base)
        end = self.value(node.end, base)
        one = typed.Constant(node.at, base, 1)
        step = one if node.step is None else self._step(node.step, base)
        if isinstance(step, typed.Constant) and step.value == 0 and node.step is not None:
            self.reporter.error(node.step.at, "expected a step other than 0")
        body, simple = self._for_body(node, variable, (start, end, step))
        wraps = not fits(_after(start, end, step), base)
        return typed.For(node.at, variable, start, end, step, body, simple, wraps)

    def _step(self, node: tree.Expression, base: Type) -> typed.Expression:
        step = self.expression(node, base)
        down = isinstance(step, typed.Constant) and step.type is not ERROR and step.value < 0
        if down and is_kind(base, Kind.UNSIGNED):
            self.reporter.depart(node.at, f"a negative step of a {base}: write a signed variable")
            return self.coerce(step, LINT)
        return self.coerce(step, base, node.at)

    def _for_body(
        self,
        node: tree.For,
        variable: typed.Expression,
        range_: tuple[typed.Expression, typed.Expression, typed.Expression],
    ) -> tuple[list[typed.Statement], bool]:
        """The body, checked with the variable's interval; again without if it is written."""
        root = _root(variable)
        if (
            not isinstance(variable, typed.Variable)
            or root is None
            or root.symbol.storage == "global"
        ):
            return self._body(node.at, node.body), False
        symbol = root.symbol
        symbol.reads += 1
        first, last = interval_of(range_[0]), interval_of(range_[1])
        writes = symbol.writes
        if first is not None and last is not None:
            self.narrowed[id(symbol)] = (min(first[0], last[0]), max(first[1], last[1]))
        body = self._body(node.at, node.body)
        self.narrowed.pop(id(symbol), None)
        if symbol.writes == writes:
            return body, True
        self.reporter.depart(node.variable.at, f"{symbol.name} is written inside its own FOR loop")
        return self._body(node.at, node.body), False


def _after(
    start: typed.Expression, end: typed.Expression, step: typed.Expression
) -> typed.Interval | None:
    """The interval of the control variable, the value that ends the loop included."""
    a, b, c = interval_of(start), interval_of(end), interval_of(step)
    if a is None or b is None or c is None:
        return None
    return min(a[0], b[0] + min(c[0], 0)), max(a[1], b[1] + max(c[1], 0))


_ACCESSES = typed.Member | typed.Index | typed.OpenIndex | typed.Part | typed.Character


def _root(access: typed.Expression) -> typed.Variable | None:
    """The variable that an access starts from, or None for a value."""
    while isinstance(access, _ACCESSES):
        access = access.base
    return access if isinstance(access, typed.Variable) else None


def _member_type(member: typed.Member) -> Type | None:
    """The declared type of a member, subranges kept."""
    base = member.base.type
    if isinstance(base, BlockType):
        return base.block.symbols[member.key].type
    fields = getattr(base, "fields", {})
    return fields[member.key].type if member.key in fields else None


__all__ = ["VOID", "StatementChecker"]
