"""Sequential function charts in text (IEC 61131-3 tables 54 to 58)."""

from __future__ import annotations

from softctl.logic import tree
from softctl.logic.cursor import ParseError
from softctl.logic.parse_declarations import POU_ENDS
from softctl.logic.parse_statements import StatementParser
from softctl.logic.source import Token

CHART_STARTS = frozenset(["STEP", "INITIAL_STEP", "TRANSITION", "ACTION"])
QUALIFIERS = frozenset(["N", "R", "S", "L", "D", "P", "P0", "P1", "SD", "DS", "SL"])
TIMED = frozenset(["L", "D", "SD", "DS", "SL"])


class ChartParser(StatementParser):
    """Parses the elements of a chart."""

    def network(self) -> tree.Network:
        """Steps, transitions and actions up to the end of the unit."""
        network = tree.Network()
        while self.token.kind not in POU_ENDS and self.token.kind != "end":
            try:
                self._element(network)
            except ParseError as error:
                self.recover(error, 0)
                self.skip_to({"END_STEP", "END_TRANSITION", "END_ACTION", *CHART_STARTS, *POU_ENDS})
                if self.token.kind.startswith("END_") and self.token.kind not in POU_ENDS:
                    self.advance()
                    self.accept(";")
        return network

    def _element(self, network: tree.Network) -> None:
        kind = self.token.kind
        if kind in ("STEP", "INITIAL_STEP"):
            network.steps.append(self._step())
        elif kind == "TRANSITION":
            network.transitions.append(self._transition())
        elif kind == "ACTION":
            network.actions.append(self._action())
        elif not self.accept(";"):
            raise self.unexpected("STEP, TRANSITION, ACTION or the end of the chart")

    def _close(self, kind: str) -> None:
        self.expect(kind)
        self.accept(";")

    def _step(self) -> tree.Step:
        initial = self.advance().kind == "INITIAL_STEP"
        name = self.expect_name("a step's name")
        start = self.expect(":", ": after the step's name").end
        associations: list[tree.Association] = []
        while self.token.kind == "name":
            associations.append(self._association())
        end = self.expect("END_STEP", "an action or END_STEP").start
        self.accept(";")
        return tree.Step(name, name.text, initial, associations, (start, end))

    def _association(self) -> tree.Association:
        name = self.advance()
        qualifier, time, text = "N", None, ""
        indicators: list[tree.Expression] = []
        if self.accept("("):
            if self.token.kind != ")":
                qualifier = self._qualifier()
            if qualifier in TIMED:
                self.expect(",", f", and a time after {qualifier}")
                first = self.token
                time = self.expression()
                text = self._written(first)
            while self.accept(","):
                indicators.append(self.expression())
            self.expect(")", ", or ) in this action")
        self.end_of_statement("the action")
        return tree.Association(name, name.text, qualifier, time, indicators, text)

    def _qualifier(self) -> str:
        token = self.expect_name("a qualifier: " + ", ".join(sorted(QUALIFIERS)))
        if token.key not in QUALIFIERS:
            known = ", ".join(sorted(QUALIFIERS))
            self.reporter.error(token, f"expected a qualifier ({known}), got {token.text}")
            return "N"
        return token.key

    def _transition(self) -> tree.Transition:
        at = self.advance()
        name, priority = at, None
        if (self.token.kind == "name" and self.token.key != "FROM") or self.peek().key == "FROM":
            name = self.expect_name("the transition's name or FROM")
        if self.accept("("):
            priority = self._priority()
        if not self.word("FROM"):
            raise self.unexpected("FROM and the steps before the transition")
        sources = self._step_names()
        self.expect("TO", "TO and the steps after the transition")
        targets = self._step_names()
        if self.accept("("):
            priority = self._priority()
        if not self.accept(":="):
            if self.token.kind == ":":
                raise self.fail(
                    self.token,
                    "expected := and a condition in ST: other languages are not supported",
                )
            raise self.unexpected(":= and the condition")
        first = self.token
        condition = self.expression()
        text = self._written(first)
        span = (first.start, self.token.start)
        self.end_of_statement("the condition")
        self._close("END_TRANSITION")
        label = "" if name is at else name.text
        return tree.Transition(
            name if label else at, label, priority, sources, targets, condition, text, span
        )

    def _written(self, first: Token) -> str:
        """The source from a token to the last one that was read, in one line."""
        return " ".join(self.source.text[first.start : self.previous.end].split())

    def _priority(self) -> int:
        if not self.word("PRIORITY"):
            raise self.unexpected("PRIORITY := and a number")
        self.expect(":=", ":= after PRIORITY")
        number = self.expect("int", "a whole number")
        self.expect(")")
        return int(number.text.replace("_", ""))

    def _step_names(self) -> list[Token]:
        if not self.accept("("):
            return [self.expect_name("a step's name")]
        names = [self.expect_name("a step's name")]
        while self.accept(","):
            names.append(self.expect_name("a step's name"))
        self.expect(")", ", or ) in this list of steps")
        return names

    def _action(self) -> tree.Action:
        self.advance()
        name = self.expect_name("an action's name")
        self.expect(":", ": after the action's name")
        start = self.previous.end
        body = self.statements()
        span = (start, self.token.start)
        self._close("END_ACTION")
        return tree.Action(name, name.text, body, span)
