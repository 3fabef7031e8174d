"""Random Structured Text for tests: expressions with their values by numpy, and statements.

A value is computed while its text is written, on numpy scalars of the declared width, so
that nothing is shared with the compiler. Texts carry parentheses only where the precedence
of IEC 61131-3 (table 55, from memory) asks for them.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

SIGNED = {"SINT": np.int8, "INT": np.int16, "DINT": np.int32, "LINT": np.int64}
UNSIGNED = {"USINT": np.uint8, "UINT": np.uint16, "UDINT": np.uint32, "ULINT": np.uint64}
BITS = {"BYTE": np.uint8, "WORD": np.uint16, "DWORD": np.uint32, "LWORD": np.uint64}
REALS = {"REAL": np.float32, "LREAL": np.float64}
INTEGERS = {**SIGNED, **UNSIGNED}
SCALARS: dict[str, Any] = {**INTEGERS, **BITS, **REALS, "BOOL": np.bool_, "TIME": np.int64}
PRIMARY, UNARY, POWER, TERM, SUM, ORDER, EQUAL, AND, XOR, OR = range(11, 1, -1)
_SPECIAL = (0.0, 1.0, -1.0, 0.1, 2.5, -7.75, 16777217.0, 1e10, 3e38, 1e-30, -0.5, 1e-44)


@dataclass(frozen=True)
class Node:
    """An expression: its text, how tightly that binds, its value."""

    text: str
    level: int
    value: Any

    def inside(self, level: int) -> str:
        """The text as an operand that has to bind at least so tightly."""
        return self.text if self.level >= level else f"({self.text})"


def wrapped(type_: str, value: int) -> Any:
    """A whole number cut to a width by numpy's own cast."""
    return np.array(value % (1 << 64), dtype=np.uint64).astype(SCALARS[type_])[()]


def plain(value: Any) -> Any:
    """The Python value a variable has to hold."""
    return value.item()


class Expressions:
    """Writes expressions over variables whose values are given by type and name."""

    def __init__(self, rng: random.Random, variables: dict[str, dict[str, Any]]) -> None:
        self.rng = rng
        self.variables = variables
        self.types = list(variables)

    def whole(self, type_: str) -> int:
        """A number of a type, often near its limits or near zero."""
        info = np.iinfo(SCALARS[type_])
        near = self.rng.choice((info.min, info.max, 0, 0, 0))
        number = self.rng.choice((near + self.rng.randint(-9, 9), self.rng.randint(-300, 300)))
        if self.rng.random() < 0.3:
            number = self.rng.randint(int(info.min), int(info.max))
        return min(max(int(number), int(info.min)), int(info.max))

    def fraction(self, type_: str) -> Any:
        """A real number of a type."""
        if self.rng.random() < 0.4:
            return SCALARS[type_](self.rng.choice(_SPECIAL))
        return SCALARS[type_](self.rng.uniform(-1000, 1000))

    def value(self, type_: str) -> Any:
        """A random value of a type."""
        if type_ == "BOOL":
            return np.bool_(self.rng.random() < 0.5)
        if type_ == "TIME":
            return np.int64(self.rng.randint(-(10**12), 10**12))
        return self.fraction(type_) if type_ in REALS else SCALARS[type_](self.whole(type_))

    def literal(self, type_: str, value: Any) -> Node:
        """A typed literal."""
        if type_ == "BOOL":
            return Node("TRUE" if value else "FALSE", PRIMARY, value)
        if type_ == "TIME":
            sign = "-" if value < 0 else ""
            return Node(f"T#{sign}{abs(int(value)) // 1000}us", PRIMARY, value // 1000 * 1000)
        if type_ in REALS:  # typed, as arithmetic on untyped literals is exact to LREAL
            return Node(f"{type_}#{float(value):.17E}", PRIMARY, value)
        return Node(f"{type_}#{int(value)}", PRIMARY, value)

    def leaf(self, type_: str) -> Node:
        """A variable or a literal."""
        if self.rng.random() < 0.65 and self.variables.get(type_):
            name = self.rng.choice(list(self.variables[type_]))
            return Node(name, PRIMARY, self.variables[type_][name])
        value = self.value(type_)
        if type_ == "TIME":
            value = np.int64(abs(int(value)))
        return self.literal(type_, value)

    def make(self, type_: str, depth: int) -> Node:
        """An expression of a type."""
        if depth <= 0 or self.rng.random() < 0.15:
            return self.leaf(type_)
        with np.errstate(all="ignore"):
            if type_ == "BOOL":
                return self._truth(depth)
            if type_ in REALS:
                return self._real(type_, depth)
            if type_ in BITS:
                return self._bits(type_, depth)
            return self._time(depth) if type_ == "TIME" else self._integer(type_, depth)

    def _pair(self, type_: str, depth: int) -> tuple[Node, Node]:
        return self.make(type_, depth - 1), self.make(type_, depth - 1)

    def _joined(self, level: int, sign: str, left: Node, right: Node, value: Any) -> Node:
        text = f"{left.inside(level)} {sign} {right.inside(level + 1)}"
        return Node(text, level, value)

    def _truth(self, depth: int) -> Node:
        kind = self.rng.randrange(5)
        if kind == 0:
            operand = self.make("BOOL", depth - 1)
            return Node(f"NOT {operand.inside(PRIMARY)}", UNARY, np.logical_not(operand.value))
        if kind == 1:
            type_ = self.rng.choice([t for t in self.types if t != "BOOL"])
            left, right = self._pair(type_, depth)
            sign, compare = self.rng.choice(
                (("<", np.less), (">", np.greater), ("<=", np.less_equal), (">=", np.greater_equal))
            )
            return self._joined(ORDER, sign, left, right, compare(left.value, right.value))
        if kind == 2:
            type_ = self.rng.choice([t for t in self.types if t not in REALS])
            left, right = self._pair(type_, depth)
            sign, compare = self.rng.choice((("=", np.equal), ("<>", np.not_equal)))
            return self._joined(EQUAL, sign, left, right, compare(left.value, right.value))
        left, right = self._pair("BOOL", depth)
        level, sign, join = self.rng.choice(
            ((AND, "AND", np.logical_and), (XOR, "XOR", np.logical_xor), (OR, "OR", np.logical_or))
        )
        return self._joined(level, sign, left, right, join(left.value, right.value))

    def _choice(self, type_: str, depth: int) -> Node:
        """MIN, MAX, LIMIT, MUX or SEL."""
        a, b = self._pair(type_, depth)
        kind = self.rng.randrange(5)
        if kind == 0:
            return Node(f"MIN({a.text}, {b.text})", PRIMARY, min(a.value, b.value))
        if kind == 1:
            return Node(f"MAX({a.text}, {b.text})", PRIMARY, max(a.value, b.value))
        if kind == 2:
            c = self.make(type_, depth - 1)
            value = min(max(b.value, a.value), c.value)
            return Node(f"LIMIT({a.text}, {b.text}, {c.text})", PRIMARY, value)
        if kind == 3:
            number = self.rng.randrange(3)
            texts = [a.text, b.text, self.leaf(type_).text]
            values = [a.value, b.value]
            text = f"MUX({number % 2}, {', '.join(texts)})"
            return Node(text, PRIMARY, values[number % 2])
        which = self.make("BOOL", depth - 1)
        text = f"SEL({which.text}, {a.text}, {b.text})"
        return Node(text, PRIMARY, b.value if which.value else a.value)

    def _integer(self, type_: str, depth: int) -> Node:
        kind = self.rng.randrange(9)
        if kind < 3:
            left, right = self._pair(type_, depth)
            level, sign, work = self.rng.choice(
                ((SUM, "+", np.add), (SUM, "-", np.subtract), (TERM, "*", np.multiply))
            )
            return self._joined(level, sign, left, right, work(left.value, right.value))
        if kind == 3:
            return self._divided(type_, depth)
        if kind == 8:
            return self._power(type_, depth)
        if kind == 4 and type_ in SIGNED:
            operand = self.make(type_, depth - 1)
            if self.rng.random() < 0.5:
                return Node(f"ABS({operand.text})", PRIMARY, np.abs(operand.value))
            return Node(f"-{operand.inside(PRIMARY)}", UNARY, np.negative(operand.value))
        if kind == 5:
            return self._choice(type_, depth)
        if kind == 6:
            return self._rounded(type_, depth)
        other = self.rng.choice([t for t in self.types if t in INTEGERS or t in BITS])
        operand = self.make(other, depth - 1)
        if other == type_:
            return operand
        value = operand.value.astype(SCALARS[type_])
        return Node(f"{other}_TO_{type_}({operand.text})", PRIMARY, value)

    def _divided(self, type_: str, depth: int) -> Node:
        left = self.make(type_, depth - 1)
        if self.rng.random() < 0.5:
            right = self.make(type_, depth - 1)
            value = np.fmod(left.value, right.value) if right.value else left.value * 0
            return self._joined(TERM, "MOD", left, right, SCALARS[type_](value))
        divisor = self.whole(type_) or 3
        right = self.literal(type_, SCALARS[type_](divisor))
        if self.rng.random() < 0.5:
            other = self.make(type_, depth - 1)
            divisor = int(other.value) or 3
            right = Node(f"SEL({other.inside(ORDER)} = 0, {other.text}, 3)", PRIMARY, divisor)
        a, b = int(left.value), divisor
        exact = abs(a) // abs(b) * (1 if (a < 0) == (b < 0) else -1)
        return self._joined(TERM, "/", left, right, wrapped(type_, exact))

    def _power(self, type_: str, depth: int) -> Node:
        """`**` is exact before it is cut to the type, and groups to the left."""
        left, exponent = self.make(type_, depth - 1), self.rng.randint(0, 9)
        value = wrapped(type_, int(left.value) ** exponent)
        if self.rng.random() < 0.5:
            return Node(f"EXPT({left.text}, {type_}#{exponent})", PRIMARY, value)
        return Node(f"{left.inside(POWER)} ** {type_}#{exponent}", POWER, value)

    def _rounded(self, type_: str, depth: int) -> Node:
        real = self.rng.choice([t for t in self.types if t in REALS] or ["LREAL"])
        operand = self.make(real, depth - 1)
        low, high = (-100, 120) if type_ in SIGNED else (0, 120)
        value = min(max(operand.value, SCALARS[real](low)), SCALARS[real](high))
        if np.isnan(value):
            return self.leaf(type_)
        text = f"LIMIT({low}.0, {operand.text}, {high}.0)"
        if self.rng.random() < 0.5:
            return Node(f"{real}_TO_{type_}({text})", PRIMARY, SCALARS[type_](np.rint(value)))
        return Node(f"{real}_TRUNC_{type_}({text})", PRIMARY, SCALARS[type_](np.trunc(value)))

    def _bits(self, type_: str, depth: int) -> Node:
        kind = self.rng.randrange(6)
        width = SCALARS[type_](0).itemsize * 8
        if kind == 0:
            operand = self.make(type_, depth - 1)
            return Node(f"NOT {operand.inside(PRIMARY)}", UNARY, np.invert(operand.value))
        if kind == 1:
            operand, count = self.make(type_, depth - 1), self.rng.randint(0, width + 2)
            if "UINT" in self.types and self.rng.random() < 0.5:
                by = self.make("UINT", depth - 1)
                count = int(by.value)
                return self._shifted(type_, operand, count, width, by.text)
            return self._shifted(type_, operand, count, width, str(count))
        if kind == 2:
            return self._choice(type_, depth)
        if kind == 3:
            other = self.rng.choice([t for t in self.types if t in INTEGERS or t in BITS])
            operand = self.make(other, depth - 1)
            if other == type_:
                return operand
            value = operand.value.astype(SCALARS[type_])
            return Node(f"{other}_TO_{type_}({operand.text})", PRIMARY, value)
        left, right = self._pair(type_, depth)
        level, sign, join = self.rng.choice(
            ((AND, "AND", np.bitwise_and), (XOR, "XOR", np.bitwise_xor), (OR, "OR", np.bitwise_or))
        )
        return self._joined(level, sign, left, right, join(left.value, right.value))

    def _shifted(self, type_: str, operand: Node, count: int, width: int, by: str) -> Node:
        name = self.rng.choice(("SHL", "SHR", "ROL", "ROR"))
        bits = f"{int(operand.value):0{width}b}"
        turn = count % width
        count = min(count, width)
        moved = {
            "SHL": (bits + "0" * count)[-width:],
            "SHR": ("0" * count + bits)[:width],
            "ROL": bits[turn:] + bits[:turn],
            "ROR": bits[width - turn :] + bits[: width - turn],
        }[name]
        return Node(f"{name}({operand.text}, {by})", PRIMARY, SCALARS[type_](int(moved, 2)))

    def _real(self, type_: str, depth: int) -> Node:
        kind = self.rng.randrange(8)
        if kind < 3:
            left, right = self._pair(type_, depth)
            level, sign, work = self.rng.choice(
                ((SUM, "+", np.add), (SUM, "-", np.subtract), (TERM, "*", np.multiply))
            )
            return self._joined(level, sign, left, right, work(left.value, right.value))
        if kind == 3:
            left, by = self.make(type_, depth - 1), SCALARS[type_](self.rng.uniform(0.01, 90))
            right = self.literal(type_, by)
            return self._joined(TERM, "/", left, right, np.divide(left.value, by))
        operand = self.make(type_, depth - 1)
        if kind == 4:
            return Node(f"-{operand.inside(PRIMARY)}", UNARY, np.negative(operand.value))
        if kind == 5:
            size = np.abs(operand.value)
            return Node(f"SQRT(ABS({operand.text}))", PRIMARY, np.sqrt(size))
        if kind == 6:
            return self._choice(type_, depth)
        other = self.rng.choice([t for t in self.types if t in INTEGERS or t in REALS])
        if other == type_:
            return operand
        source = self.make(other, depth - 1)
        return Node(
            f"{other}_TO_{type_}({source.text})", PRIMARY, source.value.astype(SCALARS[type_])
        )

    def _time(self, depth: int) -> Node:
        kind = self.rng.randrange(4)
        if kind == 0:
            return self._choice("TIME", depth)
        if kind == 1:
            left = self.make("TIME", depth - 1)
            number = self.rng.randint(-40, 40)
            right = self.literal("DINT", np.int32(number))
            return self._joined(TERM, "*", left, right, left.value * np.int64(number))
        left, right = self._pair("TIME", depth)
        sign, work = self.rng.choice((("+", np.add), ("-", np.subtract)))
        return self._joined(SUM, sign, left, right, work(left.value, right.value))


class Statements:
    """Writes programs that end: statements over variables, blocks, functions and arrays."""

    VARIABLES: ClassVar[dict[str, list[str]]] = {
        "INT": ["a", "b", "k"],
        "DINT": ["d", "e"],
        "USINT": ["u"],
        "WORD": ["w"],
        "REAL": ["x", "y", "z"],
        "LREAL": ["p", "q"],
        "BOOL": ["m", "n", "o"],
        "TIME": ["s", "t"],
    }
    _HEAD = """
    FUNCTION Halve : INT VAR_INPUT v : INT; END_VAR
        IF v < 0 THEN Halve := -v / 2; RETURN; END_IF; Halve := v / 2; END_FUNCTION
    FUNCTION Mix : REAL VAR_INPUT g, h : REAL; END_VAR VAR_OUTPUT low : REAL; END_VAR
        low := MIN(g, h); Mix := g * 0.3 + h * 0.7; END_FUNCTION
    FUNCTION_BLOCK Lag VAR_INPUT v : REAL; k : REAL := 0.25; END_VAR
        VAR_OUTPUT y : REAL; END_VAR VAR n : INT; END_VAR
        VAR_TEMP d : REAL; END_VAR
        FOR n := 1 TO 3 DO d := v - y; y := y + d * k; IF y > 1.0E6 THEN EXIT; END_IF; END_FOR;
        IF n > 3 THEN RETURN; END_IF; y := 0.0; END_FUNCTION_BLOCK
    TYPE Pair : STRUCT one : INT; two : REAL; END_STRUCT; END_TYPE
    """

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        zero = {t: {n: SCALARS[t](0) for n in names} for t, names in self.VARIABLES.items()}
        self.expressions = Expressions(rng, zero)
        self.free = ["i1", "i2", "i3"]
        self.loops = 0

    def program(self, size: int) -> str:
        """A whole text with so many statements, more or less."""
        lines = "".join(f"  {', '.join(n)} : {t};\n" for t, n in self.VARIABLES.items())
        body = "\n".join(self.statement(2) for _ in range(size))
        return (
            f"{self._HEAD}PROGRAM P VAR\n{lines}  i1, i2, i3, c1 : INT; small : INT(-50..50);"
            " r : ARRAY[1..5] OF INT; f : ARRAY[0..1, 1..2] OF REAL; pair, other : Pair;"
            " lag, lag2 : Lag; on : TON; off : TOF; pulse : TP; count : CTU; edge : R_TRIG;"
            " latch : SR;\nEND_VAR\n"
            f"{body}\nEND_PROGRAM\n"
        )

    def expression(self, type_: str, depth: int = 2) -> str:
        """The text of an expression."""
        rng = self.rng
        if rng.random() < 0.15 and type_ in ("INT", "REAL", "BOOL"):
            index = f"LIMIT(1, {self.expression('INT', 0)}, 5)"
            named = "Mix(g := y, h := x, low => z)"
            choices = {
                "INT": (f"r[{index}]", "pair.one", "Halve(a)", "Halve(b + 1)"),
                "REAL": ("f[1, 2]", "lag.y", "pair.two", "Mix(x, y)", named),
                "BOOL": ("on.Q", "edge.Q", "latch.Q1", "count.Q", "w.3"),
            }
            return rng.choice(choices[type_])
        return self.expressions.make(type_, depth).text

    def body(self, depth: int) -> str:
        """A few statements."""
        return " ".join(self.statement(depth) for _ in range(self.rng.randint(1, 3)))

    def statement(self, depth: int) -> str:
        """One statement."""
        rng = self.rng
        if depth > 0 and rng.random() < 0.45:
            kinds = [self._if, self._case, self._for, self._while, self._repeat]
            return rng.choice(kinds)(depth - 1)
        if self.loops and rng.random() < 0.08:
            return f"IF {self.expression('BOOL')} THEN {rng.choice(('EXIT', 'CONTINUE'))}; END_IF;"
        return rng.choice((self._assign, self._assign, self._assign, self._call))()

    def _assign(self) -> str:
        rng = self.rng
        if rng.random() < 0.25:
            index = self.expression("INT", 1)
            return rng.choice(
                (
                    f"r[LIMIT(1, {index}, 5)] := {self.expression('INT')};",
                    f"r[ABS({index} MOD 5) + 1] := {self.expression('INT')};",
                    f"f[{rng.randint(0, 1)}, {rng.randint(1, 2)}] := {self.expression('REAL')};",
                    f"pair.two := {self.expression('REAL')}; other := pair;",
                    f"w.{rng.randint(0, 15)} := {self.expression('BOOL')};",
                    f"small := LIMIT(-51, {self.expression('INT')}, 50);",
                    f"a := MUL(EN := {self.expression('BOOL')}, IN1 := b, IN2 := k, ENO => n);",
                    f"k := DIV(EN := TRUE, IN1 := {index}, IN2 := a, ENO => o);",
                )
            )
        type_ = rng.choice(list(self.VARIABLES))
        return f"{rng.choice(self.VARIABLES[type_])} := {self.expression(type_, 3)};"

    def _call(self) -> str:
        truth, other = self.expression("BOOL"), self.expression("BOOL")
        return self.rng.choice(
            (
                f"on(IN := {truth}, PT := T#120ms);",
                f"off(IN := {truth}, PT := T#90ms, ET => s);",
                f"pulse(IN := {truth}, PT := T#70ms, Q => m);",
                f"count(CU := {truth}, R := {other}, PV := 3, CV => a);",
                f"edge(CLK := {truth});",
                f"Mix(g := {self.expression('REAL')}, h := x, low => z);",
                f"latch(S1 := {truth}, R := {other}, Q1 => n);",
                f"lag(v := {self.expression('REAL')}, y => y);",
                f"lag2(v := {self.expression('REAL')}, k := 0.5);",
            )
        )

    def _if(self, depth: int) -> str:
        text = f"IF {self.expression('BOOL')} THEN {self.body(depth)}"
        for _ in range(self.rng.randint(0, 2)):
            text += f" ELSIF {self.expression('BOOL')} THEN {self.body(depth)}"
        if self.rng.random() < 0.5:
            text += f" ELSE {self.body(depth)}"
        return f"{text} END_IF;"

    def _case(self, depth: int) -> str:
        text = f"CASE {self.expression('INT')} OF 0: {self.body(depth)}"
        for number in range(self.rng.randint(0, 11)):
            label = self.rng.choice((f"{number + 1}", f"{-number - 3}..{-number - 2}"))
            text += f" {label}: {self.body(0)}"
        if self.rng.random() < 0.5:
            text += f" ELSE {self.body(depth)}"
        return f"{text} END_CASE;"

    def _for(self, depth: int) -> str:
        if not self.free:
            return self._assign()
        name = self.free.pop()
        by = self.rng.choice(("", " BY 2", " BY -1", " BY -3"))
        start, end = self.rng.randint(-4, 8), self.rng.randint(-4, 8)
        if self.rng.random() < 0.3:
            end_text = f"{end} + LIMIT(-3, {self.expression('INT', 1)}, 3)"
        else:
            end_text = str(end)
        self.loops += 1
        body = self.body(depth)
        self.loops -= 1
        extra = f" e := e + {name};" if self.rng.random() < 0.6 else ""
        self.free.append(name)
        return f"FOR {name} := {start} TO {end_text}{by} DO {body}{extra} END_FOR;"

    def _while(self, depth: int) -> str:
        if not self.free:
            return self._assign()
        name = self.free.pop()
        self.loops += 1
        body = self.body(depth)
        self.loops -= 1
        self.free.append(name)
        limit = self.rng.randint(0, 6)
        return (
            f"{name} := 0; WHILE {name} < {limit} AND ({self.expression('BOOL')}) DO"
            f" {name} := {name} + 1; {body} END_WHILE;"
        )

    def _repeat(self, depth: int) -> str:
        if not self.free:
            return self._assign()
        name = self.free.pop()
        self.loops += 1
        body = self.body(depth)
        self.loops -= 1
        self.free.append(name)
        return (
            f"{name} := 0; REPEAT {name} := {name} + 1; {body}"
            f" UNTIL {name} >= {self.rng.randint(1, 5)} OR {self.expression('BOOL')} END_REPEAT;"
        )
