"""Typed statements rendered as lines of Python, each with the ST line it stands for."""

from __future__ import annotations

from typing import Any

from softctl.logic import typed
from softctl.logic.python_expressions import ExpressionRenderer, mangle, returned
from softctl.logic.python_usage import calls_functions, is_inlined, survey
from softctl.logic.types import ArrayType, StringType, StructType, Type, is_aggregate
from softctl.values.types import ElementaryType, Kind

SMALL_LOOP = 1_000
"""A counted loop of at most this many passes is not charged to the scan's budget."""


_BRANCHES = 200
_DEEP = 30


class Writer:
    """Lines of Python, indented, with their ST lines."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.marks: list[int] = []
        self.level = 0
        self.line = 0

    def put(self, text: str) -> None:
        """Add one line."""
        self.lines.append("    " * self.level + text)
        self.marks.append(self.line)

    def insert(self, position: int, text: str, level: int) -> None:
        """Add one line further up."""
        self.lines.insert(position, "    " * level + text)
        self.marks.insert(position, self.line)


class StatementRenderer(ExpressionRenderer):
    """Renders the statements of one unit."""

    def __init__(self, writer: Writer, block: typed.Block) -> None:
        super().__init__()
        self.writer = writer
        self.block = block
        self.usage = survey(block.body)
        self._depth = 0
        self._leaving: list[str] = []
        """What to do before each loop around here is left early, or nothing."""
        self._charges: list[str] = []
        """What a RETURN out of each loop around here still owes to the scan's budget."""

    def before(self, line: str) -> None:
        self.writer.put(line)

    def strict(self, node: typed.Expression) -> str:
        """An expression that is always evaluated, before anything else on its line."""
        if self.usage.functions and calls_functions(node):
            return self.render(node)
        self._inline -= 1
        text = self.render(node)
        self._inline += 1
        return text

    def statements(self, body: list[typed.Statement]) -> None:
        """Statements one level further in; never empty."""
        writer = self.writer
        writer.level += 1
        for statement in body:
            writer.line = statement.at.line
            self._cell = 0
            self.statement(statement)
        if not body:
            writer.put("pass")
        writer.level -= 1

    def statement(self, node: typed.Statement) -> None:
        """One statement."""
        if isinstance(node, typed.Assign):
            self._assign(node)
        elif isinstance(node, typed.If):
            self._if(node)
        elif isinstance(node, typed.CallBlock):
            self._call(node)
        elif isinstance(node, typed.Case):
            self._case(node)
        elif isinstance(node, typed.For):
            self._for(node)
        elif isinstance(node, typed.While):
            self._while(node)
        elif isinstance(node, typed.Repeat):
            self._repeat(node)
        elif isinstance(node, typed.Evaluate):
            self._evaluate(node)
        elif isinstance(node, typed.Attempt):
            self.writer.put("try:")
            self.statements(node.body)
            self.writer.put("except FAULTS:")
            self.statements(node.failed)
        elif isinstance(node, typed.Return):
            for line in (*self._charges, *self._leaving):
                if line:
                    self.writer.put(line)
            self.writer.put(self.return_text())
        elif isinstance(node, typed.Exit):
            if self._leaving[-1]:
                self.writer.put(self._leaving[-1])
            self.writer.put("break")
        else:
            self.writer.put("continue")

    def return_text(self) -> str:
        """The Python `return` of this unit."""
        if self.block.kind != "FUNCTION":
            return "return"
        result = mangle(self.block.key) if self.block.result is not None else "None"
        others = [mangle(symbol.key) for symbol in returned(self.block)]
        return f"return ({', '.join([result, *others])})" if others else f"return {result}"

    # Assignments

    def store(self, target: typed.Expression, value: str, type_: Type) -> None:
        """Put a rendered value into a variable."""
        writer = self.writer
        if isinstance(target, typed.Part):
            self._store_part(target, value)
        elif isinstance(target, typed.Character):
            base, index = self.render(target.base), self.render(target.index)
            text = f"text_with({base}, {index}, {value}, {target.limit})"
            self.store(target.base, text, target.base.type)
        elif isinstance(type_, ArrayType):
            simple = len(type_.bounds) == 1 and not is_aggregate(type_.element)
            text = self.render(target)
            writer.put(f"{text}[:] = {value}" if simple else f"copy_array({text}, {value})")
        elif isinstance(type_, StructType):
            writer.put(f"{self.render(target)}.assign({value})")
        else:
            writer.put(f"{self.render(target)} = {value}")

    def _store_part(self, target: typed.Part, value: str) -> None:
        base = self.render(target.base)
        mask = ((1 << target.width) - 1) << target.shift
        type_ = target.base.type
        assert isinstance(type_, ElementaryType)
        if target.width == 1:
            text = f"{base} | {mask} if {value} else {base} & {type_.high & ~mask}"
        else:
            text = f"{base} & {type_.high & ~mask} | {value} << {target.shift}"
        if type_.kind is Kind.SIGNED:
            keep = f"{base} & {~mask}"
            bits = (
                f"({mask} if {value} else 0)"
                if target.width == 1
                else f"({value} << {target.shift})"
            )
            text = f"wrap_{type_.name}({keep} | {bits})"
        self.store(target.base, text, type_)

    def _assign(self, node: typed.Assign) -> None:
        if isinstance(node.value, typed.FunctionCall) and returned(node.value.function):
            name = self._tuple(node.value)
            self.store(node.target, f"{name}[0]", node.target.type)
            return
        self.store(node.target, self.strict(node.value), node.target.type)

    def _tuple(self, call: typed.FunctionCall) -> str:
        name = self.fresh()
        self.writer.put(f"{name} = {self.function_text(call)}")
        for target, value in self.fetches(call, name):
            self.store(target, value, target.type)
        return name

    def _evaluate(self, node: typed.Evaluate) -> None:
        if isinstance(node.value, typed.FunctionCall) and returned(node.value.function):
            self._tuple(node.value)
        else:
            self.writer.put(self.render(node.value))

    def _call(self, node: typed.CallBlock) -> None:
        put, b = self.writer.put, self.render(node.instance)
        if not b.isidentifier():
            put(f"b = {b}")
            b = "b"
        for symbol, value in node.inputs:
            self._cell = 0
            name, text = f"{b}.{mangle(symbol.key)}", self.strict(value)
            if isinstance(symbol.type, ArrayType):
                put(f"copy_array({name}, {text})")
            elif isinstance(symbol.type, StructType):
                put(f"{name}.assign({text})")
            else:
                put(f"{name} = {text}")
        for symbol, value in node.in_outs:
            put(f"{b}.{mangle(symbol.key)} = {self.render(value)}")
        if is_inlined(node.type.block):
            self._run_here(node.type.block, b)
        else:
            put(f"{b}.run(g)")
        self.aliases[id(node.instance)] = b
        for symbol, value in node.in_outs:
            if not is_aggregate(symbol.type):
                self.store(value, f"{b}.{mangle(symbol.key)}", value.type)
        for target, value in node.outputs:
            self.store(target, self.render(value), target.type)
        del self.aliases[id(node.instance)]

    def _run_here(self, block: typed.Block, instance: str) -> None:
        """The body of a small block in place of a call, on the line of the call."""
        before, self.me = self.me, instance
        for statement in block.body:
            assert isinstance(statement, typed.Assign)
            self.store(statement.target, self.render(statement.value), statement.target.type)
        self.me = before

    # Selection

    def _if(self, node: typed.If) -> None:
        word, writer = "if", self.writer
        level = writer.level
        going_on = self._going_on(len(node.branches))
        for number, (condition, body) in enumerate(node.branches):
            writer.line = condition.at.line
            mark = len(writer.lines)
            self._cell = 0
            if number and number % _BRANCHES == 0:
                word = self._interrupt(going_on, level)
            if word == "elif":  # lines in front of a later condition need an else of their own
                writer.level += 1
            deep = word == "elif" and writer.level > _DEEP
            test = self.sometimes(condition) if deep else self.strict(condition)
            if word == "elif" and len(writer.lines) == mark:
                writer.level -= 1
            elif word == "elif":
                writer.insert(mark, "else:", writer.level - 1)
                word = "if"
            writer.put(f"{word} {test}:")
            self.statements(body)
            word = "elif"
        if node.otherwise:
            writer.put("else:")
            self.statements(node.otherwise)
        writer.level = level

    def _case(self, node: typed.Case) -> None:
        name = self.fresh()
        self.writer.put(f"{name} = {self.strict(node.selector)}")
        word, level = "if", self.writer.level
        going_on = self._going_on(len(node.arms))
        for number, (labels, body) in enumerate(node.arms):
            if number and number % _BRANCHES == 0:
                word = self._interrupt(going_on, level)
            self.writer.put(f"{word} {_label_test(name, labels)}:")
            self.statements(body)
            word = "elif"
        if not node.arms:
            self.writer.put("if False: pass")
        if node.otherwise:
            self.writer.put("else:")
            self.statements(node.otherwise)
        self.writer.level = level

    def _going_on(self, count: int) -> str:
        """Python nests each branch into the one before, so a long list is taken in portions."""
        if count <= _BRANCHES:
            return ""
        name = self.fresh()
        self.writer.put(f"{name} = False")
        return name

    def _interrupt(self, going_on: str, level: int) -> str:
        writer = self.writer
        writer.put("else:")
        writer.put(f"    {going_on} = True")
        writer.level = level
        writer.put(f"if {going_on}:")
        writer.put(f"    {going_on} = False")
        writer.level += 1
        return "if"

    # Loops

    def _body(self, body: list[typed.Statement], extra: list[str], leaving: str = "") -> None:
        """A loop's body behind lines that keep count."""
        line = self.writer.line
        self._leaving.append(leaving)
        self._depth += 1
        self.writer.level += 1
        for text in extra:
            self.writer.put(text)
        self.writer.level -= 1
        self.statements(body)
        self._depth -= 1
        self._leaving.pop()
        self.writer.line = line

    def _count(self) -> tuple[str, list[str]]:
        """Lines in a loop that stop it when the scan's budget is spent; `_charge` ends it."""
        name, fuel = self.fresh(), self.fresh()
        self.writer.put(f"{name}, {fuel} = 0, g.fuel")
        self._charges.append(f"g.fuel -= {name}")
        return name, [f"{name} += 1", f"if {name} > {fuel}: over_budget()"]

    def _charge(self) -> None:
        """Behind a loop: what it took from the scan's budget."""
        self.writer.put(self._charges.pop())

    def _while(self, node: typed.While) -> None:
        _, extra = self._count()
        self.writer.put(f"while {self.render(node.condition)}:")
        self._body(node.body, extra)
        self._charge()

    def _repeat(self, node: typed.Repeat) -> None:
        name, extra = self._count()
        line = self.writer.line
        until = self.render(node.until)
        self.writer.put("while True:")
        if _continues(node.body):
            extra += [f"if {name} > 1 and {until}: break"]
            self._body(node.body, extra)
        else:
            self._body(node.body, extra)
            self.writer.level += 1
            self.writer.line = node.until.at.line
            self.writer.put(f"if {until}: break")
            self.writer.level -= 1
        self.writer.line = line
        self._charge()

    def _for(self, node: typed.For) -> None:
        step = node.step.value if isinstance(node.step, typed.Constant) else None
        if node.simple and step:
            self._counted(node, step)
        else:
            self._general(node)

    def _counted(self, node: typed.For, step: int) -> None:
        put, variable = self.writer.put, self.render(node.variable)
        past = 1 if step > 0 else -1
        by = f", {step}" if step != 1 else ""
        if isinstance(node.start, typed.Constant) and isinstance(node.end, typed.Constant):
            first, last = node.start.value, node.end.value + past
            counted = False
            span, count = f"range({first}, {last}{by})", max(0, -((first - last) // step))
            after = self._fit(str(first + count * step), node)
            if count == 0:
                put(f"{variable} = {first}")
                return
            extra: list[str] = []
            # The body of a program at most runs such a loop once a scan, other units do often.
            if self._depth > 0 or count > SMALL_LOOP or self.block.kind != "PROGRAM":
                put(f"g.fuel -= {count}")
                put("if g.fuel < 0: over_budget()")
        else:
            first_name, span_name = self.fresh(), self.fresh()
            put(f"{first_name} = {self.render(node.start)}")
            put(f"{span_name} = range({first_name}, {self.render(node.end)} {past:+d}{by})")
            put(f"{variable} = {first_name}")
            span = span_name
            after = self._fit(f"{first_name} + len({span_name}) * {step}", node)
            extra = []
            counted = _leaves(node.body)
            if counted:
                _, extra = self._count()
            else:
                put(f"g.fuel -= len({span_name})")
                put("if g.fuel < 0: over_budget()")
        self._counting(node, variable, span, extra)
        put("else:")
        self.writer.level += 1
        put(f"{variable} = {after}")
        self.writer.level -= 1
        if counted:
            self._charge()

    def _counting(self, node: typed.For, variable: str, span: str, extra: list[str]) -> None:
        """The loop; its variable is a local name inside, and is stored when the loop is left."""
        symbol = node.variable.symbol if isinstance(node.variable, typed.Variable) else None
        if symbol is None or symbol.storage != "slot":
            self.writer.put(f"for {variable} in {span}:")
            self._body(node.body, extra)
            return
        name = mangle(symbol.key)
        self.writer.put(f"for {name} in {span}:")
        self.names[id(symbol)] = name
        self._body(node.body, extra, f"{variable} = {name}")
        del self.names[id(symbol)]

    def _fit(self, text: str, node: typed.For) -> str:
        return self._wrapped(text, node.end.type) if node.wraps else text

    def _general(self, node: typed.For) -> None:
        """A loop whose body may write the control variable, or whose step is a variable."""
        put, variable = self.writer.put, self.render(node.variable)
        last, step, following = self.fresh(), self.fresh(), self.fresh()
        put(f"{variable} = {self.render(node.start)}")
        put(f"{last}, {step} = {self.render(node.end)}, {self.render(node.step)}")
        name, extra = self._count()
        put("while True:")
        extra = [
            f"{following} = {variable} + {step} if {name} else {variable}",
            *extra,
            f"if {following} > {last} if {step} >= 0 else {following} < {last}:",
            f"    {variable} = {self._fit(following, node)}",
            "    break",
            f"{variable} = {following}",
        ]
        self._body(node.body, extra)
        self._charge()


def _label_test(name: str, labels: list[tuple[Any, Any]]) -> str:
    singles = [low for low, high in labels if low == high]
    tests = [f"{low!r} <= {name} <= {high!r}" for low, high in labels if low != high]
    if len(singles) == 1:
        tests.insert(0, f"{name} == {singles[0]!r}")
    elif singles:
        tests.insert(0, f"{name} in ({', '.join(map(repr, singles))})")
    return " or ".join(tests) or "False"


def _continues(body: list[typed.Statement]) -> bool:
    """True if a CONTINUE belongs to this very loop."""
    return any(
        isinstance(s, typed.Continue) or any(_continues(inner) for inner in _branches(s))
        for s in body
    )


def _leaves(body: list[typed.Statement]) -> bool:
    """True if an EXIT or RETURN may end the loop early."""
    return any(
        isinstance(s, typed.Exit | typed.Return) or any(_leaves(inner) for inner in _branches(s))
        for s in body
    )


def _branches(node: typed.Statement) -> list[list[typed.Statement]]:
    if isinstance(node, typed.If):
        return [*(body for _, body in node.branches), node.otherwise]
    if isinstance(node, typed.Case):
        return [*(body for _, body in node.arms), node.otherwise]
    if isinstance(node, typed.Attempt):
        return [node.body, node.failed]
    return []


__all__ = ["StatementRenderer", "StringType", "Writer"]
