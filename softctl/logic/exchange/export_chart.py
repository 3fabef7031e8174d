"""The body of a chart as the format's elements: a graph of connected symbols.

Links run downwards: from a step to its transitions, directly or through a divergence of
selection; from several steps to one transition through a simultaneous convergence; from a
transition to its steps, through a simultaneous divergence if there are several. A link
that would run upwards, to a step that is not declared further down, ends in a jump step
instead; what else meets above a step does so in a convergence of selection.
"""

from __future__ import annotations

from xml.etree.ElementTree import Element

from softctl.errors import Problem, ProblemsError
from softctl.logic import tree
from softctl.logic.exchange.format import add, document
from softctl.logic.exchange.remarks import Remarks
from softctl.logic.exchange.st_text import expression
from softctl.logic.source import Token, suggest

_WIDTH, _HEIGHT = 160, 80


class ChartExporter:
    """Writes one network into a body, steps and transitions each in order of the text."""

    def __init__(self, network: tree.Network, body: Element, remarks: Remarks) -> None:
        self.network = network
        self.body = body
        self.texts = _texts(network, remarks)
        self._order = {step.name.upper(): n for n, step in enumerate(network.steps)}
        self._points = 0
        self._rows = 0
        self._exits: dict[str, list[str]] = {}
        self._arrivals: dict[str, list[str]] = {key: [] for key in self._order}
        self._source = remarks.source

    def write(self) -> None:
        """All symbols of the chart."""
        self._check()
        transitions = [
            (transition, self._point(), self._arrive(transition))
            for transition in self.network.transitions
        ]
        for step in self.network.steps:
            self._step(step)
        for transition, behind, arrivals in transitions:
            self._transition(transition, behind, arrivals)

    def _check(self) -> None:
        if len(self._order) < len(self.network.steps):
            raise self._error(self.network.steps[0].at, "expected steps of different names", "")
        for transition in self.network.transitions:
            for token in (*transition.sources, *transition.targets):
                if token.key not in self._order:
                    names = [step.name for step in self.network.steps]
                    hint = suggest(token.text, names)
                    raise self._error(token, f"expected a step, got {token.text}", hint)

    def _error(self, at: Token, message: str, hint: str) -> ProblemsError:
        excerpt = self._source.excerpt(at.line)
        return ProblemsError([Problem(message, at.place, excerpt=excerpt, hint=hint)])

    # Points where links leave a symbol

    def _point(self) -> str:
        self._points += 1
        return str(self._points)

    def _arrive(self, transition: tree.Transition) -> list[str]:
        """The points of a simultaneous divergence; which step each leads to, and how."""
        several = len(transition.targets) > 1
        return [self._point() for _ in transition.targets] if several else []

    # Symbols

    def _symbol(self, kind: str, column: int = 0, **attributes: str) -> Element:
        made = add(self.body, "SfcObject", kind, **attributes)
        document(made, "")
        self._rows += column == 0
        self._position = (str(column * _WIDTH), str(self._rows * _HEIGHT))
        return made

    def _place(self, symbol: Element) -> None:
        x, y = self._position
        add(symbol, "RelPosition", x=x, y=y)
