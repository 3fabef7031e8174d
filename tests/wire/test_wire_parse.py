"""Files of wire faults: what they mean, and every error at its place."""

from __future__ import annotations

import json
from functools import cache
from ipaddress import ip_network
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.errors import Problem, ProblemsError
from softctl.machine import Machine
from softctl.modbus.faults import (
    Cut,
    Delay,
    Deny,
    Effect,
    Freeze,
    Refuse,
    Reset,
    Scope,
    Silence,
    Split,
    SwapWords,
    Truncate,
    WrongLength,
    WrongTransaction,
    WrongUnit,
)
from softctl.runtime.folder import demo_folder, read_machine
from softctl.values.tables import Table
from softctl.wire import WireFaults, parse_wire_faults
from softctl.wire.sections import EFFECTS

MS = 1_000_000


@pytest.fixture(scope="module")
def machine() -> Machine:
    return _demo()


def _only(text: str, machine: Machine) -> tuple[Effect, Scope]:
    (rule,) = parse_wire_faults(f"hmi:\n  it: {{{text}}}\n", "wire.yaml", machine).hmi
    assert rule.name == "it"
    return rule.effect, rule.scope


def _problems(text: str, machine: Machine) -> list[str]:
    with pytest.raises(ProblemsError) as caught:
        parse_wire_faults(text, "wire.yaml", machine)
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("text", "effect"),
    [
        ("effect: delay, by: 20 ms", Delay(20 * MS)),
        ("effect: delay, by: 0 s, random: 2 s", Delay(0, 2000 * MS)),
        ("effect: silence", Silence()),
        ("effect: exception, code: 6", Refuse(6)),
        ("effect: stale", Freeze()),
        ("effect: swap words", SwapWords()),
        ("effect: wrong transaction", WrongTransaction(1)),
        ("effect: wrong transaction, by: -3", WrongTransaction(-3)),
        ("effect: wrong unit, by: 4", WrongUnit(4)),
        ("effect: wrong length, by: 2", WrongLength(2)),
        ("effect: truncate, keep: 5", Truncate(5)),
        ("effect: split", Split(1, 0)),
        ("effect: split, size: 4, gap: 3 ms", Split(4, 3 * MS)),
        ("effect: slow, rate: 50 B/s", Split(1, 20 * MS)),
        ("effect: cut", Cut(0)),
        ("effect: cut, keep: 7", Cut(7)),
        ("effect: reset", Reset()),
        ("effect: refuse connections", Deny()),
    ],
)
def test_every_effect_can_be_declared(machine: Machine, text: str, effect: Effect) -> None:
    """Each word with its keys makes its effect, on everything unless limited."""
    assert _only(text, machine) == (effect, Scope())


@pytest.mark.parametrize(
    ("text", "scope"),
    [
        ("client: 127.0.0.1", Scope(clients=(ip_network("127.0.0.1"),))),
        (
            "client: [10.0.0.0/8, '::1']",
            Scope(clients=(ip_network("10.0.0.0/8"), ip_network("::1"))),
        ),
        ("unit: 2", Scope(units=frozenset({2}))),
        ("function: [3, 4]", Scope(functions=frozenset({3, 4}))),
        ("table: input registers", Scope(table=Table.INPUT_REGISTERS)),
        ("addresses: 7", Scope(first=7, last=7)),
        ("table: coils, addresses: [2, 9]", Scope(table=Table.COILS, first=2, last=9)),
        ("share: 12.5 %", Scope(probability=0.125)),
        ("share: 0.5", Scope(probability=0.5)),
        ("after: 1 min, until: 90 s", Scope(from_ns=60_000 * MS, until_ns=90_000 * MS)),
    ],
)
def test_every_limit_can_be_declared(machine: Machine, text: str, scope: Scope) -> None:
    """Client, unit, function, addresses, share and times narrow a fault down."""
    assert _only(f"effect: silence, {text}", machine) == (Silence(), scope)


def test_a_point_stands_for_its_addresses_at_that_server(machine: Machine) -> None:
    """The same name is another address at the field and at the HMI server."""
    text = "hmi:\n  a: {effect: stale, point: LT_101}\nfield:\n  a: {effect: stale, point: LT_101}"
    faults = parse_wire_faults(text, "wire.yaml", machine)
    point = machine.points["LT_101"]
    for (rule,), address in ((faults.hmi, point.hmi), (faults.field, point.field)):
        assert address is not None
        last = address.address + address.count - 1
        assert rule.scope == Scope(table=address.table, first=address.address, last=last)


def test_a_stopped_heartbeat_knows_its_address(machine: Machine) -> None:
    """The heartbeat is the system point of that name."""
    address = machine.points["HEARTBEAT"].hmi
    assert address is not None
    effect, scope = _only("effect: stop heartbeat, function: 4", machine)
    assert effect == Freeze()
    assert (scope.table, scope.first, scope.last) == (address.table, address.address, 0)
    assert scope.functions == {4}


def test_a_fault_can_be_switched_off(machine: Machine) -> None:
    """`active: false` leaves a fault out, and a server without faults is none."""
    text = "hmi:\n  a: {effect: silence, active: false}\nfield:\n"
    assert parse_wire_faults(text, "wire.yaml", machine) == WireFaults()


def test_chances_of_a_fault_do_not_depend_on_the_others(machine: Machine) -> None:
    """Each fault has its own seed, from the file's, its server and its name."""

    def seeds(text: str) -> dict[str, str]:
        faults = parse_wire_faults(text, "wire.yaml", machine)
        return {rule.name: rule.seed for rule in faults.hmi}

    one, two = "  a: {effect: silence}\n", "  b: {effect: silence}\n"
    alone = seeds("seed: 3\nhmi:\n" + one)
    assert alone["a"] == seeds("seed: 3\nhmi:\n" + two + one)["a"]
    assert alone["a"] != seeds("seed: 4\nhmi:\n" + one)["a"]
    both = seeds("hmi:\n" + one + two)
    assert both["a"] != both["b"]


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("effect: delai, by: 3 s", "2:16", "did you mean delay?"),
        ("by: 3 s", "2:3", "expected 'effect'"),
        ("effect: delay", "2:3", "expected the key 'by'"),
        ("effect: delay, by: 3", "2:27", "expected a time from '0 s'"),
        ("effect: silence, bye: 3", "2:25", "expected a key among"),
        ("effect: silence, functon: 3", "2:25", "did you mean function?"),
        ("effect: silence, function: 128", "2:35", "from 1 to 127"),
        ("effect: silence, unit: []", "2:31", "got a list"),
        ("effect: silence, client: 10.0.0.1/8", "2:33", "'10.0.0.1/8'"),
        ("effect: silence, share: 110 %", "2:32", "a share above 0"),
        ("effect: silence, share: 0", "2:32", "a share above 0"),
        ("effect: silence, share: half", "2:32", "'half'"),
        ("effect: silence, addresses: [9, 3]", "2:36", "first and last as [0, 9]"),
        ("effect: silence, addresses: 65536", "2:36", "from 0 to 65535"),
        ("effect: silence, table: coil", "2:32", "did you mean coils?"),
        ("effect: silence, point: LT_1O1", "2:32", "did you mean LT_101?"),
        ("effect: silence, point: LT_101, table: coils", "2:47", "got both"),
        ("effect: silence, after: 5 s, until: 5 s", "2:44", "later than 'after'"),
        ("effect: silence, active: no way", "2:33", "true or false"),
        ("effect: exception", "2:3", "the key 'code'"),
        ("effect: exception, code: 0", "2:33", "from 1 to 255"),
        ("effect: truncate", "2:3", "the key 'keep'"),
        ("effect: wrong unit, by: 0", "2:32", "other than 0"),
        ("effect: slow, rate: 9 kB/s", "2:28", "'100 B/s'"),
        ("effect: refuse connections, unit: 1", "2:36", "expected a key among"),
        ("effect: stop heartbeat, point: LT_101", "2:32", "expected a key among"),
    ],
)
def test_a_bad_fault_is_shown_with_its_place(
    machine: Machine, text: str, place: str, words: str
) -> None:
    """File, line, column, what was expected and what came, and the line itself."""
    problems = _problems(f"hmi:\n  it: {{{text}}}\n", machine)
    assert any(f"wire.yaml:{place}," in one and words in one for one in problems), problems
    assert all(f"it: {{{text}}}" in one for one in problems)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "expected keys such as 'hmi:' and 'field:', got nothing (wire.yaml:1:1)"),
        ("[hmi]", "got a list (wire.yaml:1:1)"),
        ("hmi: 3", "expected faults by name, got 3 (wire.yaml:1:6, hmi)"),
        ("hmi: {a: 3}", "expected keys such as 'effect', got 3 (wire.yaml:1:7, hmi.a)"),
        ("hmj: {}", "did you mean hmi?"),
        ("seed: -1", "expected a whole number from 0"),
        ("hmi: {1a: {effect: reset}}", "letters, digits and underscores, got '1a'"),
        ("hmi: {a: {effect: reset}, a: {effect: reset}}", "expected each key once, got 'a'"),
        ("field: {a: {effect: stop heartbeat}}", "got 'HEARTBEAT', which is not on it"),
        ("field: {a: {effect: reset, point: START}}", "got 'START', which is not on it"),
        ("hmi: {a: {", "not closed"),
    ],
)
def test_a_bad_file_is_explained(machine: Machine, text: str, words: str) -> None:
    """Whatever stands in the file, there is a message and never a traceback."""
    assert any(words in problem for problem in _problems(text, machine))


def test_all_errors_come_at_once_in_the_order_of_lines(machine: Machine) -> None:
    """One run shows every mistake."""
    text = "sead: 1\nhmi:\n  a: {effect: delay}\n  b: {effect: x}\nfield: 7\n"
    lines = [int(one.split("wire.yaml:")[1].split(":")[0]) for one in _problems(text, machine)]
    assert lines == [1, 3, 4, 5]


KEYS = (
    *("client", "unit", "function", "table", "addresses", "point", "share", "after", "until"),
    *("active", "by", "random", "keep", "size", "gap", "rate", "code", "effect", "other"),
)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=6)
    | st.sampled_from(["3 s", "10 %", "127.0.0.1", "LT_101", "coils", "100 B/s", "1 m", ""]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=5,
)
FAULTS = st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=5)


@cache
def _demo() -> Machine:
    return read_machine(demo_folder())


def _outcome(text: str) -> WireFaults | tuple[Problem, ...]:
    try:
        return parse_wire_faults(text, "wire.yaml", _demo())
    except ProblemsError as error:
        return error.problems


@given(st.sampled_from(sorted(EFFECTS)), FAULTS, st.sampled_from(["hmi", "field"]))
@settings(max_examples=300, deadline=None)
def test_any_values_are_faults_or_problems(
    effect: str, keys: dict[str, object], server: str
) -> None:
    """Whatever stands in a file, the outcome is one rule or messages with a place."""
    text = json.dumps({server: {"a": {"effect": effect, **keys}}})
    outcome = _outcome(text)
    if isinstance(outcome, WireFaults):
        assert len(outcome.hmi + outcome.field) == (keys.get("active") is not False)
    else:
        assert outcome
        assert all(problem.place.file == "wire.yaml" for problem in outcome)


def test_the_example_is_good(machine: Machine) -> None:
    """The file beside the demo declares faults for both servers."""
    path = Path(demo_folder() / "wire_faults.yaml")
    faults = parse_wire_faults(path.read_text(), path.name, machine)
    assert len(faults.hmi) == 4
    assert len(faults.field) == 1


def test_the_example_in_the_readme_is_good(machine: Machine) -> None:
    """What people copy works, and every effect that exists is in its table."""
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = text.partition("\n## Wire faults\n")[2].partition("\n## ")[0]
    example = section.partition("```yaml\n")[2].partition("```")[0]
    names = [rule.name for rule in parse_wire_faults(example, "README.md", machine).hmi]
    assert names == ["late_answers", "busy", "stuck_level"]
    assert [effect for effect in EFFECTS if f"`{effect}`" not in section] == []
