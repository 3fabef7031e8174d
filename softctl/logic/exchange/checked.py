"""What every part of the import needs: names and ST texts taken only if they are sound."""

from __future__ import annotations

from collections.abc import Iterable

from softctl.errors import Place, Problem
from softctl.logic.cursor import ParseError
from softctl.logic.exchange.reader import Node
from softctl.logic.lexer import tokenize
from softctl.logic.parse_statements import StatementParser
from softctl.logic.source import Reporter, Source


class Checked:
    """Collects what is wrong with a document and what of it is not carried over."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.left: list[Problem] = []

    def error(self, node: Node, message: str) -> None:
        """Note something that stops the import."""
        self.problems.append(Problem(message, node.place))

    def leave(self, node: Node, what: str) -> None:
        """Note something that is not carried over."""
        self.left.append(Problem(f"not carried over: {what}", node.place, "warning"))

    def leave_unknown(self, nodes: Iterable[Node], known: Iterable[str]) -> None:
        """Note the elements that are not among the known ones."""
        taken = {"Documentation", "AddData", *known}
        for node in nodes:
            if node.name not in taken:
                self.leave(node, f"element {node.name}")

    def name(self, node: Node, attribute: str = "name") -> str:
        """An attribute that has to be an identifier."""
        text = node.get(attribute)
        if not self._is_name(text):
            got = repr(text) if text else "nothing"
            self.error(node, f"expected a name as {attribute} of {node.name}, got {got}")
            return "bad"
        return text

    @staticmethod
    def _is_name(text: str) -> bool:
        # Between marks, as in a declaration: there some keywords are names too.
        tokens = tokenize(Source("", f"; {text} : INT;"), Reporter()).tokens
        return len(tokens) == 6 and tokens[1].kind == "name" and tokens[1].text == text

    def type_name(self, node: Node) -> str:
        """The text of a TypeName: an identifier, or a string with its length."""
        text = node.text.strip()
        base, bracket, length = text.partition("[")
        is_string = base.upper() in ("STRING", "WSTRING") and length[:-1].isdigit()
        if self._is_name(base) and (not bracket or (is_string and length.endswith("]"))):
            return text
        self.error(node, f"expected a type's name, got {text!r}")
        return "INT"

    def expression(self, node: Node, text: str, place: Place | None = None) -> str:
        """A text that has to be an expression or an initial value."""
        parser, reporter = self._parser(text, place or node.place)
        try:
            parser.initial_value()
            if parser.token.kind != "end":
                parser.unexpected("an operator or the end of the expression")
        except ParseError:
            pass
        self.problems += reporter.errors
        return text.strip()

    def condition(self, node: Node) -> str:
        """The text of an element that has to be a condition, with or without := and ;."""
        text = node.text
        bare = text.strip().removeprefix(":=").removesuffix(";")
        return self.expression(node, bare, node.text_place)

    def expressions(self, node: Node, text: str) -> str:
        """Expressions between commas: checked as the arguments of a call."""
        self.expression(node, f"f({text})")
        return text

    def statements(self, node: Node) -> str:
        """The text of an element that has to be a list of statements."""
        parser, reporter = self._parser(node.text, node.text_place)
        parser.statements()
        if parser.token.kind != "end":
            parser.unexpected("a statement or the end of the body")
        self.problems += reporter.errors
        return node.text

    def _parser(self, text: str, place: Place) -> tuple[StatementParser, Reporter]:
        """A parser whose tokens stand where the text stands in the document."""
        padding = "\n" * (place.line - 1) + " " * (place.column - 1)
        reporter = Reporter()
        return StatementParser(
            tokenize(Source(self.file, padding + text), reporter), reporter
        ), reporter


def documentation(node: Node) -> str:
    """The documentation of an element as plain text."""
    texts = [_plain(child) for child in node.all("Documentation")]
    return "\n".join(text for text in texts if text)


def _plain(node: Node) -> str:
    inner = [_plain(child) for child in node.children]
    return "\n".join(text for text in (node.text.strip(), *inner) if text)
