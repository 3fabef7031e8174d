"""Expressions, types and declarations of the syntax tree, written out as ST again.

Parsing what comes out gives an equal tree; literals are kept as written where the source
still has them.
"""

from __future__ import annotations

from softctl.errors import Place, Problem, ProblemsError
from softctl.logic import tree
from softctl.logic.parse_expressions import LEVELS

_LITERALS = frozenset(["int", "real", "based", "typed", "string", "wstring", "TRUE", "FALSE"])
_ATOM = 9


def expression(node: tree.Expression) -> str:
    """The ST text of an expression or initial value."""
    if isinstance(node, tree.Literal):
        return node.at.text if node.at.kind in _LITERALS else repr(node.value)
    if isinstance(node, tree.Name):
        return node.name
    if isinstance(node, tree.EnumLiteral):
        return f"{node.type_name}#{node.name}"
    if isinstance(node, tree.Address):
        return node.text
    if isinstance(node, tree.Member):
        return f"{expression(node.base)}.{node.name}"
    if isinstance(node, tree.Bit):
        return f"{expression(node.base)}.%{node.unit}{node.number}"
    if isinstance(node, tree.Index):
        return f"{expression(node.base)}[{', '.join(map(expression, node.indices))}]"
    if isinstance(node, tree.Unary):
        space = " " if node.operator == "NOT" else ""
        return f"{node.operator}{space}{_operand(node.operand, _ATOM)}"
    if isinstance(node, tree.Binary):
        return _chain(node)
    if isinstance(node, tree.Call):
        return f"{expression(node.callee)}({arguments(node.arguments)})"
    return _initial(node)


def _chain(node: tree.Binary) -> str:
    chain, inner = [node], node.left
    while isinstance(inner, tree.Binary):
        chain.append(inner)
        inner = inner.left
    text, binds = expression(inner), _ATOM
    for link in reversed(chain):
        level = LEVELS[link.operator]
        left = f"({text})" if binds < level else text
        text, binds = f"{left} {link.operator} {_operand(link.right, level + 1)}", level
    return text


def _operand(node: tree.Expression, lowest: int) -> str:
    text = expression(node)
    level = LEVELS[node.operator] if isinstance(node, tree.Binary) else _ATOM
    return f"({text})" if level < lowest else text


def _initial(node: tree.Expression) -> str:
    if isinstance(node, tree.ArrayInitial):
        return f"[{', '.join(_item(count, value) for count, value in node.items)}]"
    if isinstance(node, tree.StructInitial):
        return f"({arguments(node.fields)})"
    raise unknown(node)


def _item(count: tree.Expression | None, value: tree.Expression | None) -> str:
    text = expression(value) if value is not None else ""
    return text if count is None else f"{expression(count)}({text})"


def arguments(nodes: list[tree.Argument]) -> str:
    """The inside of a call's parentheses."""
    return ", ".join(map(_argument, nodes))


def _argument(node: tree.Argument) -> str:
    value = expression(node.value) if node.value is not None else ""
    if not node.name:
        return value
    mark = "=>" if node.is_output else ":="
    return f"{'NOT ' if node.negated else ''}{node.name} {mark} {value}".rstrip()


def unknown(node: tree.Node) -> ProblemsError:
    """The error for what no form of exchange is known for."""
    at = node.at
    message = f"expected a form that can be exchanged, got {type(node).__name__} at {at.text}"
    place: Place = at.place
    return ProblemsError([Problem(message, place, excerpt=at.source.excerpt(at.line))])
