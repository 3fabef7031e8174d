"""The syntax tree: what a source says, before anybody asks whether it makes sense.

Every node has `at`, the token that messages point to. Type specifications, expressions
and statements follow the grammar of IEC 61131-3, annex A.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from softctl.logic.source import Source, Token

Span = tuple[int, int]
"""Offsets in the source: where a text that is kept as written starts and ends."""
NO_SPAN: Span = (0, 0)


@dataclass(slots=True)
class Node:
    at: Token


# Expressions


@dataclass(slots=True)
class Expression(Node):
    pass


@dataclass(slots=True)
class Literal(Expression):
    """`type_name` is empty for an untyped literal, whose Python type then tells its family."""

    type_name: str
    value: bool | int | float | str
    wide: bool = False


@dataclass(slots=True)
class Name(Expression):
    name: str


@dataclass(slots=True)
class EnumLiteral(Expression):
    """`Color#Red`."""

    type_name: str
    name: str


@dataclass(slots=True)
class Address(Expression):
    """`%IX0.3` used as a variable."""

    text: str


@dataclass(slots=True)
class Member(Expression):
    base: Expression
    name: str


@dataclass(slots=True)
class Bit(Expression):
    """`x.3`, or `x.%X3`, `x.%B1` of the third edition; `unit` is X, B, W, D or L."""

    base: Expression
    number: int
    unit: str = "X"


@dataclass(slots=True)
class Index(Expression):
    base: Expression
    indices: list[Expression]


@dataclass(slots=True)
class Unary(Expression):
    operator: str
    operand: Expression


@dataclass(slots=True)
class Condition(Expression):
    """What has to be a BOOL; charts are lowered to it."""

    operand: Expression


@dataclass(slots=True)
class Binary(Expression):
    operator: str
    left: Expression
    right: Expression


@dataclass(slots=True)
class Argument(Node):
    """`value`, `name := value`, `name => value` or `NOT name => value`."""

    name: str
    value: Expression | None
    is_output: bool = False
    negated: bool = False


@dataclass(slots=True)
class Call(Expression):
    callee: Expression
    arguments: list[Argument]


@dataclass(slots=True)
class ArrayInitial(Expression):
    """`[3(0), 1]`: repetitions and values; a missing value keeps the element's default."""

    items: list[tuple[Expression | None, Expression | None]]


@dataclass(slots=True)
class StructInitial(Expression):
    fields: list[Argument]


# Types


@dataclass(slots=True)
class TypeSpec(Node):
    pass


@dataclass(slots=True)
class UnknownSpec(TypeSpec):
    """A type that has already been reported, such as a pointer."""


@dataclass(slots=True)
class TypeName(TypeSpec):
    name: str


@dataclass(slots=True)
class StringSpec(TypeSpec):
    wide: bool
    length: Expression | None


@dataclass(slots=True)
class SubrangeSpec(TypeSpec):
    base: str
    low: Expression
    high: Expression


@dataclass(slots=True)
class EnumSpec(TypeSpec):
    base: str
    items: list[tuple[Token, Expression | None]]


@dataclass(slots=True)
class ArraySpec(TypeSpec):
    bounds: list[tuple[Expression, Expression] | None]
    element: TypeSpec


@dataclass(slots=True)
class StructSpec(TypeSpec):
    fields: list[Variable]


@dataclass(slots=True)
class Variable(Node):
    name: str
    spec: TypeSpec
    initial: Expression | None = None
    address: str = ""
    edge: str = ""
    pragma: str = ""
    comment: str = ""


@dataclass(slots=True)
class InstancePath(Node):
    """A line of VAR_ACCESS or VAR_CONFIG: a path through instances, and what is said of it.

    `words` are names and, behind them, indices; a single address is one word.
    """

    name: str
    words: list[Token | list[Expression]]
    address: str
    spec: TypeSpec
    initial: Expression | None = None
    writable: bool = False


@dataclass(slots=True)
class Section(Node):
    """One VAR…END_VAR; `kind` is its keyword. VAR_ACCESS and VAR_CONFIG hold paths."""

    kind: str
    variables: list[Variable]
    constant: bool = False
    retain: bool = False
    resource: str = ""
    paths: list[InstancePath] = field(default_factory=list)


@dataclass(slots=True)
class TypeDeclaration(Node):
    name: str
    spec: TypeSpec
    initial: Expression | None


# Statements


@dataclass(slots=True)
class Statement(Node):
    pass


@dataclass(slots=True)
class Assign(Statement):
    target: Expression
    value: Expression


@dataclass(slots=True)
class CallStatement(Statement):
    call: Call


@dataclass(slots=True)
class If(Statement):
    branches: list[tuple[Expression, list[Statement]]]
    otherwise: list[Statement]


@dataclass(slots=True)
class CaseLabel(Node):
    low: Expression
    high: Expression | None


@dataclass(slots=True)
class Case(Statement):
    selector: Expression
    arms: list[tuple[list[CaseLabel], list[Statement]]]
    otherwise: list[Statement]


@dataclass(slots=True)
class For(Statement):
    variable: Expression
    start: Expression
    end: Expression
    step: Expression | None
    body: list[Statement]


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


# Sequential function charts


@dataclass(slots=True)
class Association(Node):
    """An action block line: `Fill(L, T#5s, Done);` under a step."""

    action: str
    qualifier: str
    time: Expression | None
    indicators: list[Expression]
    time_text: str = ""
    """The time as it is written."""


@dataclass(slots=True)
class Step(Node):
    name: str
    initial: bool
    associations: list[Association]
    span: Span = NO_SPAN


@dataclass(slots=True)
class Transition(Node):
    name: str
    priority: int | None
    sources: list[Token]
    targets: list[Token]
    condition: Expression
    text: str
    span: Span = NO_SPAN
    mark: str = ""
    """A global BOOL that is set when it is cleared, for whoever counts that."""


@dataclass(slots=True)
class Action(Node):
    name: str
    body: list[Statement]
    span: Span = NO_SPAN


@dataclass(slots=True)
class Network:
    """The elements of one chart body, in file order."""

    steps: list[Step] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)


# Units


@dataclass(slots=True)
class Pou(Node):
    """A program organisation unit; `kind` is its keyword, `at` its name's token."""

    kind: str
    name: str
    result: TypeSpec | None
    sections: list[Section]
    body: list[Statement]
    network: Network | None
    source: Source
    pragma: str = ""
    span: Span = NO_SPAN


@dataclass(slots=True)
class Resource(Node):
    """`RESOURCE name ON type`; what stands in it carries its name."""

    name: str
    type_name: str


@dataclass(slots=True)
class Task(Node):
    name: str
    interval: Expression | None
    single: Expression | None
    priority: Expression | None
    resource: str = ""


@dataclass(slots=True)
class ProgramInstance(Node):
    name: str
    type_name: str
    task: str
    arguments: list[Argument]
    resource: str = ""


@dataclass(slots=True)
class Configuration(Node):
    name: str
    sections: list[Section]
    tasks: list[Task]
    programs: list[ProgramInstance]
    resources: list[Resource] = field(default_factory=list)


@dataclass(slots=True)
class Unit:
    """All that one source declares."""

    source: Source
    types: list[TypeDeclaration] = field(default_factory=list)
    globals_: list[Section] = field(default_factory=list)
    pous: list[Pou] = field(default_factory=list)
    configurations: list[Configuration] = field(default_factory=list)
