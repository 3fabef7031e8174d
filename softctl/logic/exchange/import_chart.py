"""The body of a chart from connected symbols to steps, transitions and actions in ST."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from softctl.logic.exchange.checked import Checked, documentation
from softctl.logic.exchange.reader import Node
from softctl.logic.exchange.remarks import comment_lines
from softctl.logic.parse_chart import QUALIFIERS, TIMED

_KINDS = frozenset(
    [
        "Step",
        "Transition",
        "ActionBlock",
        "JumpStep",
        "SelectionDivergence",
        "SelectionConvergence",
        "SimultaneousDivergence",
        "SimultaneousConvergence",
    ]
)


class ChartImporter:
    """Reads one network.

    `conditions` are the texts of transitions that the unit declares by name. Bodies that
    stand inside an action block become actions with names of their own, in `actions`.
    """

    def __init__(self, body: Node, checked: Checked, conditions: Mapping[str, str]) -> None:
        self.checked = checked
        self.conditions = conditions
        self.actions: list[str] = []
        self.symbols: list[Node] = []
        for node in body.walk("SfcObject"):
            if node.kind in _KINDS:
                self.symbols.append(node)
            else:
                checked.leave(node, f"chart symbol {node.kind or 'without a type'}")
        self._owners: dict[str, Node] = {}
        self._users: dict[str, list[Node]] = {}
        for symbol in self.symbols:
            for point in (*_leaves(symbol), *_leaves(symbol, "ConnectionPointOutAction")):
                if self._owners.setdefault(point, symbol) is not symbol:
                    checked.error(symbol, f"expected connection points of their own, got {point}")
            for point in _enters(symbol):
                self._users.setdefault(point, []).append(symbol)

    def lines(self) -> list[str]:
        """The chart in ST: steps, then transitions, each in order of the document."""
        lines: list[str] = []
        for symbol in self.symbols:
            if symbol.kind == "Step":
                lines += self._step(symbol)
        for symbol in self.symbols:
            if symbol.kind == "Transition":
                lines += self._transition(symbol)
        return lines

    # Steps

    def _step(self, step: Node) -> list[str]:
        name = self.checked.name(step)
        word = "INITIAL_STEP" if step.get("initialStep") == "true" else "STEP"
        text = documentation(step)
        lines = comment_lines(text) if text else []
        lines.append(f"{word} {name}:")
        for point in _leaves(step, "ConnectionPointOutAction"):
            for block in self._users.get(point, ()):
                lines += [f"    {line};" for line in self._block(block, name)]
        return [*lines, "END_STEP", ""]

    def _block(self, block: Node, step: str) -> Iterator[str]:
        for node in block.all("Action"):
            qualifier = node.get("qualifier").upper() or "N"
            if qualifier not in QUALIFIERS:
                self.checked.error(node, f"expected an action's qualifier, got {qualifier}")
            parts = [qualifier]
            duration, indicators = node.get("duration"), node.get("indicator")
            if duration:
                parts.append(self.checked.expression(node, duration))
            elif qualifier in TIMED:
                self.checked.error(node, f"expected a duration with {qualifier}, got none")
            if indicators:
                parts.append(self.checked.expressions(node, indicators))
            yield f"{self._action(node, step)}({', '.join(parts)})"

    def _action(self, node: Node, step: str) -> str:
        reference, inline = node.child("Reference"), node.child("Inline")
        if reference is not None:
            return self.checked.name(reference)
        text = inline.child("ST") if inline is not None else None
        if text is None:
            self.checked.error(node, "expected an action's name or its ST, got neither")
            return "bad"
        name = f"{step}_action_{len(self.actions) + 1}"
        self.actions.append(f"ACTION {name}:\n{self.checked.statements(text)}\nEND_ACTION\n")
        return name

    # Transitions

    def _transition(self, node: Node) -> list[str]:
        text = documentation(node)
        lines = comment_lines(text) if text else []
        words = ["TRANSITION"]
        if node.get("name"):
            words.append(self.checked.name(node))
        priority = node.get("priority")
        if priority.isdecimal():
            words.append(f"(PRIORITY := {priority})")
        elif priority:
            self.checked.error(node, f"expected a whole number as priority, got {priority}")
        sources = [name for point in _enters(node) for name in self._before(point, node, 0)]
        targets = [name for point in _leaves(node) for name in self._behind(point, node, 0)]
        for names, where in ((sources, "before"), (targets, "behind")):
            if not names:
                self.checked.error(node, f"expected a step {where} the transition, got none")
        words += ["FROM", _listed(sources), "TO", _listed(targets)]
        return [*lines, " ".join(words), *self._condition(node), "END_TRANSITION", ""]

    def _condition(self, node: Node) -> list[str]:
        condition = node.child("Condition")
        reference = condition.child("Reference") if condition is not None else None
        if reference is not None:
            name = self.checked.name(reference)
            return [f"    := {self.conditions.get(name.upper(), name)}", "    ;"]
        text = next(condition.walk("ST"), None) if condition is not None else None
        if text is None or not text.text.strip():
            self.checked.error(node, "expected a condition in ST, got none")
            return []
        found = self.checked.condition(text)
        last = found.rpartition("\n")[2]
        return [f"    := {found}", "    ;"] if "//" in last else [f"    := {found};"]

    def _before(self, point: str, at: Node, depth: int) -> list[str]:
        """The steps that links into a transition come from."""
        owner = self._owner(point, at, depth)
        if owner is None:
            return []
        if owner.kind == "Step":
            return [self.checked.name(owner)]
        if owner.kind in ("SelectionDivergence", "SimultaneousConvergence"):
            points = _enters(owner)
            return [name for point in points for name in self._before(point, at, depth + 1)]
        self.checked.error(at, f"expected a step before the transition, got a {owner.kind}")
        return []

    def _owner(self, point: str, at: Node, depth: int) -> Node | None:
        owner = self._owners.get(point)
        if owner is None:
            self.checked.error(at, f"expected a connection point that exists, got {point}")
        elif depth > len(self.symbols):
            self.checked.error(at, "expected links that end, got a circle without a step")
            return None
        return owner

    def _behind(self, point: str, at: Node, depth: int) -> list[str]:
        """The steps that links out of a transition lead to."""
        names: list[str] = []
        if depth > len(self.symbols):
            self.checked.error(at, "expected links that end, got a circle without a step")
            return names
        for user in self._users.get(point, ()):
            if user.kind == "Step":
                names.append(self.checked.name(user))
            elif user.kind == "JumpStep":
                names.append(self.checked.name(user, "targetName"))
            elif user.kind in ("SelectionConvergence", "SimultaneousDivergence"):
                for leaving in _leaves(user):
                    names += self._behind(leaving, at, depth + 1)
            else:
                self.checked.error(at, f"expected a step behind the transition, got a {user.kind}")
        return names


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"({', '.join(names)})"


def _leaves(symbol: Node, name: str = "ConnectionPointOut") -> list[str]:
    return [node.get("connectionPointOutId") for node in symbol.all(name)]


def _enters(symbol: Node) -> list[str]:
    return [
        link.get("refConnectionPointOutId")
        for node in symbol.all("ConnectionPointIn")
        for link in node.all("Connection")
    ]
