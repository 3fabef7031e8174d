"""Marks in a program that tell what of it has run.

Before a program is checked, a statement that sets a BOOL of its own is put at the start of
every action and branch, and every transition gets one for when it is cleared. The program
does what it did before; an IF without ELSE and a CASE without one get a branch that only
marks. What is marked keeps its place in the source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from softctl.errors import Place
from softctl.logic import Global, tree
from softctl.logic.exchange.st_text import expression
from softctl.logic.source import Token
from softctl.trial.trees import first_token

_PREFIX = "__SEEN_"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that can run: `kind` is transition, action or branch; `name` its BOOL."""

    kind: str
    text: str
    place: Place
    name: str


@dataclass(frozen=True, slots=True)
class Gate:
    """Terms that are joined by AND in a program, each able to refuse by itself.

    `steps` have to be active for a refusal to count; empty for a plain statement.
    """

    program: str
    text: str
    place: Place
    steps: tuple[str, ...]
    terms: tuple[tuple[str, Place], ...]


class Marker:
    """Puts marks into syntax trees; used as `revise` of a compilation."""

    def __init__(self) -> None:
        self.marks: list[Mark] = []
        self.gates: list[Gate] = []

    def __call__(self, units: Sequence[tree.Unit]) -> Iterator[Global]:
        for unit in units:
            for pou in unit.pous:
                self._unit(pou)
        return (Global(mark.name, "BOOL", writable=True) for mark in self.marks)

    def _unit(self, pou: tree.Pou) -> None:
        if pou.network is None:
            self._statements(pou.body, pou)
            return
        for transition in pou.network.transitions:
            transition.mark = self._mark("transition", _shown(transition), transition.at)
            steps = tuple(token.text for token in transition.sources)
            self._gate(pou, transition.condition, _shown(transition), steps)
        for action in pou.network.actions:
            self._body(action.body, "action", f"{pou.name}.{action.name}", action, pou)

    def _statements(self, body: list[tree.Statement], pou: tree.Pou) -> None:
        for statement in body:
            self._statement(statement, pou)

    def _statement(self, statement: tree.Statement, pou: tree.Pou) -> None:
        if isinstance(statement, tree.If):
            for condition, inner in statement.branches:
                self._body(inner, "branch", f"IF {expression(condition)}", condition, pou)
            self._body(statement.otherwise, "branch", "ELSE of IF", statement, pou)
        elif isinstance(statement, tree.Case):
            selector = expression(statement.selector)
            for labels, inner in statement.arms:
                text = f"CASE {selector} OF {', '.join(map(_label, labels))}"
                self._body(inner, "branch", text, labels[0], pou)
            self._body(statement.otherwise, "branch", f"ELSE of CASE {selector}", statement, pou)
        elif isinstance(statement, tree.For):
            self._body(statement.body, "branch", "FOR, its body", statement, pou)
        elif isinstance(statement, tree.While):
            text = f"WHILE {expression(statement.condition)}"
            self._body(statement.body, "branch", text, statement, pou)
        elif isinstance(statement, tree.Repeat):
            self._statements(statement.body, pou)
        elif isinstance(statement, tree.Assign):
            target = expression(statement.target)
            self._gate(pou, statement.value, f"{target} := {expression(statement.value)}", ())

    def _body(
        self, body: list[tree.Statement], kind: str, text: str, node: tree.Node, pou: tree.Pou
    ) -> None:
        self._statements(body, pou)
        at = first_token(node)
        name = self._mark(kind, text, at)
        body.insert(0, tree.Assign(at, tree.Name(at, name), tree.Literal(at, "BOOL", True)))

    def _mark(self, kind: str, text: str, at: Token) -> str:
        name = f"{_PREFIX}{len(self.marks)}"
        self.marks.append(Mark(kind, text, at.place, name))
        return name

    def _gate(
        self, pou: tree.Pou, node: tree.Expression, text: str, steps: tuple[str, ...]
    ) -> None:
        """Only in programs, whose variables have a path, and only for what is BOOL by its form."""
        terms = list(_terms(node))
        if pou.kind == "PROGRAM" and (len(terms) > 1 or steps):
            shown = tuple((expression(term), first_token(term).place) for term in terms)
            self.gates.append(Gate(pou.name, text, first_token(node).place, steps, shown))


def _terms(node: tree.Expression) -> Iterator[tree.Expression]:
    """What an AND joins, from the left; a negated OR joins what it negates."""
    if isinstance(node, tree.Binary) and node.operator == "AND":
        yield from _terms(node.left)
        yield from _terms(node.right)
    elif (
        isinstance(node, tree.Unary)
        and node.operator == "NOT"
        and isinstance(node.operand, tree.Binary)
        and node.operand.operator == "OR"
    ):
        for part in (node.operand.left, node.operand.right):
            yield from _terms(tree.Unary(first_token(part), "NOT", part))
    else:
        yield node


def _label(label: tree.CaseLabel) -> str:
    low = expression(label.low)
    return low if label.high is None else f"{low}..{expression(label.high)}"


def _shown(transition: tree.Transition) -> str:
    sources, targets = (
        ", ".join(token.text for token in tokens)
        for tokens in (transition.sources, transition.targets)
    )
    return f"{sources} → {targets}: {' '.join(transition.text.split())}"
