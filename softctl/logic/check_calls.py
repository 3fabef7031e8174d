"""Calls of functions: arguments find their parameters."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.check_standard_calls import StandardCallChecker
from softctl.logic.convert import article
from softctl.logic.images import parse_address
from softctl.logic.source import Token, counted, suggest
from softctl.logic.standard import is_standard
from softctl.logic.types import (
    BOOL,
    ERROR,
    VOID,
    BlockType,
    OpenArrayType,
    Type,
    base_type,
    bound_key,
    limits,
)
from softctl.logic.world import NOW


class CallChecker(StandardCallChecker):
    """Checks calls; the expression checker completes it."""

    def find_symbol(self, key: str) -> typed.Symbol | None:
        """The variable of that name: the unit's own first, then a global one."""
        if self.block is not None:
            symbol = self.block.aliases.get(key) or self.block.symbols.get(key)
            if symbol is not None:
                return symbol
        return self.world.find_global(key)

    def find_address(self, text: str, at: Token) -> typed.Symbol | None:
        """The variable declared AT an address, or what is there anyway."""
        key = text.upper()
        own = list(self.block.symbols.values()) if self.block is not None else []
        for symbol in (*own, *self.world.globals_.values()):
            if symbol.address.upper() == key:
                return symbol
        address = parse_address(text)
        return None if address is None else self.world.image.symbol(address, address.type, at)

    def known_names(self) -> list[str]:
        """The names that may stand in an expression, for suggestions."""
        own = [s.name for s in self.block.symbols.values()] if self.block is not None else []
        shared = [s.name for s in self.world.globals_.values() if s.key != NOW]
        labels = [e.labels[e.values[key]] for key, es in self.world.enum_values.items() for e in es]
        return own + shared + labels

    # Calls

    def call(self, node: tree.Call, want: Type | None) -> typed.Expression:
        """A function call in an expression."""
        callee = node.callee
        if not isinstance(callee, tree.Name):
            return self.fail(node.at, "expected a function's name before (")
        enabled = self.enabled_call(node)
        if enabled is not None:
            return self._guarded_call(*enabled, want)
        symbol = self.find_symbol(callee.name.upper())
        if symbol is not None and symbol.kind != "RESULT":
            if isinstance(symbol.type, BlockType):
                return self.fail(
                    node.at,
                    f"{callee.name} is a function block: call it as a statement,"
                    f" then use its outputs, such as {callee.name}.{_an_output(symbol.type)}",
                )
            if not is_standard(callee.name):
                return self.fail(
                    node.at, f"expected a function before (, got the variable {callee.name}"
                )
            self.reporter.depart(
                node.at, f"a variable with the name of the function {callee.name}: write another"
            )
        block = self.world.find_block(callee.name)
        if block is not None:
            return self._user_call(node, callee.name, block)
        return self.standard_call(node, callee.name.upper(), want)

    def enabled_call(
        self, node: tree.Expression
    ) -> tuple[tree.Call, tree.Argument | None, tree.Argument | None] | None:
        """A function's call without its EN and ENO, and those two; None if it has neither."""
        if not isinstance(node, tree.Call) or not isinstance(node.callee, tree.Name):
            return None
        block = self.world.find_block(node.callee.name)
        own = block.symbols if block is not None else {}
        given = {a.name.upper(): a for a in node.arguments if a.value is not None}
        enable, eno = (given.get(k) if k not in own else None for k in ("EN", "ENO"))
        if enable is None and eno is None:
            return None
        if enable is not None and enable.is_output:
            self.reporter.error(enable.at, "expected EN := and a condition, got EN =>")
        if eno is not None and not eno.is_output:
            self.reporter.error(eno.at, "expected ENO => and a variable, got ENO :=")
        others = [a for a in node.arguments if a is not enable and a is not eno]
        return tree.Call(node.at, node.callee, others), enable, eno

    def enable_output(self, eno: tree.Argument | None) -> typed.Expression | None:
        """The variable that ENO goes to, or None."""
        if eno is None or eno.value is None:
            return None
        target = self.reference(eno.value)
        if target is not None and target.type != BOOL:
            self.reporter.error(
                eno.value.at, f"expected a BOOL variable, got {article(target.type)}"
            )
            return None
        return target

    def _guarded_call(
        self,
        node: tree.Call,
        enable: tree.Argument | None,
        eno: tree.Argument | None,
        want: Type | None,
    ) -> typed.Expression:
        """A call with EN or ENO inside of an expression: its value is needed in any case."""
        value = self.settle(self.call(node, want), want)
        given = enable.value if enable is not None else None
        condition = None if given is None else self.condition(given)
        target = self.enable_output(eno)
        if value.type is ERROR or (isinstance(value, typed.FunctionCall) and value.outputs):
            at = eno or enable
            assert at is not None
            return self.fail(
                at.at,
                "expected EN and ENO of a function with outputs on a call that stands alone"
                " or is all that is assigned",
            )
        return typed.Guarded(node.at, value.type, value, condition, target)

    # Functions of the program

    def _user_call(self, node: tree.Call, name: str, block: typed.Block) -> typed.Expression:
        if block.kind != "FUNCTION":
            return self.fail(
                node.at, f"{name} is a {block.kind}: declare a variable of it and call that"
            )
        if block is self.block:
            self.reporter.depart(node.at, f"{name} calls itself: write a loop")
        inputs = block.parameters("VAR_INPUT", "VAR_IN_OUT")
        outputs = {symbol.key: symbol for symbol in block.of_kind("VAR_OUTPUT")}
        given: dict[str, typed.Expression] = {}
        fetched: list[tuple[typed.Symbol, typed.Expression, bool]] = []
        for position, argument in enumerate(node.arguments):
            key = argument.name.upper()
            if argument.is_output or key in outputs:
                target = self._output_target(argument, outputs, name)
                if target is not None:
                    fetched.append(target)
                continue
            symbol = self._parameter(argument, position, inputs, name)
            if symbol is None:
                return typed.Constant(node.at, ERROR, 0)
            value = self.argument_value(argument, symbol)
            if value is None and argument.value is not None:
                given[symbol.key] = typed.Constant(argument.at, ERROR, 0)
            elif value is not None:
                given[symbol.key] = value
                given.update(self.bounds_given(symbol, value))
        wanted = block.of_kind("VAR_INPUT", "VAR_IN_OUT")
        arguments = [self._given_or_default(node, symbol, given) for symbol in wanted]
        result = VOID if block.result is None else base_type(block.result)
        return typed.FunctionCall(node.at, result, block, arguments, fetched)

    def _parameter(
        self,
        argument: tree.Argument,
        position: int,
        inputs: list[typed.Symbol],
        name: str,
    ) -> typed.Symbol | None:
        if not argument.name:
            if position < len(inputs):
                return inputs[position]
            self.fail(
                argument.at,
                f"expected at most {counted(len(inputs), 'argument')} of {name}, got more",
            )
            return None
        for symbol in inputs:
            if symbol.key == argument.name.upper():
                return symbol
        names = [symbol.name for symbol in inputs]
        self.fail(
            argument.at,
            f"expected an input of {name}, got {argument.name}",
            suggest(argument.name, names),
        )
        return None

    def argument_value(
        self, argument: tree.Argument, symbol: typed.Symbol
    ) -> typed.Expression | None:
        """The value for an input, or the variable for an in-out."""
        if argument.value is None:
            return None
        if symbol.kind != "VAR_IN_OUT":
            value = self.expression(argument.value, symbol.type)
            return self.coerce(value, symbol.type, argument.value.at)
        target = self.reference(argument.value)
        if target is None or target.type is ERROR:
            return None
        if not _is_same(target.type, symbol.type):
            self.fail(
                argument.at,
                f"expected a variable of type {symbol.type} for {symbol.name}, got {target.type}",
            )
            return None
        return target

    def bounds_given(
        self, symbol: typed.Symbol, array: typed.Expression
    ) -> dict[str, typed.Expression]:
        """The hidden arguments that tell a parameter of any bounds those of its array."""
        if not isinstance(symbol.type, OpenArrayType) or array.type is ERROR:
            return {}
        made: dict[str, typed.Expression] = {}
        for dimension in range(1, symbol.type.dimensions + 1):
            for which in ("LOW", "HIGH"):
                key = bound_key(symbol.key, which, dimension)
                made[key] = self.bound(array.at, array, which, dimension)
        return made

    def _output_target(
        self, argument: tree.Argument, outputs: dict[str, typed.Symbol], name: str
    ) -> tuple[typed.Symbol, typed.Expression, bool] | None:
        symbol = outputs.get(argument.name.upper())
        if symbol is None:
            hint = suggest(argument.name, [s.name for s in outputs.values()])
            self.fail(argument.at, f"expected an output of {name}, got {argument.name}", hint)
            return None
        target = self.reference(argument.value) if argument.value is not None else None
        if target is None:
            return None
        given = typed.Variable(argument.at, base_type(symbol.type), symbol, limits(symbol.type))
        fitted = self.coerce(given, target.type, argument.at)
        if fitted.type is ERROR:
            return None
        return symbol, target, argument.negated

    def _given_or_default(
        self, node: tree.Call, symbol: typed.Symbol, given: dict[str, typed.Expression]
    ) -> typed.Expression:
        value = given.get(symbol.key)
        if value is not None:
            return value
        if symbol.kind == "VAR_IN_OUT":
            return self.fail(node.at, f"expected a variable for the in-out {symbol.name}")
        if isinstance(symbol.type, OpenArrayType):
            return self.fail(node.at, f"expected an array for {symbol.name}")
        return typed.Constant(node.at, symbol.type, symbol.initial)


def _is_same(given: Type, wanted: Type) -> bool:
    """True if a variable of the one type can stand for an in-out of the other."""
    if isinstance(wanted, OpenArrayType):
        return wanted.takes(given)
    if isinstance(given, BlockType) and isinstance(wanted, BlockType):
        return given.block is wanted.block
    return given == wanted


def _an_output(type_: BlockType) -> str:
    outputs = type_.block.of_kind("VAR_OUTPUT")
    return outputs[0].name if outputs else "Q"
