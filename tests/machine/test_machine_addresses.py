"""Who gets which addresses."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from softctl.errors import Place, Problem
from softctl.machine import Address, Machine, parse_machine
from softctl.machine.addresses import Request, allocate
from softctl.machine.model import CardKind
from softctl.values.registers import register_count
from softctl.values.types import ELEMENTARY_TYPES, Kind

HERE = Place("a.yaml", 1, 1)


def granted(*requests: Request, size: int = 100) -> tuple[dict[str, int], list[Problem]]:
    problems: list[Problem] = []
    return allocate(requests, problems, size=size), problems


def test_cards_of_sixteen_channels_take_two_bytes_each() -> None:
    """16-channel cards follow each other at 0, 16, 32 (common practice: two bytes a card)."""
    found, _ = granted(*(Request(name, 16, HERE, 8) for name in "abc"))
    assert found == {"a": 0, "b": 16, "c": 32}


def test_a_card_of_odd_width_ends_at_a_byte() -> None:
    """The card after one of 10 channels starts at the next byte."""
    found, _ = granted(Request("a", 10, HERE, 8), Request("b", 4, HERE, 8))
    assert found == {"a": 0, "b": 16}


def test_automatic_addresses_go_round_pinned_ones() -> None:
    """What is pinned further down in the file is respected by what stands before it."""
    found, problems = granted(Request("a", 8, HERE, 8), Request("b", 4, HERE, pin=3))
    assert found == {"a": 8, "b": 3}
    assert not problems


def test_what_finds_no_room_is_left_out() -> None:
    """A full table gives one problem for each request without room."""
    found, problems = granted(Request("a", 3, HERE), Request("b", 3, HERE), size=5)
    assert found == {"a": 0}
    assert [problem.message for problem in problems] == [
        "expected at most 5 addresses on the table, got no room for b"
    ]


requests = st.lists(
    st.tuples(st.integers(1, 20), st.sampled_from([1, 2, 4, 8]), st.none() | st.integers(0, 130)),
    max_size=12,
)


@given(requests, st.integers(1, 120))
def test_nothing_overlaps_and_everything_is_accounted_for(
    wishes: list[tuple[int, int, int | None]], size: int
) -> None:
    """Granted spans are apart, aligned or as pinned, inside; the rest has a problem each."""
    asked = [
        Request(f"r{index}", count, HERE, alignment, pin)
        for index, (count, alignment, pin) in enumerate(wishes)
    ]
    found, problems = granted(*asked, size=size)
    assert len(found) + len(problems) == len(asked)
    used: set[int] = set()
    for request in asked:
        if request.name not in found:
            continue
        first = found[request.name]
        span = set(range(first, first + request.count))
        assert not span & used
        used |= span
        assert max(span) < size
        if request.pin is None:
            assert first % request.alignment == 0
        else:
            assert first == request.pin


KINDS = {True: [kind.value for kind in CardKind], False: ["command", "setpoint", "state"]}
SETTABLE = [
    name for name, type_ in ELEMENTARY_TYPES.items() if type_.kind not in (Kind.STRING, Kind.DATE)
]


@st.composite
def machine_texts(draw: st.DrawFn) -> str:
    """Machine files with random cards and points, nothing pinned."""
    lines = ["name: drawn", "programs: [a.st]", "cards:"]
    cards = draw(
        st.lists(st.tuples(st.sampled_from(list(CardKind)), st.integers(1, 40)), max_size=6)
    )
    points: list[str] = []
    for number, (kind, channels) in enumerate(cards):
        lines.append(f"  C{number}: {{kind: {kind.value}, channels: {channels}}}")
        keys = f"card: C{number}"
        if not kind.is_digital:
            keys += ", range: [0, 1]"
        if not kind.is_input:
            keys += f", fail_safe: {'false' if kind.is_digital else '0'}"
        count = draw(st.integers(0, min(channels, 6)))
        points += [f"{{{keys}}}"] * count
    for type_ in draw(st.lists(st.sampled_from(SETTABLE), max_size=10)):
        role = draw(st.sampled_from(["setpoint", "state"]))
        points.append(f"{{role: {role}, type: {type_}}}")
    shuffled = draw(st.permutations(points))
    lines.append("points:")
    lines += [f"  P{number}: {keys}" for number, keys in enumerate(shuffled)]
    return "\n".join(lines)


def spans(machine: Machine, server: str) -> list[Address]:
    found = (getattr(point, server) for point in machine.points.values())
    return [address for address in found if address is not None]


@given(machine_texts())
def test_points_of_any_machine_never_overlap(text: str) -> None:
    """Whatever cards and points a file has, no two share a bit or a register of a server."""
    machine = parse_machine(text, "drawn.yaml")
    for server in ("field", "hmi"):
        used: set[tuple[object, int]] = set()
        for address in spans(machine, server):
            cells = {(address.table, address.address + i) for i in range(address.count)}
            assert not cells & used
            used |= cells
            assert address.address % (1 if server == "field" else address.count) == 0
    for point in machine.points.values():
        assert point.hmi is not None
        wanted = 1 if point.type.kind is Kind.BOOL else register_count(point.type)
        assert point.hmi.count == wanted
        if point.card:
            card = machine.cards[point.card]
            assert point.field == Address(card.table, card.first + (point.channel or 0))
            assert (point.channel or 0) < card.channels


@given(machine_texts())
def test_cards_of_any_machine_never_overlap(text: str) -> None:
    """Cards of one table have ranges of their own, digital ones on whole bytes."""
    machine = parse_machine(text, "drawn.yaml")
    used: set[tuple[object, int]] = set()
    for card in machine.cards.values():
        cells = {(card.table, card.first + i) for i in range(card.channels)}
        assert not cells & used
        used |= cells
        assert not card.table.is_bits or card.first % 8 == 0
