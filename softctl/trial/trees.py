"""What marks and mutants both ask of syntax trees."""

from __future__ import annotations

from softctl.logic import tree
from softctl.logic.source import Token


def first_token(node: tree.Node) -> Token:
    """The token that a node's text begins with."""
    while True:
        if isinstance(node, tree.Binary):
            node = node.left
        elif isinstance(node, tree.Member | tree.Index | tree.Bit):
            node = node.base
        elif isinstance(node, tree.Call):
            node = node.callee
        else:
            return node.at
