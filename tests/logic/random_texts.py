"""Random expressions over strings, characters and dates too, with their values by Python.

A text is a Python string, cut and joined by slices; dates and times of day are whole numbers
of nanoseconds. As in `random_logic`, nothing is shared with the compiler.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from random_logic import PRIMARY, SUM, Expressions, Node

TEXTS = {"STRING": "'", "WSTRING": '"'}
MOMENTS = ("DATE", "TOD", "DT")
LETTERS = "abAB01 $'\"é\n"
DAY_NS = 86_400 * 10**9
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_ESCAPES = {"$": "$$", "\n": "$N", "\t": "$T"}
_SHAPES = {"DATE": "D#%Y-%m-%d", "TOD": "TOD#%H:%M:%S.%f", "DT": "DT#%Y-%m-%d-%H:%M:%S.%f"}
LONGEST = 80


class Everything(Expressions):
    """Expressions of every elementary family; `numbers` are the types of `Expressions`."""

    def __init__(self, rng: random.Random, variables: dict[str, dict[str, Any]]) -> None:
        super().__init__(rng, variables)
        self.types = [t for t in variables if t not in TEXTS and t not in MOMENTS]
        self.others = [t for t in variables if t in TEXTS or t in MOMENTS]

    def value(self, type_: str) -> Any:
        """A random value of a type."""
        if type_ in TEXTS:
            return "".join(self.rng.choice(LETTERS) for _ in range(self.rng.randint(0, 8)))
        if type_ == "DATE":
            return np.int64(self.rng.randint(-40_000, 40_000) * DAY_NS)
        if type_ == "TOD":
            return np.int64(self.rng.randrange(86_400_000) * 10**6)
        if type_ == "DT":
            return np.int64(self.rng.randint(-(10**12), 10**12) * 10**6)
        return super().value(type_)

    def literal(self, type_: str, value: Any) -> Node:
        """A literal of a value."""
        if type_ in TEXTS:
            mark = TEXTS[type_]
            escaped = {**_ESCAPES, mark: f"${mark}"}
            inner = "".join(escaped.get(c, c) for c in value)
            return Node(f"{mark}{inner}{mark}", PRIMARY, value)
        if type_ in MOMENTS:
            moment = EPOCH + timedelta(microseconds=int(value) // 1000)
            return Node(moment.strftime(_SHAPES[type_]), PRIMARY, value)
        return super().literal(type_, value)

    def make(self, type_: str, depth: int) -> Node:
        """An expression of a type."""
        rng = self.rng
        if depth > 0 and rng.random() < 0.85:
            if type_ in TEXTS:
                return self._text(type_, depth)
            if type_ in MOMENTS:
                return self._moment(type_, depth)
            if self.others and type_ in ("INT", "BOOL", "TIME") and rng.random() < 0.4:
                return self._from_others(type_, depth)
        elif type_ in TEXTS or type_ in MOMENTS:
            return self.leaf(type_)
        return super().make(type_, depth)

    def _count(self, depth: int) -> tuple[str, int]:
        """A length from 0 or a position from 1, often beyond the text."""
        node = self.make("INT", min(depth - 1, 1))
        low = self.rng.randint(1, 2)
        return f"LIMIT({low}, {node.text}, 12)", min(max(int(node.value), low), 12)

    def _text(self, type_: str, depth: int) -> Node:
        kind = self.rng.randrange(9)
        a = self.make(type_, depth - 1)
        if kind == 0:
            return self._choice(type_, depth)
        if kind in (1, 2):
            b = self.make(type_, depth - 1)
            return self._short(type_, f"CONCAT({a.text}, {b.text})", a.value + b.value)
        (n_text, n), (p_text, p) = self._count(depth), self._count(depth)
        if kind == 3:
            return Node(f"LEFT({a.text}, {n_text})", PRIMARY, a.value[:n])
        if kind == 4:
            kept = a.value[-n:]
            return Node(f"RIGHT({a.text}, {n_text})", PRIMARY, kept)
        if kind == 5:
            return Node(f"MID({a.text}, {n_text}, {p_text})", PRIMARY, a.value[p - 1 :][:n])
        if kind == 6:
            rest = a.value[: p - 1] + a.value[p - 1 :][n:]
            return Node(f"DELETE({a.text}, {n_text}, {p_text})", PRIMARY, rest)
        b = self.make(type_, depth - 1)
        if kind == 7:
            made = a.value[:p] + b.value + a.value[p:]
            return self._short(type_, f"INSERT({a.text}, {b.text}, {p_text})", made)
        made = a.value[: p - 1] + b.value + a.value[p - 1 :][n:]
        return self._short(type_, f"REPLACE({a.text}, {b.text}, {n_text}, {p_text})", made)

    def _short(self, type_: str, text: str, value: str) -> Node:
        """Texts that would outgrow their variables are left out."""
        return Node(text, PRIMARY, value) if len(value) <= LONGEST else self.leaf(type_)

    def _moment(self, type_: str, depth: int) -> Node:
        if type_ == "DATE" or self.rng.random() < 0.3:
            return self._choice(type_, depth)
        left, right = self.make(type_, depth - 1), self.make("TIME", depth - 1)
        sign, work = self.rng.choice((("+", np.add), ("-", np.subtract)))
        return self._joined(SUM, sign, left, right, work(left.value, right.value))

    def _from_others(self, type_: str, depth: int) -> Node:
        other = self.rng.choice(self.others)
        a, b = self._pair(other, depth)
        if type_ == "BOOL":
            return self._compared(a, b)
        if type_ == "INT" and other in TEXTS:
            if self.rng.random() < 0.5:
                return Node(f"LEN({a.text})", PRIMARY, np.int16(len(a.value)))
            return Node(f"FIND({a.text}, {b.text})", PRIMARY, np.int16(a.value.find(b.value) + 1))
        if type_ == "TIME" and other in MOMENTS:
            return self._joined(SUM, "-", a, b, np.subtract(a.value, b.value))
        return super().make(type_, depth)

    def _compared(self, a: Node, b: Node) -> Node:
        tests = {
            "<": a.value < b.value,
            "<=": a.value <= b.value,
            ">": a.value > b.value,
            ">=": a.value >= b.value,
            "=": a.value == b.value,
            "<>": a.value != b.value,
        }
        sign = self.rng.choice(list(tests))
        names = {"<": "LT", "<=": "LE", ">": "GT", ">=": "GE", "=": "EQ", "<>": "NE"}
        if self.rng.random() < 0.3:
            return Node(f"{names[sign]}({a.text}, {b.text})", PRIMARY, np.bool_(tests[sign]))
        text = f"{a.inside(PRIMARY)} {sign} {b.inside(PRIMARY)}"
        return Node(f"({text})", PRIMARY, np.bool_(tests[sign]))
