"""Expressions (IEC 61131-3 table 71), literals, initial values and calls.

Precedence follows the standard: unary minus and NOT bind tighter than `**`, every binary
operator groups to the left, and XOR stands between AND and OR.
"""

from __future__ import annotations

from softctl.logic import literals, tree
from softctl.logic.cursor import Cursor, ParseError
from softctl.logic.source import Token

LEVELS = {
    "OR": 1,
    "XOR": 2,
    "AND": 3,
    "&": 3,
    "=": 4,
    "<>": 4,
    "<": 5,
    ">": 5,
    "<=": 5,
    ">=": 5,
    "+": 6,
    "-": 6,
    "*": 7,
    "/": 7,
    "MOD": 7,
    "**": 8,
}
_DURATIONS = {"T": "TIME", "TIME": "TIME", "LT": "LTIME", "LTIME": "LTIME"}
_DATES = {"D": "DATE", "DATE": "DATE", "LD": "LDATE", "LDATE": "LDATE"}
_CLOCKS = {"TOD": "TOD", "TIME_OF_DAY": "TOD", "LTOD": "LTOD", "LTIME_OF_DAY": "LTOD"}
_DATES_AND_TIMES = {"DT": "DT", "DATE_AND_TIME": "DT", "LDT": "LDT", "LDATE_AND_TIME": "LDT"}


class ExpressionParser(Cursor):
    """Parses expressions."""

    def expression(self, lowest: int = 1) -> tree.Expression:
        """A whole expression whose operators bind at least as tightly as `lowest`."""
        self.deepen()
        left = self._unary()
        while (level := LEVELS.get(self.token.kind, 0)) >= lowest:
            operator = self.advance()
            right = self.expression(level + 1)
            name = "AND" if operator.kind == "&" else operator.kind
            left = tree.Binary(operator, name, left, right)
        self.depth -= 1
        return left

    def condition(self) -> tree.Expression:
        """An expression where `:=` is a common slip for `=`."""
        left = self.expression()
        if self.token.kind == ":=":
            self.reporter.error(self.token, "expected = to compare, got :=")
            operator = self.advance()
            left = tree.Binary(operator, "=", left, self.expression())
        return left

    def _unary(self) -> tree.Expression:
        token = self.token
        if token.kind in ("-", "+", "NOT"):
            self.advance()
            self.deepen()
            operand = self._unary()
            self.depth -= 1
            if token.kind == "+":
                return operand
            if (
                token.kind == "-"
                and isinstance(operand, tree.Literal)
                and isinstance(operand.value, int | float)
                and not isinstance(operand.value, bool)
                and not operand.type_name
            ):
                return tree.Literal(token, "", -operand.value)
            return tree.Unary(token, token.kind, operand)
        return self._primary()

    def _primary(self) -> tree.Expression:
        token = self.token
        if token.kind == "name":
            return self.postfix(tree.Name(self.advance(), token.text))
        if token.kind == "(":
            self.advance()
            inner = self.expression()
            self.expect(")", ") to close this parenthesis")
            return inner
        if token.kind == "address":
            return tree.Address(self.advance(), token.text)
        if token.kind in ("AND", "OR", "XOR", "MOD", "NOT") and self.peek().kind == "(":
            return self.postfix(tree.Name(self.advance(), token.key))
        return self.literal()

    def postfix(self, base: tree.Expression) -> tree.Expression:
        """Members, indices, bits and a call behind a name."""
        depth = self.depth
        while True:
            kind = self.token.kind
            if kind in (".", "[", "(") and not isinstance(base, tree.Name):
                self.deepen()  # a node around the node before
            if kind == ".":
                base = self._member(base)
            elif kind == "[":
                at = self.advance()
                indices = [self.expression()]
                while self.accept(","):
                    indices.append(self.expression())
                self.expect("]", "] to close this index")
                base = tree.Index(at, base, indices)
            elif kind == "(":
                base = self._call(base)
            elif kind == "^":
                raise self.unexpected("an operator")
            else:
                self.depth = depth
                return base

    def _member(self, base: tree.Expression) -> tree.Expression:
        self.advance()
        token = self.token
        if token.kind == "int":
            self.advance()
            self.reporter.depart(token, f"a bit by its bare number: write .%X{token.text}")
            return tree.Bit(token, base, int(token.text))
        if token.kind == "address":
            self.advance()
            unit, digits = token.key[1:2], token.key[2:]
            if digits.isdigit() and unit in "XBWDL":
                return tree.Bit(token, base, int(digits), unit)
            if token.key[1:].isdigit():
                return tree.Bit(token, base, int(token.key[1:]))
            raise self.fail(token, f"expected a part such as .%X3 or .%B1, got {token.text}")
        if token.kind in ("STEP", "TO", "AT", "BY", "ACTION", "TRANSITION", "EXIT"):
            self.advance()
            return tree.Member(token, base, token.text)
        name = self.expect_name("a member's name after .")
        return tree.Member(name, base, name.text)

    def _call(self, callee: tree.Expression) -> tree.Call:
        self.advance()
        arguments: list[tree.Argument] = []
        while self.token.kind != ")":
            arguments.append(self._argument())
            if not self.accept(","):
                break
        self.expect(")", ", or ) in this call")
        return tree.Call(callee.at, callee, arguments)

    def _argument(self) -> tree.Argument:
        token = self.token
        if token.kind == "NOT" and self.peek().kind == "name" and self.peek(2).kind == "=>":
            self.advance()
            name = self.advance()
            self.advance()
            return tree.Argument(name, name.text, self.expression(), True, True)
        following = self.peek().kind
        if token.kind == "name" and following == "=>":
            name = self.advance()
            self.advance()
            value = None if self.token.kind in (",", ")") else self.expression()
            return tree.Argument(name, name.text, value, True)
        if token.kind == "name" and following == ":=":
            name = self.advance()
            self.advance()
            value = None if self.token.kind in (",", ")") else self.expression()
            return tree.Argument(name, name.text, value)
        return tree.Argument(token, "", self.expression())

    # Literals

    def literal(self) -> tree.Expression:
        """Any literal."""
        token = self.token
        try:
            node = self._literal(token)
        except ValueError as error:
            self.advance()
            raise self.fail(token, str(error)) from None
        if node is None:
            if token.kind == "." and self.peek().kind == "int":
                raise self.fail(token, f"expected a digit before the point: 0.{self.peek().text}")
            raise self.unexpected("an expression")
        self.advance()
        return node

    def _literal(self, token: Token) -> tree.Expression | None:
        kind = token.kind
        if kind in ("TRUE", "FALSE"):
            return tree.Literal(token, "BOOL", kind == "TRUE")
        if kind in ("int", "based"):
            return tree.Literal(token, "", literals.parse_integer(token.text))
        if kind == "real":
            return tree.Literal(token, "", literals.parse_real(token.text))
        if kind in ("string", "wstring"):
            return tree.Literal(token, "", literals.parse_string(token.text), kind == "wstring")
        if kind == "typed":
            return self._typed_literal(token)
        return None

    def _typed_literal(self, token: Token) -> tree.Expression:
        prefix, _, body = token.text.partition("#")
        key = prefix.upper()
        if key in _DURATIONS and body[:1] in "+-0123456789":
            return tree.Literal(token, _DURATIONS[key], literals.parse_duration(body))
        if key in _DATES and body[:1].isdigit():
            return tree.Literal(token, _DATES[key], literals.parse_date(body))
        if key in _CLOCKS and body[:1].isdigit():
            return tree.Literal(token, _CLOCKS[key], literals.parse_clock(body))
        if key in _DATES_AND_TIMES and body[:1].isdigit():
            return tree.Literal(token, _DATES_AND_TIMES[key], literals.parse_date_and_time(body))
        if body[0] in "'\"":
            return tree.Literal(token, key, literals.parse_string(body), body[0] == '"')
        if body[0] not in "+-0123456789":
            if key == "BOOL" and body.upper() in ("TRUE", "FALSE"):
                return tree.Literal(token, "BOOL", body.upper() == "TRUE")
            return tree.EnumLiteral(token, prefix, body)
        if key == "BOOL" and body in ("0", "1"):
            return tree.Literal(token, "BOOL", body == "1")
        if "#" not in body and ("." in body or "e" in body.lower()):
            return tree.Literal(token, key, literals.parse_real(body))
        return tree.Literal(token, key, literals.parse_integer(body))

    # Initial values

    def initial_value(self) -> tree.Expression:
        """An expression, `[…]` for an array or `(a := …)` for a structure."""
        token = self.token
        self.deepen()
        if token.kind == "[":
            value = self._array_initial()
        elif token.kind == "(" and self.peek().kind == "name" and self.peek(2).kind == ":=":
            value = self._struct_initial()
        else:
            value = self.expression()
        self.depth -= 1
        return value

    def _array_initial(self) -> tree.Expression:
        at = self.advance()
        items: list[tuple[tree.Expression | None, tree.Expression | None]] = []
        while self.token.kind != "]":
            items.append(self._array_item())
            if not self.accept(","):
                break
        self.expect("]", ", or ] in this initial value")
        return tree.ArrayInitial(at, items)

    def bare_array(self) -> tree.Expression:
        """Values of an array without brackets, as the first edition had them."""
        at = self.token
        items = [self._array_item()]
        if self.token.kind != "," and items[0][0] is None:
            assert items[0][1] is not None
            return items[0][1]
        while self.accept(","):
            items.append(self._array_item())
        self.reporter.depart(at, "values of an array without brackets: write […]")
        return tree.ArrayInitial(at, items)

    def _array_item(self) -> tuple[tree.Expression | None, tree.Expression | None]:
        if self.token.kind in ("int", "name") and self.peek().kind == "(":
            if self.token.kind == "int":
                count: tree.Expression = self.literal()
            else:
                count = tree.Name(self.token, self.advance().text)
            self.advance()
            value = None if self.token.kind == ")" else self.initial_value()
            self.expect(")", ") after the repeated value")
            return count, value
        return None, self.initial_value()

    def _struct_initial(self) -> tree.Expression:
        at = self.advance()
        fields: list[tree.Argument] = []
        while self.token.kind != ")":
            name = self.expect_name("a member's name")
            self.expect(":=", ":= after the member's name")
            fields.append(tree.Argument(name, name.text, self.initial_value()))
            if not self.accept(","):
                break
        self.expect(")", ", or ) in this initial value")
        return tree.StructInitial(at, fields)


__all__ = ["ExpressionParser", "ParseError"]
