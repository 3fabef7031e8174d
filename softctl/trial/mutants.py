"""Programs with one thing changed, to ask the trials whether they would notice.

`Mutator` walks the syntax trees in one fixed order and meets every place that could be
changed; the one whose number it was given, it changes. So the same number is the same mutant
in every compilation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from softctl.errors import Place
from softctl.logic import Global, tree
from softctl.logic.exchange.st_text import expression
from softctl.logic.source import Token
from softctl.trial.trees import first_token

SWAPS = {
    "AND": "OR",
    "OR": "AND",
    "XOR": "OR",
    "<": "<=",
    "<=": "<",
    ">": ">=",
    ">=": ">",
    "=": "<>",
    "<>": "=",
    "+": "-",
    "-": "+",
    "*": "/",
}
FACTORS = (0, 10)
_DURATIONS = ("TIME", "LTIME")
_NAMES = {"TIME": "T", "LTIME": "LT"}

Put = Callable[[Any], None]


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: its number, its kind, and what becomes what where."""

    number: int
    kind: str
    text: str
    place: Place


class Mutator:
    """Finds every mutant, and makes one of them; used as `revise` of a compilation."""

    def __init__(self, wanted: int = -1) -> None:
        self.wanted = wanted
        self.mutants: list[Mutant] = []

    def __call__(self, units: Sequence[tree.Unit]) -> Iterable[Global]:
        for unit in units:
            for pou in unit.pous:
                self._unit(pou)
        return ()

    def _offer(self, kind: str, at: Token, text: str, change: Callable[[], None]) -> None:
        number = len(self.mutants)
        self.mutants.append(Mutant(number, kind, " ".join(text.split()), at.place))
        if number == self.wanted:
            change()

    def _unit(self, pou: tree.Pou) -> None:
        for section in pou.sections:
            for variable in section.variables:
                if variable.initial is not None:
                    self._times(variable.initial, _setter(variable, "initial"))
        if pou.network is None:
            self._statements(pou.body)
        else:
            self._network(pou.network)

    # Charts

    def _network(self, network: tree.Network) -> None:
        for step in network.steps:
            for association in list(step.associations):
                self._association(step, association)
        for transition in list(network.transitions):
            self._offer(
                "transition removed",
                transition.at,
                f"{_ends(transition)} is gone",
                partial(network.transitions.remove, transition),
            )
            self._condition(transition.condition, _setter(transition, "condition"))
        for action in network.actions:
            self._statements(action.body)

    def _association(self, step: tree.Step, association: tree.Association) -> None:
        text = f"{step.name}: {association.action}({association.qualifier}) is gone"
        self._offer(
            "action removed",
            association.at,
            text,
            partial(step.associations.remove, association),
        )
        if association.time is not None:
            self._times(association.time, _setter(association, "time"))

    # Statements

    def _statements(self, body: list[tree.Statement]) -> None:
        for statement in body:
            self._statement(statement)

    def _statement(self, node: tree.Statement) -> None:
        if isinstance(node, tree.Assign):
            self._value(node.value, _setter(node, "value"))
        elif isinstance(node, tree.If):
            for number, (condition, inner) in enumerate(node.branches):
                self._condition(condition, _branch_setter(node, number))
                self._statements(inner)
            self._statements(node.otherwise)
        elif isinstance(node, tree.Case):
            for _, inner in node.arms:
                self._statements(inner)
            self._statements(node.otherwise)
        elif isinstance(node, tree.For):
            self._statements(node.body)
        elif isinstance(node, tree.While):
            self._condition(node.condition, _setter(node, "condition"))
            self._statements(node.body)
        elif isinstance(node, tree.Repeat):
            self._statements(node.body)
            self._condition(node.until, _setter(node, "until"))
        elif isinstance(node, tree.CallStatement):
            self._arguments(node.call)

    def _arguments(self, call: tree.Call) -> None:
        for argument in call.arguments:
            if argument.value is not None and not argument.is_output:
                self._value(argument.value, _setter(argument, "value"))

    # Expressions

    def _condition(self, node: tree.Expression, put: Put) -> None:
        at = first_token(node)
        text = f"{expression(node)} becomes NOT ({expression(node)})"
        self._offer("condition negated", at, text, partial(put, tree.Unary(at, "NOT", node)))
        self._value(node, put)

    def _value(self, node: tree.Expression, put: Put) -> None:
        if isinstance(node, tree.Binary):
            self._binary(node, put)
        elif isinstance(node, tree.Unary):
            self._value(node.operand, _setter(node, "operand"))
        elif isinstance(node, tree.Call):
            self._arguments(node)
        else:
            self._times(node, put)

    def _binary(self, node: tree.Binary, put: Put) -> None:
        other = SWAPS.get(node.operator)
        if other is not None:
            swapped = replace(node, operator=other)
            text = f"{expression(node)} becomes {expression(swapped)}"
            self._offer("operator swapped", first_token(node), text, partial(put, swapped))
        if node.operator == "AND":
            self._dropped(node, node.left, node.right, put)
            self._dropped(node, node.right, node.left, put)
        self._value(node.left, _setter(node, "left"))
        self._value(node.right, _setter(node, "right"))

    def _dropped(
        self, whole: tree.Binary, gone: tree.Expression, kept: tree.Expression, put: Put
    ) -> None:
        """One side of an AND; a chain of them is left to the ANDs inside it."""
        if isinstance(gone, tree.Binary) and gone.operator == "AND":
            return
        text = f"{expression(whole)} loses {expression(gone)}"
        self._offer("interlock dropped", first_token(gone), text, partial(put, kept))

    def _times(self, node: tree.Expression, put: Put) -> None:
        if not isinstance(node, tree.Literal) or node.type_name not in _DURATIONS or not node.value:
            return
        for factor in FACTORS:
            self._offer(
                "time changed",
                node.at,
                f"{expression(node)} becomes {factor} times as long",
                partial(put, _scaled(node, factor)),
            )


def _scaled(node: tree.Literal, factor: int) -> tree.Literal:
    """A time as long as another so many times."""
    value = int(node.value) * factor
    at = node.at
    text = f"{_NAMES[node.type_name]}#{value}ns"
    return tree.Literal(
        Token("typed", text, at.start, at.line, at.column, at.source), node.type_name, value
    )


def _setter(owner: Any, name: str) -> Put:
    return lambda value: setattr(owner, name, value)


def _branch_setter(node: tree.If, number: int) -> Put:
    def put(value: tree.Expression) -> None:
        node.branches[number] = (value, node.branches[number][1])

    return put


def _ends(transition: tree.Transition) -> str:
    sources = ", ".join(token.text for token in transition.sources)
    targets = ", ".join(token.text for token in transition.targets)
    return f"{sources} → {targets}"
