"""The checked program: every back end starts here and decides nothing about meaning.

Expressions carry their type, and whole-number ones the interval their value can take.
Constants are folded, implicit conversions are `Convert` nodes, names are symbols, and
`wraps` says where a value can leave its type. A back end only has to render.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from softctl.logic.source import Source, Token
from softctl.logic.types import BlockType, Type

Interval = tuple[int, int]


@dataclass(eq=False, slots=True)
class Symbol:
    """A variable.

    `storage` is "slot" (lives in the instance of its unit), "local" (lives for one
    execution), "global" or "constant"; `kind` is the section's keyword. `initial` is a
    Python value: a tuple for an array, a dict of the named members for a structure or
    block, None for the type's default.
    """

    name: str
    type: Type
    storage: str
    kind: str
    at: Token
    initial: Any = None
    writable: bool = True
    retain: bool = False
    address: str = ""
    edge: str = ""
    pragma: str = ""
    comment: str = ""
    reads: int = 0
    writes: int = 0

    @property
    def key(self) -> str:
        """The name as it is compared and stored."""
        return self.name.upper()


@dataclass(eq=False, slots=True)
class Block:
    """A checked program organisation unit."""

    kind: str
    name: str
    at: Token
    source: Source
    symbols: dict[str, Symbol]
    result: Type | None = None
    pragma: str = ""
    body: list[Statement] = field(default_factory=list)
    aliases: dict[str, Symbol] = field(default_factory=dict)
    """What the body means by a name when that is not the variable itself: edges of inputs."""

    @property
    def key(self) -> str:
        """The name as it is compared and stored."""
        return self.name.upper()

    def parameters(self, *kinds: str) -> list[Symbol]:
        """The same without hidden ones: what a call may name or give by position."""
        return [symbol for symbol in self.of_kind(*kinds) if not symbol.name.startswith("__")]

    def of_kind(self, *kinds: str) -> list[Symbol]:
        """The variables of these sections, in order of declaration."""
        return [symbol for symbol in self.symbols.values() if symbol.kind in kinds]


# Expressions


@dataclass(slots=True)
class Expression:
    at: Token
    type: Type


@dataclass(slots=True)
class Constant(Expression):
    """`parts` keeps the operation of an untyped constant until its surroundings type it."""

    value: Any
    parts: tuple[str, Constant, Constant] | None = None


@dataclass(slots=True)
class Variable(Expression):
    symbol: Symbol
    interval: Interval | None = None


@dataclass(slots=True)
class Member(Expression):
    """A field of a structure or a variable of a block instance."""

    base: Expression
    key: str


@dataclass(slots=True)
class Index(Expression):
    """An array element; `checked[i]` says that index i needs a test at run time."""

    base: Expression
    indices: list[Expression]
    bounds: tuple[Interval, ...]
    checked: list[bool]


@dataclass(slots=True)
class OpenIndex(Expression):
    """An element of an array of any bounds; each index is tested against the bounds given."""

    base: Expression
    indices: list[Expression]
    lows: list[Expression]
    highs: list[Expression]


@dataclass(slots=True)
class Part(Expression):
    """`width` bits of a bit string or integer, from bit `shift` up."""

    base: Expression
    shift: int
    width: int


@dataclass(slots=True)
class Character(Expression):
    """One character of a string of at most `limit`, counted from 1."""

    base: Expression
    index: Expression
    limit: int


@dataclass(slots=True)
class Unary(Expression):
    operator: str
    operand: Expression
    wraps: bool = False


@dataclass(slots=True)
class Binary(Expression):
    """Both operands have one type, save for durations scaled by numbers."""

    operator: str
    left: Expression
    right: Expression
    wraps: bool = False
    interval: Interval | None = None


@dataclass(slots=True)
class Convert(Expression):
    """A conversion to `type`; `mode` is "round", "truncate" or a named special rule."""

    operand: Expression
    mode: str = "round"
    wraps: bool = True


@dataclass(slots=True)
class RangeCheck(Expression):
    """A value that must lie in low..high, or the run ends in a fault."""

    operand: Expression
    low: int
    high: int


@dataclass(slots=True)
class StandardCall(Expression):
    """A standard function by name; all arguments have been converted."""

    name: str
    arguments: list[Expression]
    interval: Interval | None = None


@dataclass(slots=True)
class Guarded(Expression):
    """A call that is made if `enable` allows it; its type's default if not, or after a fault.

    `eno` becomes whether it was made without a fault; with no `eno` a fault is a fault.
    """

    call: Expression
    enable: Expression | None
    eno: Expression | None


@dataclass(slots=True)
class FunctionCall(Expression):
    """A function of the program; arguments follow its inputs and in-outs in order."""

    function: Block
    arguments: list[Expression]
    outputs: list[tuple[Symbol, Expression, bool]]


# Statements


@dataclass(slots=True)
class Statement:
    at: Token


@dataclass(slots=True)
class Assign(Statement):
    target: Expression
    value: Expression


@dataclass(slots=True)
class Evaluate(Statement):
    """A call for its effects."""

    value: Expression


@dataclass(slots=True)
class Attempt(Statement):
    """Statements, and what is done instead of going on with them after a fault in one."""

    body: list[Statement]
    failed: list[Statement]


@dataclass(slots=True)
class CallBlock(Statement):
    """Set inputs, run, fetch outputs; in-outs are shared if aggregate, else copied both ways."""

    instance: Expression
    type: BlockType
    inputs: list[tuple[Symbol, Expression]]
    in_outs: list[tuple[Symbol, Expression]]
    outputs: list[tuple[Expression, Expression]]


@dataclass(slots=True)
class If(Statement):
    branches: list[tuple[Expression, list[Statement]]]
    otherwise: list[Statement]


@dataclass(slots=True)
class Case(Statement):
    """Arms of inclusive (low, high) labels; the first that fits runs."""

    selector: Expression
    arms: list[tuple[list[tuple[Any, Any]], list[Statement]]]
    otherwise: list[Statement]


@dataclass(slots=True)
class For(Statement):
    """`simple` says that nothing in the body touches the variable, so that it can be counted."""

    variable: Expression
    start: Expression
    end: Expression
    step: Expression
    body: list[Statement]
    simple: bool
    wraps: bool


@dataclass(slots=True)
class While(Statement):
    condition: Expression
    body: list[Statement]


@dataclass(slots=True)
class Repeat(Statement):
    body: list[Statement]
    until: Expression


@dataclass(slots=True)
class Exit(Statement):
    pass


@dataclass(slots=True)
class Continue(Statement):
    pass


@dataclass(slots=True)
class Return(Statement):
    pass
