"""The parser's place in the tokens, and its ways to expect, accept and complain."""

from __future__ import annotations

from collections.abc import Container

from softctl.logic.lexer import KEYWORDS, Tokens
from softctl.logic.source import Reporter, Token, suggest

_UNSUPPORTED = {
    "CLASS": "classes are",
    "INTERFACE": "interfaces are",
    "METHOD": "methods are",
    "NAMESPACE": "namespaces are",
    "PROPERTY": "properties are",
    "POINTER": "pointers are",
    "REFERENCE": "references are",
    "REF_TO": "references are",
    "EXTENDS": "inheritance is",
    "IMPLEMENTS": "inheritance is",
    "THIS": "object-oriented code is",
    "SUPER": "object-oriented code is",
    "USING": "namespaces are",
    "^": "dereferencing is",
}
"""What the third edition adds for objects, and what it or practice has for addresses."""
OBJECT_WORDS = frozenset(["CLASS", "INTERFACE", "METHOD", "PROPERTY", "NAMESPACE"])


MAX_DEPTH = 60
"""Nesting beyond this is reported: it would exhaust the stack of one back end or another."""


class ParseError(Exception):
    """Unwinds to the next point of recovery; the problem has been reported."""


class TooDeep(ParseError):  # noqa: N818 - it ends a unit, not a program
    """Unwinds to the end of the unit: what nests without measure is not read on."""


class Cursor:
    """A position in a list of tokens."""

    def __init__(self, tokens: Tokens, reporter: Reporter) -> None:
        self.source = tokens.source
        self.comments = tokens.comments
        self.reporter = reporter
        self._tokens = tokens.tokens
        self._position = 0
        self.token = self._tokens[0]
        self.previous = self.token
        self.depth = 0

    def advance(self) -> Token:
        """Step over the current token and return it; the end is never passed."""
        token = self.previous = self.token
        if token.kind != "end":
            self._position += 1
            self.token = self._tokens[self._position]
        return token

    def peek(self, distance: int = 1) -> Token:
        """The token that far ahead."""
        return self._tokens[min(self._position + distance, len(self._tokens) - 1)]

    def accept(self, kind: str) -> Token | None:
        """Step over the current token if it is of this kind."""
        return self.advance() if self.token.kind == kind else None

    def word(self, key: str) -> Token | None:
        """Step over a word that is a keyword only here, such as FROM or PRIORITY."""
        return self.advance() if self.is_word(key) else None

    def is_word(self, key: str) -> bool:
        """True at a word that is a keyword only here."""
        return self.token.kind == "name" and self.token.key == key

    def expect(self, kind: str, what: str = "") -> Token:
        """Step over a token of this kind or complain."""
        if self.token.kind == kind:
            return self.advance()
        raise self.unexpected(what or describe(kind))

    def expect_name(self, what: str) -> Token:
        """Step over an identifier or complain."""
        if self.token.kind == "name":
            return self.advance()
        if self.token.kind in KEYWORDS:
            raise self.fail(self.token, f"expected {what}, got the keyword {self.token.key}")
        raise self.unexpected(what)

    def unexpected(self, expected: str) -> ParseError:
        """Report the current token as something else than expected."""
        token = self.token
        if token.kind in _UNSUPPORTED:
            return self.fail(token, unsupported(token.kind))
        if token.kind == "name" and token.key in ("THIS", "SUPER", "EXTENDS", "IMPLEMENTS"):
            return self.fail(token, unsupported(token.key))
        if token.kind == ":=":
            return self.fail(token, f"expected {expected}, got :=", "to compare, write =")
        close = token.kind == "name" and len(token.key) > 2 and token.key not in KEYWORDS
        hint = suggest(token.text, KEYWORDS) if close else ""
        return self.fail(token, f"expected {expected}, got {describe_token(token)}", hint)

    def fail(self, at: Token, message: str, hint: str = "") -> ParseError:
        """Report an error and give the exception to raise."""
        self.reporter.error(at, message, hint)
        return ParseError(message)

    def end_of_statement(self, what: str) -> None:
        """Step over `;`, or complain at the end of the line that lacks it."""
        if not self.accept(";"):
            raise self.missing_semicolon(what)

    def missing_semicolon(self, what: str) -> ParseError:
        """Report a missing `;`, just behind the last token when a new line follows."""
        token = self.token
        hexadecimal = token.key[:1] == "X" and self.previous.text == "0"
        if hexadecimal and token.start == self.previous.end:
            raise self.fail(self.previous, "expected 16# before hexadecimal digits, got 0x")
        if token.line > self.previous.line:
            behind = self.previous
            column = behind.column + len(behind.text)
            at = Token("gap", "", behind.end, behind.line, column, behind.source)
            return self.fail(at, f"expected ; after {what}, got {describe_token(token)}")
        return self.unexpected(f"; after {what}")

    def deepen(self) -> None:
        """Count one level of nesting."""
        self.depth += 1
        if self.depth > MAX_DEPTH:
            message = f"expected at most {MAX_DEPTH} levels inside one another, got more"
            self.reporter.error(self.token, message)
            raise TooDeep(message)

    def recover(self, error: ParseError, depth: int) -> None:
        """Go back to a level of nesting after an error, unless nesting was the error."""
        if isinstance(error, TooDeep):
            raise error
        self.depth = depth

    def skip_unsupported(self) -> None:
        """Report a class, method or the like and step over it to its end."""
        at = self.advance()
        self.reporter.error(at, unsupported(at.kind))
        end = f"END_{at.kind}"
        self.skip_to({end, "END_PROGRAM", "END_FUNCTION_BLOCK"})
        self.accept(end)
        self.accept(";")

    def skip_to(self, kinds: Container[str]) -> None:
        """Give up tokens until one of these kinds or the end."""
        while self.token.kind != "end" and self.token.kind not in kinds:
            self.advance()


def unsupported(key: str) -> str:
    """What to say of a word that this language leaves out."""
    return f"{_UNSUPPORTED[key]} not supported here: expected standard types, functions and blocks"


def describe(kind: str) -> str:
    """How messages call a kind of token."""
    names = {
        "name": "a name",
        "int": "a whole number",
        "real": "a real number",
        "end": "the end of the file",
        "string": "a string",
    }
    return names.get(kind, kind)


def describe_token(token: Token) -> str:
    """How messages call one token."""
    if token.kind == "end":
        return "the end of the file"
    return token.key if token.kind in KEYWORDS else token.text
