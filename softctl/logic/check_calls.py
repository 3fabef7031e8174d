"""Calls of functions: arguments find their parameters, overloads their types."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.check_conversions import ConversionChecker
from softctl.logic.conversions import conversion_name
from softctl.logic.images import parse_address
from softctl.logic.source import Token, suggest
from softctl.logic.standard import (
    OPERATORS,
    SIGNATURES,
    TIMED,
    Signature,
    belongs,
    elementary,
    is_standard,
    split_typed_name,
)
from softctl.logic.types import (
    BOOL,
    ERROR,
    INT,
    LREAL,
    MAX_STRING_LENGTH,
    REAL,
    UNTYPED_REAL,
    VOID,
    BlockType,
    StringType,
    Type,
    base_type,
    common_type,
    is_aggregate,
    is_integer,
    is_real,
    is_untyped,
    limits,
    widens,
)
from softctl.logic.world import NOW
from softctl.values.types import ElementaryType

_OF_ADDRESSES = frozenset(("ADR", "ADRINST", "REF", "SIZEOF", "__NEW", "__DELETE"))
_REPEATING = frozenset(("+", "*", "AND", "OR", "XOR", "=", "<", ">", "<=", ">="))


class CallChecker(ConversionChecker):
    """Checks calls; the expression checker completes it."""

    def find_symbol(self, key: str) -> typed.Symbol | None:
        """The variable of that name: the unit's own first, then a global one."""
        if self.block is not None:
            symbol = self.block.aliases.get(key) or self.block.symbols.get(key)
            if symbol is not None:
                return symbol
        return self.world.globals_.get(key)

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
        return self._standard_call(node, callee.name.upper(), want)

    def _standard_call(self, node: tree.Call, name: str, want: Type | None) -> typed.Expression:
        forced: Type | None = None
        split = split_typed_name(name)
        if name not in SIGNATURES and name not in TIMED and split is not None:
            name, forced = split[0], _as_type(split[1])
        for argument in node.arguments:
            if argument.name.upper() in ("EN", "ENO"):
                return self._misplaced_enable(argument)
        if name in TIMED:
            return self._timed_call(node, name)
        if name in OPERATORS or name == "NOT":
            return self._operator_call(node, name, node.arguments, forced, want)
        if name in SIGNATURES:
            return self._signature_call(node, SIGNATURES[name], node.arguments, forced, want)
        if conversion_name(name) is None:
            return self._unknown(node, name)
        values = self._values(node.arguments, None)
        if values is None or len(values) != 1:
            return self.fail(node.at, f"expected 1 argument of {name}, got {len(node.arguments)}")
        return self.conversion_call(node.at, name, values[0], want)

    def _misplaced_enable(self, argument: tree.Argument) -> typed.Expression:
        return self.fail(
            argument.at,
            f"expected {argument.name.upper()} on a call that stands alone or is all that is"
            " assigned, got it inside of an expression",
        )

    def _timed_call(self, node: tree.Call, name: str) -> typed.Expression:
        """ADD_TIME and the like: an operator with both its types fixed."""
        operator, *names = TIMED[name]
        values = self._values(node.arguments, None)
        if values is None or len(values) != 2:
            return self.fail(node.at, f"expected 2 arguments of {name}, got {len(node.arguments)}")
        for position, type_name in enumerate(names):
            type_ = elementary(type_name)
            if type_ is not None and values[position].type is not ERROR:
                values[position] = self.coerce(values[position], type_)
        return self.binary(node.at, operator, values[0], values[1])

    def _unknown(self, node: tree.Call, name: str) -> typed.Expression:
        names = [*SIGNATURES, *OPERATORS, *self.world.block_names]
        callee = node.callee
        shown = callee.name if isinstance(callee, tree.Name) else name
        if name in _OF_ADDRESSES:
            return self.fail(
                node.at,
                f"pointers and references are not supported: expected a function, got {shown}",
            )
        return self.fail(node.at, f"expected a function, got {shown}", suggest(shown, names))

    def _values(
        self, arguments: list[tree.Argument], want: Type | None
    ) -> list[typed.Expression] | None:
        values = []
        for argument in arguments:
            if argument.is_output or argument.value is None:
                self.fail(argument.at, "expected an input value here")
                return None
            values.append(self.expression(argument.value, want))
        return values

    def _operator_call(
        self,
        node: tree.Call,
        name: str,
        arguments: list[tree.Argument],
        forced: Type | None,
        want: Type | None,
    ) -> typed.Expression:
        values = self._values(arguments, forced or want)
        if values is None:
            return typed.Constant(node.at, ERROR, 0)
        if forced is not None:
            count = 1 if name == "EXPT" else len(values)
            values[:count] = [self._forced(value, forced) for value in values[:count]]
        if name == "NOT":
            if len(values) != 1:
                return self.fail(node.at, f"expected 1 argument of NOT, got {len(values)}")
            return self.unary(node.at, "NOT", values[0])
        operator = OPERATORS[name]
        if len(values) < 2 or (len(values) > 2 and operator not in _REPEATING):
            return self.fail(node.at, f"expected 2 arguments of {name}, got {len(values)}")
        if operator in ("=", "<", ">", "<=", ">="):
            return self._comparison_chain(node.at, operator, arguments, values)
        result = values[0]
        for value in values[1:]:
            result = self.binary(node.at, operator, result, value)
        return result

    def _forced(self, value: typed.Expression, type_: Type) -> typed.Expression:
        """An argument of a typed function; strings keep their length."""
        if isinstance(type_, StringType) and isinstance(value.type, StringType):
            return value
        return self.coerce(value, type_)

    def _comparison_chain(
        self,
        at: Token,
        operator: str,
        arguments: list[tree.Argument],
        values: list[typed.Expression],
    ) -> typed.Expression:
        result = self.binary(at, operator, values[0], values[1])
        for position in range(2, len(values)):
            previous = arguments[position - 1].value
            assert previous is not None
            link = self.binary(at, operator, self.expression(previous), values[position])
            result = self.binary(at, "AND", result, link)
        return result

    # Overloaded standard functions

    def _signature_call(
        self,
        node: tree.Call,
        signature: Signature,
        arguments: list[tree.Argument],
        forced: Type | None,
        want: Type | None,
    ) -> typed.Expression:
        placed = self._place(node, signature, arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        values = [self.expression(value, forced or want) for value in placed]
        if any(value.type is ERROR for value in values):
            return typed.Constant(node.at, ERROR, 0)
        bound = self._bind(node, signature, values, forced, want)
        if bound is None:
            return typed.Constant(node.at, ERROR, 0)
        for position, value in enumerate(values):
            parameter = signature.parameter(position)
            assert parameter is not None
            if parameter.variable:
                values[position] = self.coerce(value, bound[parameter.variable])
            elif parameter.generic == "ANY_INT":
                values[position] = self.settle(value)
            else:
                named = elementary(parameter.generic)
                assert named is not None
                values[position] = self.coerce(value, named)
        result = bound.get(signature.result) or elementary(signature.result)
        assert result is not None
        return _sized(typed.StandardCall(node.at, result, signature.name, values))

    def _place(
        self, node: tree.Call, signature: Signature, arguments: list[tree.Argument]
    ) -> list[tree.Expression] | None:
        slots: dict[int, tree.Expression] = {}
        for position, argument in enumerate(arguments):
            index: int | None = position
            if argument.name:
                index = signature.position(argument.name)
            if index is None or signature.parameter(index) is None or argument.value is None:
                got = argument.name or f"argument {position + 1}"
                names = ", ".join(parameter.name for parameter in signature.parameters)
                self.fail(argument.at, f"expected {names} of {signature.name}, got {got}")
                return None
            slots[index] = argument.value
        count = max(len(signature.parameters), len(slots))
        if sorted(slots) != list(range(count)):
            more = " or more" if signature.repeats else ""
            self.fail(
                node.at,
                f"expected {len(signature.parameters)}{more} arguments of {signature.name},"
                f" got {len(slots)}",
            )
            return None
        return [slots[index] for index in range(count)]

    def _bind(
        self,
        node: tree.Call,
        signature: Signature,
        values: list[typed.Expression],
        forced: Type | None,
        want: Type | None,
    ) -> dict[str, Type] | None:
        bound: dict[str, Type] = {}
        families: dict[str, str] = {}
        for position, value in enumerate(values):
            parameter = signature.parameter(position)
            assert parameter is not None
            if not parameter.variable:
                if not belongs(value.type, parameter.generic) and not (
                    is_untyped(value.type) or widens(value.type, BOOL)
                ):
                    self._bad_argument(signature, parameter.name, parameter.generic, value)
                    return None
                continue
            letter = parameter.variable
            families[letter] = parameter.generic
            known = bound.get(letter)
            merged = value.type if known is None else _merge(known, value.type)
            if merged is None:
                self.fail(
                    value.at,
                    f"expected arguments of one type in {signature.name},"
                    f" got {known} and {value.type}",
                )
                return None
            bound[letter] = merged
        for letter, family in families.items():
            type_ = _default_for(bound[letter], family, forced, want)
            if type_ is None or not belongs(type_, family):
                self._bad_argument(signature, signature.parameters[0].name, family, values[0])
                return None
            bound[letter] = type_
        return bound

    def _bad_argument(
        self, signature: Signature, parameter: str, family: str, value: typed.Expression
    ) -> None:
        self.fail(
            value.at,
            f"expected {family} as {parameter} of {signature.name}, got {value.type}",
        )

    # Functions of the program

    def _user_call(self, node: tree.Call, name: str, block: typed.Block) -> typed.Expression:
        if block.kind != "FUNCTION":
            return self.fail(
                node.at, f"{name} is a {block.kind}: declare a variable of it and call that"
            )
        inputs = block.of_kind("VAR_INPUT", "VAR_IN_OUT")
        outputs = {symbol.key: symbol for symbol in block.of_kind("VAR_OUTPUT")}
        given: dict[str, typed.Expression] = {}
        fetched: list[tuple[typed.Symbol, typed.Expression, bool]] = []
        for position, argument in enumerate(node.arguments):
            key = argument.name.upper()
            if key in ("EN", "ENO") and key not in block.symbols:
                return self._misplaced_enable(argument)
            if argument.is_output or key in outputs:
                target = self._output_target(argument, outputs, name)
                if target is not None:
                    fetched.append(target)
                continue
            symbol = self._parameter(argument, position, inputs, name)
            if symbol is None:
                return typed.Constant(node.at, ERROR, 0)
            value = self.argument_value(argument, symbol)
            if value is not None:
                given[symbol.key] = value
        arguments = [self._given_or_default(node, symbol, given) for symbol in inputs]
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
            self.fail(argument.at, f"expected at most {len(inputs)} arguments of {name}, got more")
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
        if target.type != symbol.type and not (
            isinstance(target.type, BlockType)
            and isinstance(symbol.type, BlockType)
            and target.type.block is symbol.type.block
        ):
            self.fail(
                argument.at,
                f"expected a variable of type {symbol.type} for {symbol.name}, got {target.type}",
            )
            return None
        return target

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
        return typed.Constant(node.at, symbol.type, symbol.initial)


def _as_type(type_: ElementaryType) -> Type:
    if type_.name in ("STRING", "WSTRING"):
        return StringType(type_.name == "WSTRING")
    return type_


def _sized(node: typed.StandardCall) -> typed.StandardCall:
    """How long the text of a result can be, and how large a length or position."""
    lengths = [a.type.length for a in node.arguments if isinstance(a.type, StringType)]
    if node.name in ("LEN", "FIND"):
        node.interval = (0, min(lengths[0], INT.high))
    elif isinstance(node.type, StringType) and node.name in ("CONCAT", "INSERT", "REPLACE"):
        node.type = StringType(node.type.wide, min(sum(lengths), MAX_STRING_LENGTH))
    return node


def _an_output(type_: BlockType) -> str:
    outputs = type_.block.of_kind("VAR_OUTPUT")
    return outputs[0].name if outputs else "Q"


def _merge(known: Type, other: Type) -> Type | None:
    if known == other:
        return known
    if isinstance(known, StringType) and isinstance(other, StringType):
        return known if known.length >= other.length else other
    return common_type(known, other)


def _default_for(type_: Type, family: str, forced: Type | None, want: Type | None) -> Type | None:
    if forced is not None:
        return forced
    if family == "ANY_REAL" and not is_real(type_):
        if is_untyped(type_):
            return want if want in (REAL, LREAL) else LREAL
        return common_type(type_, UNTYPED_REAL)
    if not is_untyped(type_):
        return type_
    if type_ is UNTYPED_REAL:
        return want if want in (REAL, LREAL) else LREAL
    if is_integer(type_):
        fits = want is not None and not is_aggregate(want) and isinstance(want, ElementaryType)
        if fits and (belongs(want, family) if want is not None else False):
            return want
        return elementary("LWORD" if family == "ANY_BIT" else "DINT")
    return StringType()
