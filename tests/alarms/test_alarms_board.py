"""Alarms: states by table, delays, shelving, first out."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.alarms import (
    AlarmBoard,
    AlarmRule,
    Availability,
    Ending,
    Event,
    Priority,
    State,
)
from softctl.alarms.board import MAX_SHELF_NS
from softctl.alarms.states import TABLES
from softctl.errors import SoftctlError

S = 1_000_000_000
SCAN = S // 20


class Desk:
    """One board with conditions that a test sets by name, scanned every 50 ms."""

    def __init__(self, *rules: AlarmRule) -> None:
        self.board = AlarmBoard(rules)
        self.holds = dict.fromkeys(self.board.alarms, False)
        self.suppressed = dict.fromkeys(self.board.alarms, False)
        self.now_ns = 0
        self.changes: list[tuple[int, str, Event]] = []

    def run(self, seconds: float, **holds: bool) -> list[tuple[float, str, str]]:
        """Scan for a time with these conditions; what changed, in seconds."""
        self.holds |= holds
        changes = []
        for _ in range(round(seconds * S / SCAN)):
            changes += self.board.scan(
                self.now_ns, list(self.holds.values()), list(self.suppressed.values())
            )
            self.now_ns += SCAN
        return [(c.at_ns / S, c.name, c.event.value) for c in changes]

    def state(self, name: str) -> State:
        return self.board.alarms[name].state


# OPC UA part 9, table B.1, "Condition states" of one alarm with acknowledgement and
# confirmation: Active, Acked, Confirmed, Retain after each event.
TABLE_B1 = [
    ("start", "F T T F"),
    ("active", "T F T T"),
    ("acknowledge", "T T F T"),
    ("inactive", "F T F T"),
    ("confirm", "F T T F"),
    ("active", "T F T T"),
    ("inactive", "F F T T"),
    ("acknowledge", "F T F T"),
    ("confirm", "F T T F"),
]


def test_the_states_follow_the_published_sequence() -> None:
    """Active, Acked, Confirmed and Retain are those of OPC UA part 9, table B.1."""
    desk = Desk(AlarmRule("A", ending=Ending.CONFIRM))
    found = []
    for event, _ in TABLE_B1:
        if event in ("active", "inactive"):
            desk.run(0.05, A=event == "active")
        elif event != "start":
            getattr(desk.board, event)("A", desk.now_ns, "operator")
        state = desk.state("A")
        flags = (state.is_active, state.is_acknowledged, state.is_confirmed, state.is_listed)
        found.append((event, " ".join("T" if flag else "F" for flag in flags)))
    assert found == TABLE_B1


# ISA-18.2 / IEC 62682, state transition diagram: condition and acknowledgement alone.
@pytest.mark.parametrize(
    ("ending", "acts", "states"),
    [
        (Ending.NONE, "raise ack clear", "unacknowledged/acknowledged/normal"),
        (Ending.NONE, "raise clear ack", "unacknowledged/returned, unacknowledged/normal"),
        (
            Ending.NONE,
            "raise clear raise",
            "unacknowledged/returned, unacknowledged/unacknowledged",
        ),
        (
            Ending.RESET,
            "raise ack clear reset",
            "unacknowledged/acknowledged/latched/normal",
        ),
        (
            Ending.RESET,
            "raise clear ack reset",
            "unacknowledged/latched, unacknowledged/latched/normal",
        ),
        (
            Ending.RESET,
            "raise clear ack raise",
            "unacknowledged/latched, unacknowledged/latched/unacknowledged",
        ),
    ],
)
def test_condition_and_people_move_an_alarm(ending: Ending, acts: str, states: str) -> None:
    """Each act leads to the state of the standard's diagram."""
    desk = Desk(AlarmRule("A", ending=ending))
    found = []
    for act in acts.split():
        if act in ("raise", "clear"):
            desk.run(0.05, A=act == "raise")
        elif act == "ack":
            desk.board.acknowledge("A", desk.now_ns, "operator")
        else:
            desk.board.reset("A", desk.now_ns, "operator")
        found.append(desk.state("A").value)
    assert "/".join(found) == states


def test_no_state_is_left_without_a_way_back_to_normal() -> None:
    """From every state of every ending the events can bring an alarm back to normal."""
    for table in TABLES.values():
        reached = {State.NORMAL}
        while more := {old for (old, _), new in table.items() if new in reached} - reached:
            reached |= more
        assert {old for old, _ in table} <= reached


def test_what_the_state_does_not_allow_is_refused_with_the_state() -> None:
    """Each pair of state and request outside the table names both in its message."""
    desk = Desk(AlarmRule("LAH_101"))
    with pytest.raises(SoftctlError, match=r"can be acknowledged, got LAH_101, which is normal"):
        desk.board.acknowledge("lah_101", 0, "operator")
    desk.run(0.05, LAH_101=True)
    with pytest.raises(SoftctlError, match=r"can be reset, got LAH_101, which is unackno"):
        desk.board.reset("LAH_101", 0, "operator")
    with pytest.raises(SoftctlError, match=r"alarm, got LAH_110: did you mean LAH_101\?"):
        desk.board.acknowledge("LAH_110", 0, "operator")
    with pytest.raises(SoftctlError, match=r"expected a shelved alarm"):
        desk.board.unshelve("LAH_101", 0, "operator")
    with pytest.raises(SoftctlError, match=r"out of service, got LAH_101, which is in it"):
        desk.board.set_out_of_service("LAH_101", False, 0, "operator")


def test_a_delay_needs_the_condition_without_a_break() -> None:
    """ISA-18.2: a delay on starts anew with each break; a delay off likewise."""
    desk = Desk(AlarmRule("A", on_delay_ns=2 * S, off_delay_ns=S))
    assert desk.run(1.9, A=True) == []
    assert desk.run(0.05, A=False) == []
    assert desk.run(3, A=True) == [(1.95 + 2, "A", "raised")]
    assert desk.run(0.9, A=False) == []
    assert desk.run(0.5, A=True) == []
    start = desk.now_ns / S
    assert desk.run(3, A=False) == [(start + 1, "A", "cleared")]


@given(
    holds=st.lists(st.booleans(), min_size=1, max_size=60),
    on=st.integers(0, 5),
    off=st.integers(0, 5),
)
def test_delays_agree_with_a_naive_reading(holds: list[bool], on: int, off: int) -> None:
    """Present is what held for all of the last `on` scans, gone what did not for `off`."""
    desk = Desk(AlarmRule("A", on_delay_ns=on * SCAN, off_delay_ns=off * SCAN))
    expected, present = [], False
    for index in range(len(holds)):
        need = off if present else on
        window = holds[max(0, index - need) : index + 1]
        if len(window) == need + 1 and all(one is not present for one in window):
            present = not present
        expected.append(present)
    found = []
    for one in holds:
        desk.run(0.05, A=one)
        found.append(desk.board.alarms["A"].is_present)
    assert found == expected


def test_a_shelved_alarm_is_silent_until_its_time_is_over() -> None:
    """A shelf ends by itself, and a condition that then holds is announced."""
    desk = Desk(AlarmRule("A"))
    desk.board.shelve("A", 2 * S, desk.now_ns, "operator")
    assert desk.run(1.5, A=True) == []
    assert desk.board.alarms["A"].availability is Availability.SHELVED
    assert desk.run(1) == [(2.0, "A", "unshelved"), (2.0, "A", "raised")]


def test_a_shelf_holds_no_longer_than_a_shift() -> None:
    """A time that is not above 0 and within 8 h is refused."""
    desk = Desk(AlarmRule("A"))
    for time in (0, -1, MAX_SHELF_NS + 1):
        with pytest.raises(SoftctlError, match=r"expected a time on the shelf"):
            desk.board.shelve("A", time, 0, "operator")
    desk.board.shelve("A", MAX_SHELF_NS, 0, "operator")
    (change,) = desk.board.unshelve("A", S, "operator")
    assert (change.event, change.source) == (Event.UNSHELVE, "operator")


def test_an_active_alarm_leaves_the_list_while_it_is_shelved() -> None:
    """Shelving an active alarm takes it off the list; taking it back brings it anew."""
    desk = Desk(AlarmRule("A"))
    desk.run(0.05, A=True)
    desk.board.acknowledge("A", desk.now_ns, "operator")
    desk.board.shelve("A", S, desk.now_ns, "operator")
    assert desk.state("A") is State.NORMAL
    assert [c.event for c in desk.board.unshelve("A", desk.now_ns, "operator")] == [
        Event.UNSHELVE,
        Event.RAISE,
    ]


def test_suppression_by_design_follows_its_condition() -> None:
    """What the design suppresses is neither announced nor listed while it does."""
    desk = Desk(AlarmRule("A"))
    desk.suppressed["A"] = True
    assert desk.run(0.1, A=True) == [(0.0, "A", "suppressed by design")]
    desk.suppressed["A"] = False
    assert desk.run(0.1) == [(0.1, "A", "no longer suppressed"), (0.1, "A", "raised")]


@pytest.mark.parametrize("reasons", list(product([True, False], repeat=3)))
def test_an_alarm_speaks_only_when_no_reason_is_left(reasons: tuple[bool, ...]) -> None:
    """Shelf, design and service each silence; together they do not cancel out."""
    shelved, suppressed, out = reasons
    desk = Desk(AlarmRule("A"))
    if shelved:
        desk.board.shelve("A", S, 0, "operator")
    if out:
        desk.board.set_out_of_service("A", True, 0, "operator")
    desk.suppressed["A"] = suppressed
    raised = [event for _, _, event in desk.run(0.1, A=True)].count("raised")
    assert raised == (not any(reasons))
    assert desk.state("A").is_listed is not any(reasons)


def test_the_first_alarm_of_a_group_stays_marked_until_all_are_normal() -> None:
    """First out is the cause; what it drags along does not replace it."""
    rules = [AlarmRule(name, group="pump 1") for name in ("TRIP", "NO_FLOW", "LOW")]
    desk = Desk(*rules, AlarmRule("OTHER"))
    desk.run(0.05, NO_FLOW=True)
    desk.run(0.05, TRIP=True, OTHER=True)
    assert desk.board.first_out("pump 1") == "NO_FLOW"
    desk.run(0.05, NO_FLOW=False)
    desk.board.acknowledge_all(desk.now_ns, "operator")
    assert desk.state("NO_FLOW") is State.NORMAL
    assert desk.board.first_out("pump 1") == "NO_FLOW"
    desk.run(0.05, TRIP=False)
    assert desk.board.first_out("pump 1") == ""
    desk.run(0.05, LOW=True)
    assert desk.board.first_out("pump 1") == "LOW"


def test_acknowledging_all_takes_what_waits_and_nothing_else() -> None:
    """One act for the list; what is normal or acknowledged is left alone."""
    desk = Desk(AlarmRule("A"), AlarmRule("B"), AlarmRule("C"))
    desk.run(0.05, A=True, B=True)
    desk.board.acknowledge("B", desk.now_ns, "operator")
    changes = desk.board.acknowledge_all(desk.now_ns, "10.0.0.9")
    assert [(c.name, c.source) for c in changes] == [("A", "10.0.0.9")]


def test_rates_are_held_against_the_published_figures() -> None:
    """ISA-18.2: about 1 in 10 min is acceptable, 2 manageable, more than 10 a flood."""
    desk = Desk(AlarmRule("A", priority=Priority.HIGH), AlarmRule("B"))
    rates = desk.board.rates
    for number in range(10):
        rates.note("A", Priority.HIGH, number * S)
    assert not rates.is_flood
    rates.note("B", Priority.LOW, 10 * S)
    assert rates.is_flood
    figures = rates.figures(10 * S)
    assert (figures.last_10_min, figures.peak_10_min, figures.floods) == (11, 11, 1)
    assert figures.shares[Priority.HIGH] == pytest.approx(10 / 11)
    assert figures.frequent == (("A", 10), ("B", 1))
    assert figures.verdict == "more than one operator can manage"
    # The ten-minute window slides: 4 are left when the first seven are older.
    assert rates.figures(606 * S).is_flood is False
    assert rates.figures(606 * S).last_10_min == 4
    assert rates.figures(6600 * S).verdict == "acceptable"
    assert rates.figures(3600 * S).verdict == "manageable"


def test_a_board_says_while_time_can_change_it() -> None:
    """A delay, a shelf and a flood do; their end at the latest comes with a scan of its own."""
    board = AlarmBoard([AlarmRule("A", on_delay_ns=S)])

    def scan(at_s: float, holds: bool) -> bool:
        board.scan(int(at_s * S), [holds], [False])
        return board.is_timed

    assert [scan(0, False), scan(1, True), scan(2, True)] == [False, True, False]
    board.shelve("A", S, 3 * S, "")
    assert [board.is_timed, scan(3.5, True), scan(4, True)] == [True, True, False]
    for number in range(11):
        board.rates.note("A", Priority.LOW, (5 + number) * S)
    revision = board.revision
    assert [scan(16, True), scan(700, True)] == [True, False]
    assert board.revision == revision + 1
