"""Programs in a README, and what they promise of themselves.

A fenced block of `iec-st` is a source of its own. Comments in it that start with `//!` are
promises, checked in order:

    //! every 100 ms              the scan period from here on (100 ms if nothing is said)
    //! 300 ms: a=TRUE -> b=1     scan up to there, set inputs before that scan, then compare
    //! warning: words            compiling warns so (a block without this line must not warn)
    //! error: words              compiling fails so; scans make no sense then
    //! fault: words              the next scan fails so

Names are paths such as `Main.pump`, or globals; what is to be set may be left out. Values
are TRUE, FALSE, numbers, T#…, texts in quotes, or names of an enumeration's values.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from softctl.control.library import controller_blocks
from softctl.errors import ProblemsError
from softctl.logic import Application, Instance, LogicFault, Source, compile_application
from softctl.logic.literals import parse_duration

_FENCE = re.compile(r"^```iec-st\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_PROMISE = re.compile(r"^\s*//! *(every|warning|error|fault|[\d.]+ *m?s)(?: *:)? *(.*)$")
_PAIR = re.compile(r"([\w.\[\],%]+) *= *('[^']*'|[^\s,;]+)")
_UNITS = {"ms": 1_000_000, "s": 1_000_000_000}


@dataclass(frozen=True, slots=True)
class Block:
    """One fenced program; `line` is that of its first line."""

    text: str
    line: int

    def promises(self) -> list[tuple[str, str]]:
        """What the block says of itself, in order; raises ValueError for a line it cannot read."""
        found = []
        for line in self.text.splitlines():
            if "//!" in line:
                match = _PROMISE.match(line)
                if match is None:
                    raise ValueError(f"expected a promise, got {line.strip()}")
                found.append((match[1], match[2].strip()))
        return found


def blocks(text: str) -> Iterator[Block]:
    """The programs of a text."""
    for match in _FENCE.finditer(text):
        yield Block(match[1], text.count("\n", 0, match.start()) + 2)


def check(block: Block) -> None:
    """Compile a block and hold it to its promises."""
    promises = block.promises()
    errors = [words for kind, words in promises if kind == "error"]
    source = Source("readme.st", block.text)
    if errors:
        with pytest.raises(ProblemsError) as caught:
            compile_application([source], library=controller_blocks())
        _same(errors, [problem.message for problem in caught.value.problems])
        return
    application = compile_application([source], library=controller_blocks())
    warned = [words for kind, words in promises if kind == "warning"]
    _same(warned, [problem.message for problem in application.warnings])
    _Run(application).keep(promises)


def _same(wanted: list[str], got: list[str]) -> None:
    assert len(got) == len(wanted), got
    for words, message in zip(wanted, got, strict=True):
        assert words in message


class _Run:
    def __init__(self, application: Application) -> None:
        self.instance: Instance = application.instantiate()
        self.period_ns = 100 * _UNITS["ms"]
        self.next_ns = 0

    def keep(self, promises: list[tuple[str, str]]) -> None:
        for kind, words in promises:
            if kind == "every":
                self.period_ns = _time(words)
            elif kind == "fault":
                with pytest.raises(LogicFault) as caught:
                    self.instance.scan(self.next_ns)
                assert words in str(caught.value), str(caught.value)
            elif kind[0].isdigit():
                self._at(_time(kind), words)

    def _at(self, when_ns: int, words: str) -> None:
        stimuli, _, expected = words.rpartition("->")
        while self.next_ns < when_ns:
            self._scan()
        given = _PAIR.findall(stimuli)
        for path, text in given:
            self.instance.write(path, _value(text))
        if given or self.next_ns == when_ns:  # else this is more about the scan just made
            self._scan()
        pairs = _PAIR.findall(expected)
        assert pairs, f"expected something to compare, got {words}"
        for path, text in pairs:
            got, wanted = self.instance.read(path), self._wanted(path, text)
            near = pytest.approx(wanted) if isinstance(wanted, float) else wanted
            assert got == near, f"{path} at {when_ns} ns"

    def _scan(self) -> None:
        self.instance.scan(self.next_ns)
        self.next_ns += self.period_ns

    def _wanted(self, path: str, text: str) -> Any:
        """A value; the name of an enumeration's value is what writing it there would store."""
        value = _value(text)
        if not isinstance(value, str) or text[0] == "'":
            return value
        before = self.instance.read(path)
        self.instance.write(path, value)
        stored = self.instance.read(path)
        self.instance.write(path, before)
        return stored


def _value(text: str) -> Any:
    if text in ("TRUE", "FALSE"):
        return text == "TRUE"
    if text.startswith("T#"):
        return parse_duration(text[2:])
    if text[0] == "'":
        return text[1:-1]
    try:
        return int(text.replace("16#", "0x"), 0)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text


def _time(text: str) -> int:
    match = re.fullmatch(r"([\d.]+) *(m?s)", text.strip())
    assert match is not None, f"expected a time such as 300 ms, got {text}"
    return round(float(match[1]) * _UNITS[match[2]])
