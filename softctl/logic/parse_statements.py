"""Statements (IEC 61131-3 table 72)."""

from __future__ import annotations

from collections.abc import Callable

from softctl.logic import tree
from softctl.logic.cursor import OBJECT_WORDS, ParseError
from softctl.logic.parse_declarations import POU_ENDS, SECTION_KINDS, DeclarationParser

_CHART_WORDS = frozenset(
    ["STEP", "INITIAL_STEP", "TRANSITION", "ACTION", "END_STEP", "END_TRANSITION", "END_ACTION"]
)
ENDS = frozenset(
    ["ELSE", "ELSIF", "END_IF", "END_CASE", "END_FOR", "END_WHILE", "END_REPEAT", "UNTIL", "end"]
)
_LABEL_STARTS = frozenset(
    ["int", "based", "typed", "string", "wstring", "-", "+", "(", "TRUE", "FALSE"]
)
_IN_LABELS = frozenset(["name", "int", "based", "typed", ".", "+", "-", "*"])
_STOPS = ENDS | _CHART_WORDS | POU_ENDS | SECTION_KINDS | OBJECT_WORDS


class StatementParser(DeclarationParser):
    """Parses lists of statements and recovers behind each broken one."""

    def statements(self) -> list[tree.Statement]:
        """Statements up to a word that ends a list."""
        body: list[tree.Statement] = []
        depth = self.depth
        while self.token.kind not in _STOPS:
            try:
                statement = self.statement()
            except ParseError as error:
                self.recover(error, depth)
                self._skip_statement()
            else:
                if statement is not None:
                    body.append(statement)
        return body

    def _skip_statement(self) -> None:
        start = self.token
        self.skip_to({";", "IF", "CASE", "FOR", "WHILE", "REPEAT", *_STOPS})
        if not self.accept(";") and self.token is start and self.token.kind not in _STOPS:
            self.advance()

    def statement(self) -> tree.Statement | None:
        """One statement, or None for a lone `;`."""
        if self.accept(";"):
            return None
        compound = self._compound.get(self.token.kind)
        if compound is not None:
            self.deepen()
            statement = compound(self)
            self.depth -= 1
            return statement
        if self.token.kind in ("EXIT", "CONTINUE", "RETURN"):
            return self._jump()
        return self._assignment_or_call()

    def _jump(self) -> tree.Statement:
        at = self.advance()
        self.end_of_statement(at.kind)
        nodes = {"EXIT": tree.Exit, "CONTINUE": tree.Continue, "RETURN": tree.Return}
        return nodes[at.kind](at)

    def _assignment_or_call(self) -> tree.Statement:
        token = self.token
        if token.kind == "address":
            target: tree.Expression = tree.Address(self.advance(), token.text)
        elif token.kind == "name":
            target = self.postfix(tree.Name(self.advance(), token.text))
        else:
            raise self.unexpected("a statement")
        if isinstance(target, tree.Call):
            self.end_of_statement("the call")
            return tree.CallStatement(token, target)
        if self.token.kind == "=":
            raise self.fail(self.token, "expected := to assign, got =")
        if self.token.kind in ("+=", "-=", "*=", "/="):
            sign = self.token.kind[0]
            raise self.fail(self.token, f"expected := x {sign} …, got {self.token.kind}")
        if self.token.kind in ("+", "-") and self.peek().kind == self.token.kind:
            sign = self.token.kind
            raise self.fail(self.token, f"expected := {token.text} {sign} 1, got {sign}{sign}")
        self.expect(":=", ":= or ( after this name")
        value = self.expression()
        if self.token.kind == ":=":
            raise self.unexpected("one := in a statement")
        self.end_of_statement("the assignment")
        return tree.Assign(token, target, value)

    def _end(self, kind: str) -> None:
        if not self.accept(kind):
            raise self.unexpected(f"a statement or {kind}")
        if not self.accept(";"):
            self.reporter.depart(self.previous, f"{kind} without ; behind it: write {kind};")

    def _if(self) -> tree.Statement:
        at = self.advance()
        branches = [self._branch()]
        otherwise: list[tree.Statement] = []
        while True:
            if self.accept("ELSIF"):
                branches.append(self._branch())
            elif self.token.kind == "ELSE" and self.peek().kind == "IF" and self._one_line():
                self.advance()
                otherwise = self.statements()
                break
            elif self.accept("ELSE"):
                otherwise = self.statements()
                break
            else:
                break
        self._end("END_IF")
        return tree.If(at, branches, otherwise)

    def _one_line(self) -> bool:
        return self.token.line == self.peek().line

    def _branch(self) -> tuple[tree.Expression, list[tree.Statement]]:
        at, depth = self.token, self.depth
        condition: tree.Expression = tree.Literal(at, "BOOL", True)
        try:
            condition = self.condition()
            self.expect("THEN", "THEN after the condition")
        except ParseError as error:
            self.recover(error, depth)
            self._resume("THEN")
        return condition, self.statements()

    def _resume(self, word: str) -> None:
        """Behind a broken head, go on with the body, so that its end still has its beginning."""
        self.skip_to({word, ";", *_STOPS})
        if not self.accept(word):
            self.accept(";")

    def _case(self) -> tree.Statement:
        at = self.advance()
        selector = self.expression()
        self.expect("OF", "OF after the selector")
        arms: list[tuple[list[tree.CaseLabel], list[tree.Statement]]] = []
        depth = self.depth
        while self.token.kind not in ("ELSE", "END_CASE", "end"):
            try:
                labels = [self._label()]
                while self.accept(","):
                    labels.append(self._label())
                self.expect(":", ", or : after a CASE label")
            except ParseError as error:
                if self.token.kind in _STOPS:
                    raise
                self.recover(error, depth)
                self._skip_statement()
                labels = []
            arms.append((labels, self._arm_body()))
        otherwise: list[tree.Statement] = []
        if self.accept("ELSE"):
            self.accept(":")
            otherwise = self.statements()
        self._end("END_CASE")
        return tree.Case(at, selector, arms, otherwise)

    def _label(self) -> tree.CaseLabel:
        low = self.expression()
        high = self.expression() if self.accept("..") else None
        return tree.CaseLabel(low.at, low, high)

    def _arm_body(self) -> list[tree.Statement]:
        body: list[tree.Statement] = []
        depth = self.depth
        while self.token.kind not in _STOPS and not self._at_label():
            try:
                statement = self.statement()
            except ParseError as error:
                self.recover(error, depth)
                self._skip_statement()
            else:
                if statement is not None:
                    body.append(statement)
        return body

    def _at_label(self) -> bool:
        """Labels look like expressions: a `:` comes before any mark of a statement."""
        kind = self.token.kind
        if kind in _LABEL_STARTS:
            return True
        if kind != "name":
            return False
        distance, depth = 1, 0
        while (kind := self.peek(distance).kind) in _IN_LABELS or kind in "()" or depth:
            if kind in (";", ":=", "=>", "end"):
                return False
            depth += (kind == "(") - (kind == ")")
            distance += 1
        return kind in (":", ",", "..")

    def _for(self) -> tree.Statement:
        at, depth = self.advance(), self.depth
        head = None
        try:
            head = self._range()
        except ParseError as error:
            self.recover(error, depth)
            self._resume("DO")
        body = self.statements()
        self._end("END_FOR")
        if head is None:
            return tree.Repeat(at, body, tree.Literal(at, "BOOL", True))
        variable, start, end, step = head
        return tree.For(at, variable, start, end, step, body)

    def _range(
        self,
    ) -> tuple[tree.Expression, tree.Expression, tree.Expression, tree.Expression | None]:
        name = self.expect_name("the control variable")
        variable = self.postfix(tree.Name(name, name.text))
        self.expect(":=", ":= after the control variable")
        start = self.expression()
        self.expect("TO", "TO after the first value")
        end = self.expression()
        step = self.expression() if self.accept("BY") else None
        self.expect("DO", "DO or BY after the last value")
        return variable, start, end, step

    def _while(self) -> tree.Statement:
        at, depth = self.advance(), self.depth
        condition: tree.Expression = tree.Literal(at, "BOOL", True)
        try:
            condition = self.condition()
            self.expect("DO", "DO after the condition")
        except ParseError as error:
            self.recover(error, depth)
            self._resume("DO")
        body = self.statements()
        self._end("END_WHILE")
        return tree.While(at, condition, body)

    def _repeat(self) -> tree.Statement:
        at = self.advance()
        body = self.statements()
        self.expect("UNTIL", "a statement or UNTIL")
        until = self.condition()
        self.accept(";")
        self._end("END_REPEAT")
        return tree.Repeat(at, body, until)

    _compound: dict[str, Callable[[StatementParser], tree.Statement]] = {  # noqa: RUF012
        "IF": _if,
        "CASE": _case,
        "FOR": _for,
        "WHILE": _while,
        "REPEAT": _repeat,
    }
