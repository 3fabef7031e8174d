"""Comments and pragmas of a source, given to whatever element they stand by."""

from __future__ import annotations

from softctl.errors import Place, Problem
from softctl.logic.lexer import tokenize
from softctl.logic.source import Reporter, Source


class Remarks:
    """The comments and pragmas of one source, claimed from its start to its end."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self._spans = tokenize(source, Reporter()).remarks
        self._next = 0
        self.left: list[Problem] = []

    def claim_until(self, offset: int, pragma: str = "") -> str:
        """The texts of the comments before an offset that nobody has claimed.

        Pragmas there, save the element's own, are noted as not carried over.
        """
        texts = []
        while self._next < len(self._spans) and self._spans[self._next][0] < offset:
            text = self._text(self._next)
            if not text.startswith("{"):
                texts.append(_bare(text))
            elif text[1:-1].strip() != pragma:
                self._leave()
            self._next += 1
        return "\n".join(texts)

    def skip_until(self, offset: int) -> None:
        """Pass over what stands in a text that is kept whole."""
        while self._next < len(self._spans) and self._spans[self._next][0] < offset:
            self._next += 1

    def claim_same(self, comment: str) -> None:
        """Claim the next comment if it reads so."""
        if comment and self._next < len(self._spans) and _bare(self._text(self._next)) == comment:
            self._next += 1

    def leave_until(self, offset: int) -> None:
        """Note what is before an offset as not carried over."""
        while self._next < len(self._spans) and self._spans[self._next][0] < offset:
            self._leave()
            self._next += 1

    def _leave(self) -> None:
        what = "pragma" if self._text(self._next).startswith("{") else "comment"
        place = self.place(self._spans[self._next][0])
        message = f"not carried over: a {what} that belongs to no element"
        self.left.append(Problem(message, place, "warning", self.source.excerpt(place.line)))

    def place(self, offset: int) -> Place:
        """Line and column of an offset."""
        text = self.source.text
        line_start = text.rfind("\n", 0, offset) + 1
        return Place(self.source.name, text.count("\n", 0, offset) + 1, offset - line_start + 1)

    def _text(self, number: int) -> str:
        start, stop = self._spans[number]
        return self.source.text[start:stop]


def _bare(text: str) -> str:
    """The inside of a comment."""
    inner = text[2:] if text.startswith("//") else text[2:-2]
    return inner.replace("\r\n", "\n").strip()


def comment_lines(text: str) -> list[str]:
    """A text as lines of comment that parse back to it."""
    lines = text.split("\n")
    if len(lines) == 1 or any(mark in text for mark in ("(*", "*)")):
        return [f"// {line}".rstrip() for line in lines]
    return [f"(* {lines[0]}", *lines[1:-1], f"{lines[-1]} *)"]
