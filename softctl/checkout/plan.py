"""The steps of a checkout of one machine: every point of its HMI map, in the file's order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from softctl.alarms import ACTS, Availability, Ending, State
from softctl.alarms.states import TABLES
from softctl.audit.uses import address_text
from softctl.checkout.steps import Answer, Operation, Step
from softctl.checkout.values import check_values, entry_values, rest_value
from softctl.control.alarm_desk import DONE, REFUSED, STATE_CODES
from softctl.control.states import ControlState
from softctl.machine import Machine, Point, Role, Value, WatchedAlarm
from softctl.machine.alarm_points import NUMBER, REPLY, REQUEST, STATE_SUFFIX, TIME
from softctl.machine.read_values import show_value
from softctl.values.types import Kind

Charts = Mapping[str, Sequence[str]]
"""The names of the steps of each program's chart, by the program's name in capitals."""

_ACT_CODES = {name: code for code, name in enumerate(ACTS, start=1)}
_CONTROL = {state.value: state.name.lower() for state in ControlState}
_STOPPED_BEAT = 4_711
_LOOK = "What does the screen show?"


def make_plan(machine: Machine, charts: Charts) -> tuple[Step, ...]:
    """Every step: the machine's own points first, then alarms, then system points."""
    points = [point for point in machine.points.values() if point.hmi is not None]
    late = {Role.ALARM: 1, Role.SYSTEM: 2}
    points.sort(key=lambda p: 1 if _is_request(p) else late.get(p.role, 0))
    return tuple(step for point in points for step in _Planner(machine, charts, point).steps())


def _is_request(point: Point) -> bool:
    return point.name in (NUMBER, TIME, REQUEST, REPLY)


class _Planner:
    """The steps of one point."""

    def __init__(self, machine: Machine, charts: Charts, point: Point) -> None:
        self._machine = machine
        self._charts = charts
        self._point = point
        assert point.hmi is not None
        self._place = address_text(point.hmi.table, point.hmi.address)
        if point.hmi.bit is not None:
            self._place += f", bit {point.hmi.bit}"

    def steps(self) -> Iterator[Step]:
        point = self._point
        if point.name in (NUMBER, TIME, REQUEST):
            yield from self._requests()
        elif point.name == REPLY:
            yield from self._choices({DONE: "done", REFUSED: "refused"})
        elif point.role is Role.ALARM:
            yield from self._alarm()
        elif point.name == "HEARTBEAT":
            yield from self._heartbeat()
        elif point.name == "CONTROL_STATE":
            yield from self._choices(_CONTROL)
        elif point.role is Role.STEP:
            names = self._charts.get(point.chart.upper(), ())
            yield from self._choices(dict(enumerate(names)))
        else:
            yield from self._plain()

    # What a screen shows

    def _plain(self) -> Iterator[Step]:
        point = self._point
        is_momentary = point.role is Role.COMMAND and not point.hold
        if not is_momentary:
            for name, value in check_values(point):
                yield self._show(name, value, {point.name: value}, _ANSWERS[point.type.kind])
        if point.role is Role.COMMAND:
            yield self._command()
        elif point.role is Role.SETPOINT:
            for name, value in entry_values(point):
                yield self._entry(name, value)

    def _show(
        self, name: str, value: Value, puts: Mapping[str, Value], answer: Answer, shown: str = ""
    ) -> Step:
        return self._step(
            name, _LOOK, answer, value, shown or shown_value(self._point, value), puts
        )

    def _step(
        self,
        name: str,
        instruction: str,
        answer: Answer,
        expected: Value,
        shown: str,
        puts: Mapping[str, Value],
        *,
        choices: Mapping[int, str] | None = None,
        operation: Operation | None = None,
    ) -> Step:
        point = self._point
        return Step(
            id=f"{point.name}:{name}",
            point=point.name,
            instruction=instruction,
            answer=answer,
            expected=expected,
            shown=shown,
            puts=puts,
            choices=choices or {},
            operation=operation,
            place=self._place,
            description=point.description,
        )

    def _choices(self, choices: Mapping[int, str]) -> Iterator[Step]:
        """One step for each number that has a name."""
        for number, name in choices.items():
            shown, puts = f"{number} ({name})", {self._point.name: number}
            yield self._step(
                str(number), _LOOK, Answer.CHOICE, number, shown, puts, choices=choices
            )

    def _heartbeat(self) -> Iterator[Step]:
        for name, words, puts in (
            ("alive", "is alive", {}),
            ("stopped", "stands still", {self._point.name: _STOPPED_BEAT}),
        ):
            ask = f"Does the screen show that the controller {words}?"
            yield self._step(name, ask, Answer.YES, True, "yes", puts)

    def _alarm(self) -> Iterator[Step]:
        name = self._point.name
        rule = name.removesuffix(STATE_SUFFIX)
        alarm = self._machine.alarms.get(name)
        if alarm is not None:
            on, off = (alarm_puts(name, one) for one in (State.UNACKNOWLEDGED, State.NORMAL))
            yield self._show("active", True, on, Answer.SWITCH, "the alarm")
            yield self._show("normal", False, off, Answer.SWITCH, "no alarm")
            return
        states = list(_states(self._machine.alarms[rule]))
        choices = {STATE_CODES[state]: state.value for state in states}
        ask = f"What does the screen show of the alarm {rule}?"
        for state in states:
            code, puts = STATE_CODES[state], alarm_puts(rule, state)
            shown = f"{code} ({state.value})"
            yield self._step(str(code), ask, Answer.CHOICE, code, shown, puts, choices=choices)

    # What somebody operates

    def _command(self) -> Step:
        point = self._point
        ask = "Press it once." if not point.hold else "Press it once and let go, or on and off."
        return self._operate("press", ask, Operation(point.name, True, released=point.hold))

    def _entry(self, name: str, value: Value) -> Step:
        shown = shown_value(self._point, value)
        operation = Operation(self._point.name, value)
        puts = {}
        if rest_value(self._point) == value:  # many HMIs write nothing that is there already
            others = (other for _, other in check_values(self._point) if other != value)
            puts = {self._point.name: next(others)}
        return self._operate(name, f"Enter {shown}.", operation, shown, puts)

    def _operate(
        self,
        name: str,
        ask: str,
        operation: Operation,
        shown: str = "",
        puts: Mapping[str, Value] | None = None,
    ) -> Step:
        more = ", then released" if operation.released else ""
        shown = f"{shown or 'TRUE'} written once{more}"
        return self._step(
            name, ask, Answer.DONE, operation.value, shown, puts or {}, operation=operation
        )

    def _requests(self) -> Iterator[Step]:
        """Acting on alarms: several registers for one press of a button."""
        alarms = list(self._machine.alarms.items())
        name = self._point.name
        for number, (alarm, watched) in enumerate(alarms, start=1):
            if name == NUMBER:
                yield self._act("acknowledge", number, alarm, State.UNACKNOWLEDGED)
            elif name == TIME and number == 1:
                yield self._act("shelve", number, alarm, State.UNACKNOWLEDGED)
            elif name == REQUEST:
                yield from self._other_acts(number, alarm, watched.rule.ending)

    def _other_acts(self, number: int, alarm: str, ending: Ending) -> Iterator[Step]:
        if ending is Ending.CONFIRM:
            yield self._act("confirm", number, alarm, State.UNCONFIRMED)
        if ending is Ending.RESET:
            yield self._act("reset", number, alarm, State.LATCHED)
        if number == 1:
            yield self._act("unshelve", number, alarm, Availability.SHELVED)

    def _act(self, act: str, number: int, alarm: str, state: State | Availability) -> Step:
        code = _ACT_CODES[act]
        numbers = (number, 0) if code <= 3 else (number,)
        others: dict[str, tuple[Value, ...]] = {NUMBER: numbers}
        if act == "shelve":
            others[TIME] = ()
        return self._operate(
            f"{act}-{alarm}",
            f"{act.capitalize()} the alarm {alarm}.",
            Operation(REQUEST, code, others=others),
            f"request {code} for alarm {number}",
            alarm_puts(alarm, state),
        )


_ANSWERS = {
    Kind.BOOL: Answer.SWITCH,
    Kind.BITS: Answer.NUMBER,
    Kind.SIGNED: Answer.NUMBER,
    Kind.UNSIGNED: Answer.NUMBER,
    Kind.REAL: Answer.NUMBER,
    Kind.DURATION: Answer.TIME,
    Kind.DATE: Answer.DATE,
    Kind.STRING: Answer.TEXT,
}


def shown_value(point: Point, value: Value) -> str:
    """A value as a checkout says it: with its unit, `on` and `off` for a BOOL."""
    if isinstance(value, str):
        return f"“{value}”"
    if point.type.kind is Kind.BOOL:
        return "on" if value else "off"
    unit = point.unit if point.type.is_numeric else ""
    text = f"{value:.6g}" if isinstance(value, float) else show_value(value, point.type)
    return f"{text} {unit}".rstrip()


def alarm_puts(name: str, state: State | Availability) -> dict[str, Value]:
    """What the map holds while one alarm is in a state and all others are normal."""
    is_active = isinstance(state, State) and state.is_active
    is_waiting = isinstance(state, State) and not state.is_acknowledged
    return {
        name: is_active,
        f"{name}{STATE_SUFFIX}": STATE_CODES[state],
        "ALARMS_ACTIVE": int(is_active),
        "ALARMS_WAITING": int(is_waiting),
    }


def _states(alarm: WatchedAlarm) -> Iterator[State | Availability]:
    """The states that an alarm can be in, by its ending."""
    table = TABLES[alarm.rule.ending]
    possible = {state for state, _ in table} | set(table.values())
    yield from (state for state in STATE_CODES if state in possible)
    if alarm.suppressed is not None:
        yield Availability.SUPPRESSED
    yield from (Availability.SHELVED, Availability.OUT_OF_SERVICE)
