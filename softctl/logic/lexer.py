"""From text to tokens, by one regular expression (IEC 61131-3 tables 1 to 9)."""

from __future__ import annotations

import re
from dataclasses import dataclass

from softctl.logic.source import Reporter, Source, Token

KEYWORDS = frozenset(
    [
        "ACTION",
        "AND",
        "ARRAY",
        "AT",
        "BY",
        "CASE",
        "CONFIGURATION",
        "CONSTANT",
        "CONTINUE",
        "DO",
        "ELSE",
        "ELSIF",
        "END_ACTION",
        "END_CASE",
        "END_CONFIGURATION",
        "END_FOR",
        "END_FUNCTION",
        "END_FUNCTION_BLOCK",
        "END_IF",
        "END_PROGRAM",
        "END_REPEAT",
        "END_RESOURCE",
        "END_STEP",
        "END_STRUCT",
        "END_TRANSITION",
        "END_TYPE",
        "END_VAR",
        "END_WHILE",
        "EXIT",
        "FALSE",
        "FOR",
        "FUNCTION",
        "FUNCTION_BLOCK",
        "IF",
        "INITIAL_STEP",
        "MOD",
        "NON_RETAIN",
        "NOT",
        "OF",
        "OR",
        "PROGRAM",
        "REPEAT",
        "RESOURCE",
        "RETAIN",
        "RETURN",
        "STEP",
        "STRUCT",
        "THEN",
        "TO",
        "TRANSITION",
        "TRUE",
        "TYPE",
        "UNTIL",
        "VAR",
        "VAR_ACCESS",
        "VAR_CONFIG",
        "VAR_CONSTANT",
        "VAR_EXTERNAL",
        "VAR_GLOBAL",
        "VAR_INPUT",
        "VAR_IN_OUT",
        "VAR_OUTPUT",
        "VAR_TEMP",
        "WHILE",
        "XOR",
        "CLASS",
        "END_CLASS",
        "INTERFACE",
        "END_INTERFACE",
        "METHOD",
        "END_METHOD",
        "PROPERTY",
        "END_PROPERTY",
        "NAMESPACE",
        "END_NAMESPACE",
        "POINTER",
        "REF_TO",
    ]
)

SOFT = frozenset(
    [
        "STEP",
        "ACTION",
        "TRANSITION",
        "TYPE",
        "PROGRAM",
        "RESOURCE",
        "CONFIGURATION",
        "CLASS",
        "INTERFACE",
        "METHOD",
        "PROPERTY",
        "NAMESPACE",
    ]
)
"""Keywords that only mean something in front of a name; elsewhere people use them as names."""
_BEHIND = frozenset(["BY", "TO", "DO", "THEN", "OF", "AND", "OR", "XOR", "MOD"])
_BETWEEN = frozenset(["BY", "TO", "DO", "AT"])
_VALUES = frozenset(
    ["name", "int", "real", "based", "typed", "string", "wstring", "address", "TRUE", "FALSE"]
)
_MODIFIERS = ("RETAIN", "NON_RETAIN")
_FOREIGN_MARKS = {"==": "=", "!=": "<>", "&&": "AND", "||": "OR"}
"""Marks of other languages, and what is meant by them."""

_NUMBER = r"(?:\d+\#\w+|\d[\d_]*(?:\.\d[\d_]*)?(?:[eE][+-]?\d+)?)"
_STRING = r"'(?:[^$'\n]|\$[^\n])*'"
_WSTRING = r'"(?:[^$"\n]|\$[^\n])*"'
_TOKEN = re.compile(
    rf"""
    (?P<space>[ \t\r\f\v\ufeff\xa0]+)
    |(?P<newline>\n)
    |(?P<line_comment>//[^\n]*)
    |(?P<comment>\(\*|/\*)
    |(?P<typed>
        (?i:L?DATE_AND_TIME|L?DT|L?DATE|L?D|L?TIME_OF_DAY|L?TOD)\#\d[\d_]*(?:[-:.]\d[\d_]*)*
        |(?i:L?TIME|L?T)\#[+-]?\d\w*(?:\.\d\w*)*
        |[^\W\d]\w*\#(?:[+-]?{_NUMBER}|{_STRING}|{_WSTRING}|[^\W\d]\w*))
    |(?P<name>[^\W\d]\w*)
    |(?P<based>\d+\#\w+)
    |(?P<real>\d[\d_]*(?:\.\d[\d_]*(?:[eE][+-]?\d+)?|[eE][+-]?\d+))
    |(?P<int>\d[\d_]*)
    |(?P<mark>:=|=>|==|!=|&&|\|\||[-+*/]=|\*\*|<>|<=|>=|\.\.|[-+*/=<>&()\[\],;:.^])
    |(?P<string>{_STRING})
    |(?P<wstring>{_WSTRING})
    |(?P<pragma>\{{[^}}]*\}})
    |(?P<address>%[A-Za-z]\w*(?:\.\d+)*\*?|%[A-Za-z]\*)
    """,
    re.VERBOSE,
)
_REMARKS = frozenset(["comment", "line_comment", "pragma"])
_COMMENT_MARK = re.compile(r"\(\*|\*\)|/\*|\*/")


@dataclass
class Tokens:
    """The tokens of one source, ended by an `end` token, and its comments by line.

    `remarks` are the offsets where its comments and pragmas start and end.
    """

    source: Source
    tokens: list[Token]
    comments: dict[int, str]
    remarks: list[tuple[int, int]]


class _Lexer:
    def __init__(self, source: Source, reporter: Reporter) -> None:
        self.source = source
        self.reporter = reporter
        self.tokens: list[Token] = []
        self.comments: dict[int, str] = {}
        self.remarks: list[tuple[int, int]] = []
        self.line = 1
        self.line_start = 0
        self.pragma = ""
        self.softened: set[str] = set()

    def run(self) -> Tokens:
        text, position, end = self.source.text, 0, len(self.source.text)
        match = _TOKEN.match
        while position < end:
            found = match(text, position)
            if found is None:
                position = self._bad(position)
                continue
            kind = found.lastgroup
            stop = found.end()
            if kind == "space":
                pass
            elif kind == "newline":
                self.line += 1
                self.line_start = stop
            elif kind == "comment":
                stop = self._comment(position, found.group())
            elif kind == "line_comment":
                self._keep_comment(self.line, found.group()[2:])
            elif kind == "pragma":
                self.pragma = found.group()[1:-1].strip()
                self._count_lines(position, stop)
            else:
                self._token(str(kind), found.group(), position)
            if kind in _REMARKS:
                self.remarks.append((position, stop))
            position = stop
        self._token("end", "", end)
        return Tokens(self.source, self.tokens, self.comments, self.remarks)

    def _token(self, kind: str, text: str, start: int) -> None:
        column = start - self.line_start + 1
        token = Token(kind, text, start, self.line, column, self.source)
        if kind == "mark":
            token.kind = text
            if text in _FOREIGN_MARKS:
                token.kind = _FOREIGN_MARKS[text]
                self.reporter.error(token, f"expected {token.kind}, got {text}")
        elif kind == "name" and token.key in KEYWORDS:
            token.kind = token.key
        if self.tokens and token.kind != "name":
            if self.tokens[-1].kind in SOFT:
                self._soften(self.tokens[-1], token)
            elif self.tokens[-1].kind in _BETWEEN and (kind == "mark" or token.kind in _BEHIND):
                self._soften_between(self.tokens[-1])
        if self.pragma:
            token.pragma, self.pragma = self.pragma, ""
        self.tokens.append(token)

    def _soften(self, word: Token, following: Token) -> None:
        """Take a keyword for a name where nothing follows that it could open."""
        opens = following.kind == "(" and word.kind == "TRANSITION"
        if opens or following.kind.startswith("END_") or following.kind in _MODIFIERS:
            return
        self._as_name(word)

    def _soften_between(self, word: Token) -> None:
        """The same for a keyword that stands between values, where no value is before it."""
        if len(self.tokens) < 2 or self.tokens[-2].kind not in _VALUES | {")", "]"}:
            self._as_name(word)

    def _as_name(self, word: Token) -> None:
        word.kind = "name"
        if word.key not in self.softened:
            self.softened.add(word.key)
            self.reporter.depart(word, f"the keyword {word.key} as a name: write another")

    def _keep_comment(self, line: int, text: str) -> None:
        if self.tokens and self.tokens[-1].line == line:  # it stands behind something
            self.comments.setdefault(line, text.strip())

    def _count_lines(self, start: int, stop: int) -> None:
        text = self.source.text
        count = text.count("\n", start, stop)
        if count:
            self.line += count
            self.line_start = text.rindex("\n", start, stop) + 1

    def _here(self, start: int) -> Token:
        column = start - self.line_start + 1
        return Token(
            "bad", self.source.text[start : start + 1], start, self.line, column, self.source
        )

    def _comment(self, start: int, opening: str) -> int:
        text, at, line = self.source.text, self._here(start), self.line
        closing = "*)" if opening == "(*" else "*/"
        depth, position = 1, start + 2
        while depth:
            found = _COMMENT_MARK.search(text, position)
            if found is None:
                self.reporter.error(at, f"expected {closing} to close this comment, got the end")
                position = len(text)
                break
            position = found.end()
            if found.group() == closing:
                depth -= 1
            elif found.group() == opening:
                depth += 1
                self.reporter.depart(at, f"a comment inside a comment: end it with {closing} first")
        self._keep_comment(line, text[start + 2 : max(start + 2, position - 2)])
        self._count_lines(start, position)
        return position

    def _bad(self, start: int) -> int:
        text, at = self.source.text, self._here(start)
        character = text[start]
        if character in "'\"":
            self.reporter.error(at, f"expected {character} to close this string on its line")
            stop = text.find("\n", start)
            stop = len(text) if stop < 0 else stop
            self._token("string", "''", start)
            return stop
        if character == "{":
            self.reporter.error(at, "expected } to close this pragma, got the end")
            return len(text)
        self.reporter.error(at, f"expected a name, number or mark, got {character!r}")
        self._token("bad", character, start)  # the parser stumbles here, not further on
        stop = start + 1
        while text[stop : stop + 1] == character:
            stop += 1
        return stop


def tokenize(source: Source, reporter: Reporter) -> Tokens:
    """Split a source into tokens; what cannot be one is reported and skipped."""
    return _Lexer(source, reporter).run()
