"""What flows from where to where: the graph that the process picture is laid out from.

Nodes are vessels, carriers and ends; edges are lines, and what hands parts on. Everything
else is fitted to one of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from softctl.picture.nozzles import Fitted
from softctl.plant.wiring import Piece, Wiring

_DRIVEN_BY = ("motor", "drive", "cylinder", "carried_by")


@dataclass(frozen=True, slots=True)
class Edge:
    """A way from one node to another: `run` is the line in it, None where parts are handed on.

    `name` is that of the line, or of the tool or carrier that gives.
    """

    name: str
    start: str
    end: str
    run: Piece | None
    giver: Piece


@dataclass(slots=True)
class FlowGraph:
    """Nodes by name in the file's order; `fitted` by the name of a node or a line."""

    nodes: dict[str, Piece] = field(default_factory=dict)
    edges: list[Edge] = field(default_factory=list)
    fitted: dict[str, Fitted] = field(default_factory=dict)
    loose: list[Piece] = field(default_factory=list)

    def groups(self) -> list[list[str]]:
        """The names of nodes that hang together, in the file's order."""
        group = {name: {name} for name in self.nodes}
        for edge in self.edges:
            merged = group[edge.start] | group[edge.end]
            for name in merged:
                group[name] = merged
        unique = {id(names): names for names in group.values()}.values()
        return [[name for name in self.nodes if name in names] for names in unique]


def flow_graph(wiring: Wiring) -> FlowGraph:
    """Sort every piece of equipment into the graph."""
    graph = FlowGraph()
    pieces = list(wiring.pieces.values())
    for piece in pieces:
        if _is_node(piece):
            graph.nodes[piece.name] = piece
    for piece in pieces:
        _connect(graph, piece)
    hosts = {*graph.nodes, *(edge.name for edge in graph.edges if edge.run)}
    driven = {
        one.neighbours[key].name for one in pieces for key in _DRIVEN_BY if key in one.neighbours
    }
    for piece in pieces:
        if piece.name in hosts:
            continue
        host = _host(piece, hosts)
        if host is None:
            if piece.name not in driven:
                graph.loose.append(piece)
            continue
        fitted = graph.fitted.setdefault(host, Fitted())
        is_instrument = piece.block.role == "instrument"
        (fitted.instruments if is_instrument else fitted.machines).append(piece)
    return graph


def _is_node(piece: Piece) -> bool:
    role, near = piece.block.role, piece.neighbours
    is_end = role == "line" and ("from" in near) != ("to" in near)
    return role in ("vessel", "carrier") or is_end


def _connect(graph: FlowGraph, piece: Piece) -> None:
    """The edges that a piece makes."""
    near = piece.neighbours
    start, end = near.get("from"), near.get("to")
    if piece.block.role == "line" and start and end:
        graph.edges.append(Edge(piece.name, start.name, end.name, piece, piece))
    elif piece.name in graph.nodes:
        if end and end.name in graph.nodes:
            graph.edges.append(Edge(piece.name, piece.name, end.name, None, piece))
        if start and start.name in graph.nodes:
            graph.edges.append(Edge(piece.name, start.name, piece.name, None, piece))
    elif end and end.name in graph.nodes and "on" in near:
        graph.edges.append(Edge(piece.name, near["on"].name, end.name, None, piece))


def _host(piece: Piece, hosts: Iterable[str]) -> str | None:
    """The node or line that a piece is fitted to, directly or by what it is on."""
    seen: set[str] = set()
    here: Piece | None = piece
    while here is not None and here.name not in seen:
        seen.add(here.name)
        near = [other for key, other in here.neighbours.items() if key not in _DRIVEN_BY]
        found = next((other.name for other in near if other.name in hosts), None)
        if found:
            return found
        here = near[0] if near else None
    return None


def ranks(nodes: Sequence[str], edges: Sequence[Edge]) -> dict[str, int]:
    """Each node's place along the flow; edges that would close a circle do not count."""
    after: dict[str, list[str]] = {name: [] for name in nodes}
    fed = set()
    for edge in edges:
        if edge.start != edge.end:
            after[edge.start].append(edge.end)
            fed.add(edge.end)
    order = _forwards([*(n for n in nodes if n not in fed), *(n for n in nodes if n in fed)], after)
    position = {name: place for place, name in enumerate(order)}
    found = dict.fromkeys(order, 0)
    for name in order:
        for other in after[name]:
            if position[other] > position[name]:
                found[other] = max(found[other], found[name] + 1)
    for name in reversed(order):
        ahead = [found[other] for other in after[name] if position[other] > position[name]]
        if name not in fed and ahead:
            found[name] = min(ahead) - 1
    return found


def _forwards(nodes: Sequence[str], after: Mapping[str, Sequence[str]]) -> list[str]:
    """The nodes so that an edge goes back only where it closes a circle (reverse postorder)."""
    done: list[str] = []
    seen: set[str] = set()
    for first in nodes:
        stack: list[tuple[str, bool]] = [(first, False)]
        while stack:
            name, is_left = stack.pop()
            if is_left:
                done.append(name)
            elif name not in seen:
                seen.add(name)
                stack.append((name, True))
                stack += [(other, False) for other in reversed(after[name])]
    return done[::-1]
