"""A YAML text as a tree in which every value knows its line and column.

ruamel.yaml reads the text into its graph of nodes; from there on the values and the
checks (doubled keys, which the graph still holds, included) are ours, so that all errors
of a file come out at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from softctl.errors import Place, Problem, ProblemsError
from softctl.machine.model import Scalar

_TAG: Final = "tag:yaml.org,2002:"
_SURROGATE: Final = re.compile(r"[\ud800-\udfff]")
_DEEPEST: Final = 20
_MOST: Final = 100_000

Plain = str | int | float | bool | list["Plain"] | dict[str, "Plain"] | None


@dataclass(frozen=True, slots=True)
class Entry:
    """A value of the document: text, number, truth value, None, or its parts.

    `keys` holds the place of each key of a mapping.
    """

    value: str | int | float | bool | tuple[Entry, ...] | Mapping[str, Entry] | None
    place: Place
    keys: Mapping[str, Place] = field(default_factory=dict)

    def child(self, step: str | int) -> Entry | None:
        """The part of that name or index, or None."""
        if isinstance(self.value, Mapping):
            return self.value.get(str(step))
        if isinstance(self.value, tuple) and isinstance(step, int) and step < len(self.value):
            return self.value[step]
        return None

    def plain(self) -> Plain:
        """The value without places."""
        if isinstance(self.value, Mapping):
            return {key: entry.plain() for key, entry in self.value.items()}
        if isinstance(self.value, tuple):
            return [entry.plain() for entry in self.value]
        return self.value


def describe(value: object) -> str:
    """A value of the file in a message: `'text'`, `12`, `true`, `a list`, `nothing`."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f"'{value if len(value) <= 60 else value[:59] + '…'}'"
    if isinstance(value, Mapping):
        return "a mapping"
    return "a list" if isinstance(value, list | tuple) else str(value)


def read_document(
    text: str,
    file: str,
    problems: list[Problem],
    keys: str = "'name:' and 'points:'",
) -> Entry:
    """The tree of a YAML text whose top is a mapping with keys such as `keys`.

    Doubled keys and keys that are not text are added to `problems`; text that is no YAML,
    or whose top is something else, raises ProblemsError, since nothing else can be checked.
    """
    node = _compose(text, file)
    entry = _Reader(file, problems).entry(node, "") if node is not None else None
    if entry is None or not isinstance(entry.value, Mapping):
        place = entry.place if entry is not None else Place(file, 1, 1)
        got = describe(entry.value) if entry is not None else "nothing"
        raise ProblemsError([*problems, Problem(f"expected keys such as {keys}, got {got}", place)])
    return entry


def _compose(text: str, file: str) -> Node | None:
    try:
        node: Node | None = YAML(typ="safe", pure=True).compose(text)
    except MarkedYAMLError as error:
        raise ProblemsError([_syntax_problem(error, file)]) from None
    except (YAMLError, ValueError) as error:
        # Characters that YAML forbids, and surrogates, are met before there are marks.
        raise ProblemsError([_character_problem(error, text, file)]) from None
    except RecursionError:
        problem = Problem(f"expected at most {_DEEPEST} nested levels", Place(file, 1, 1))
        raise ProblemsError([problem]) from None
    return node


def _syntax_problem(error: MarkedYAMLError, file: str) -> Problem:
    """ruamel's complaint in our form, with advice for the mistakes that people make."""
    mark = error.problem_mark or error.context_mark
    place = Place(file, mark.line + 1, mark.column + 1) if mark is not None else Place(file, 1, 1)
    complaint = str(error.problem or error.context or "").strip()
    hint = next((text for words, text in _SYNTAX_HINTS if words in complaint), "")
    context = f" ({error.context})" if error.context and error.problem else ""
    return Problem(
        f"expected YAML, got text it cannot read: {complaint}{context}", place, hint=hint
    )


_SYNTAX_HINTS: Final = (
    ("cannot start any token", "indent with spaces, not tabs; quote text that starts with @ or %"),
    ("mapping values are not allowed", "quote text that holds ': ', and check the indentation"),
    ("expected <block end>", "check that the keys of one group are indented alike"),
    ("could not find expected ':'", "a key is missing its colon"),
    ("found unexpected end of stream", "a quote or a bracket is not closed"),
    ("expected ',' or", "a bracket or brace is not closed, or a comma is missing"),
    ("but found '<stream end>'", "a bracket or brace is not closed"),
    ("undefined alias", "quote text that starts with *"),
    ("expected a single document", "keep one machine in a file"),
)


def _character_problem(error: Exception, text: str, file: str) -> Problem:
    position = getattr(error, "position", None)
    if not isinstance(position, int):
        return Problem("expected YAML, got text it cannot read", Place(file, 1, 1))
    before = text[:position]
    line, column = before.count("\n") + 1, position - (before.rfind("\n") + 1) + 1
    shown = ascii(text[position : position + 1])
    return Problem(f"expected printable characters, got {shown}", Place(file, line, column))


class _Reader:
    """Turns ruamel's nodes into entries."""

    def __init__(self, file: str, problems: list[Problem]) -> None:
        self._file = file
        self._problems = problems
        self._entries = 0

    def entry(self, node: Node, path: str, depth: int = 0) -> Entry:
        place = Place(self._file, node.start_mark.line + 1, node.start_mark.column + 1, path)
        self._entries += 1
        if depth > _DEEPEST or self._entries > _MOST:
            # An alias inside its own anchor has no end, aliases of aliases double and double.
            limit = f"{_DEEPEST} nested levels and {_MOST} values"
            raise ProblemsError([*self._problems, Problem(f"expected at most {limit}", place)])
        if isinstance(node, MappingNode):
            return self._mapping(node, place, depth)
        if isinstance(node, SequenceNode):
            items = (
                self.entry(item, f"{path}[{index}]", depth + 1)
                for index, item in enumerate(node.value)
            )
            return Entry(tuple(items), place)
        return Entry(self._scalar(node, place), place)

    def _mapping(self, node: MappingNode, place: Place, depth: int) -> Entry:
        values: dict[str, Entry] = {}
        keys: dict[str, Place] = {}
        for key, key_place, value in self._pairs(node, place):
            if key in keys:
                self._complain(
                    f"expected each key once, got '{key}' again",
                    key_place,
                    f"it stands first at line {keys[key].line}",
                )
                continue
            keys[key] = key_place
            values[key] = self.entry(value, key_place.path, depth + 1)
        return Entry(values, place, keys)

    def _pairs(self, node: MappingNode, place: Place) -> Iterator[tuple[str, Place, Node]]:
        for key_node, value in node.value:
            mark = key_node.start_mark
            where = Place(self._file, mark.line + 1, mark.column + 1, place.path)
            if not isinstance(key_node, ScalarNode):
                self._complain("expected a word as a key, got a list or a mapping", where)
                continue
            key = self._text(key_node, where)
            yield key, Place(where.file, where.line, where.column, _join(place.path, key)), value

    def _scalar(self, node: Node, place: Place) -> str | int | float | bool | None:
        tag, text = str(node.tag).removeprefix(_TAG), self._text(node, place)
        if tag == "null":
            return None
        if tag == "bool":
            return text.lower() in ("true", "yes", "on")
        if tag in ("int", "float"):
            return self._number(tag, text, place)
        if tag not in ("str", "timestamp"):
            self._complain(f"expected a plain value, got one tagged '{node.tag}'", place)
        return text

    def _text(self, node: Node, place: Place) -> str:
        """A scalar's text; an escape of half a character is no text."""
        text = str(node.value)
        if text.isascii() or not _SURROGATE.search(text):
            return text
        # JSON writes a character beyond 16 bits as two escapes, YAML takes them for two.
        halves = text.encode("utf-16", "surrogatepass")
        try:
            return halves.decode("utf-16")
        except UnicodeDecodeError:
            self._complain(f"expected characters, got {text[:60]!a}", place)
            return halves.decode("utf-16", "replace")

    def _number(self, tag: str, text: str, place: Place) -> int | float | None:
        bare = text.replace("_", "").lower()
        try:
            if tag == "float":
                return float(bare.replace(".inf", "inf").replace(".nan", "nan"))
            return int(bare, 0) if bare.lstrip("+-")[:2] in ("0x", "0o", "0b") else int(bare)
        except ValueError:
            self._complain(f"expected a number, got '{text[:60]}'", place)
            return None

    def _complain(self, message: str, place: Place, hint: str = "") -> None:
        self._problems.append(Problem(message, place, hint=hint))


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def walk(entry: Entry, steps: tuple[Any, ...]) -> Entry:
    """The deepest part of the document on the way along `steps`."""
    for step in steps:
        child = entry.child(step)
        if child is None:
            return entry
        entry = child
    return entry


def to_scalar(entry: Entry) -> Scalar:
    """A part of the document as others keep it."""
    if isinstance(entry.value, tuple):
        return Scalar(tuple(to_scalar(item) for item in entry.value), entry.place)
    if isinstance(entry.value, dict):
        parts = {key: to_scalar(item) for key, item in entry.value.items()}
        return Scalar(parts, entry.place)
    assert not isinstance(entry.value, Mapping)
    return Scalar(entry.value, entry.place)
