"""A document as a tree of elements that know where they stand.

Nothing is ever expanded or fetched: a document type is refused before its first entity.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.parsers import expat

from softctl.errors import Place, Problem, ProblemsError
from softctl.logic.exchange.format import EXTENSION, INSTANCE

MAX_DEPTH = 200
"""Elements nested deeper than this are refused."""


@dataclass(slots=True)
class Node:
    """One element; names are without their namespace, `text` is its own text."""

    name: str
    namespace: str
    attributes: dict[str, str]
    place: Place
    children: list[Node] = field(default_factory=list)
    text: str = ""
    text_place: Place = field(default_factory=lambda: Place(""))

    @property
    def kind(self) -> str:
        """The xsi:type without its prefix."""
        return self.attributes.get(f"{INSTANCE} type", "").rpartition(":")[2]

    def get(self, name: str) -> str:
        """An attribute, or nothing."""
        return self.attributes.get(name, "")

    def child(self, name: str) -> Node | None:
        """The first child of that name."""
        return next((node for node in self.children if node.name == name), None)

    def all(self, name: str) -> list[Node]:
        """The children of that name."""
        return [node for node in self.children if node.name == name]

    def walk(self, name: str) -> Iterator[Node]:
        """Elements of that name at any depth, outermost only, in order of the document."""
        for node in self.children:
            if node.name == name:
                yield node
            else:
                yield from node.walk(name)

    def extension(self, name: str) -> str | None:
        """The text of an element of ours among the additional data, or None."""
        node = self.extension_node(name)
        return None if node is None else node.text

    def extension_node(self, name: str) -> Node | None:
        """An element of ours among the additional data, or None."""
        for data in self.all("AddData"):
            for node in data.walk(name):
                if node.namespace == EXTENSION:
                    return node
        return None


class _Reader:
    def __init__(self, file: str) -> None:
        self.file = file
        self.root: Node | None = None
        self.open: list[Node] = []
        self.parser = parser = expat.ParserCreate("utf-8", namespace_separator=" ")
        parser.ordered_attributes = False
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._doctype

    @property
    def place(self) -> Place:
        return Place(self.file, self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(" ")
        node = Node(local, namespace, attributes, self.place)
        if len(self.open) >= MAX_DEPTH:
            raise self._error(f"expected at most {MAX_DEPTH} nested elements, got more")
        if self.open:
            self.open[-1].children.append(node)
        else:
            self.root = node
        self.open.append(node)

    def _end(self, _: str) -> None:
        self.open.pop()

    def _characters(self, text: str) -> None:
        node = self.open[-1]
        if not node.text:
            node.text_place = self.place
        node.text += text

    def _doctype(self, *_: object) -> None:
        raise self._error("expected a document without a DOCTYPE, got one: it is never read")

    def _error(self, message: str) -> ProblemsError:
        return ProblemsError([Problem(message, self.place)])


def read_xml(text: str, file: str) -> Node:
    """The root element of a document; raises ProblemsError."""
    reader = _Reader(file)
    try:
        reader.parser.Parse(text.encode("utf-8"), True)
    except expat.ExpatError as error:
        cause = expat.ErrorString(error.code)
        place = Place(file, error.lineno, error.offset + 1)
        lines = text.splitlines()
        excerpt = lines[error.lineno - 1] if 0 < error.lineno <= len(lines) else ""
        message = f"expected well-formed XML, got: {cause}"
        raise ProblemsError([Problem(message, place, excerpt=excerpt[:200])]) from None
    assert reader.root is not None
    return reader.root
