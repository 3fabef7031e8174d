"""Whether what an HMI wrote when somebody operated it is right."""

from __future__ import annotations

from collections.abc import Iterator

from softctl.checkout.hints import explain
from softctl.checkout.judge import Judged, Verdict, is_near
from softctl.checkout.plan import shown_value
from softctl.checkout.steps import Operation, Step
from softctl.checkout.wire_log import PointWrite, WireLog
from softctl.image import Side, point_reader
from softctl.machine import Machine, Point, Role, Value
from softctl.modbus.bank import Bank

_EXCEPTIONS = {
    1: "a function that this client may not use",
    2: "no whole point that can be written is there",
    3: "a request that is malformed",
    4: "a value that the point does not take",
}


def _value_in(bank: Bank, machine: Machine, name: str) -> Value:
    """The value of one point in a bank."""
    (value,) = point_reader(bank, machine, [machine.points[name]], Side.HMI, wired=True)()
    return value


def judge_writes(
    step: Step, machine: Machine, log: WireLog, bank: Bank, tolerance: float
) -> Judged:
    """Whether what was written since the operation began is what it has to write.

    Right address, right value, once, released where it has to be, and nothing else.
    """
    operation = step.operation
    assert operation is not None, f"{step.id} is not operated"
    return _OperationJudge(operation, machine, log, bank, tolerance).judge()


class _OperationJudge:
    def __init__(
        self,
        operation: Operation,
        machine: Machine,
        log: WireLog,
        bank: Bank,
        tolerance: float,
    ) -> None:
        self._operation = operation
        self._machine = machine
        self._bank = bank
        self._tolerance = tolerance
        self._point = machine.points[operation.main]
        mine = (operation.main, *operation.others)
        ignored = log.habits - set(mine)
        self._writes = [write for write in log.writes if write.point not in ignored]
        self._done = [w for w in self._writes if not w.exception and w.point == operation.main]
        self._strays = [w for w in self._writes if not w.exception and w.point not in mine]
        self._refused = [write for write in self._writes if write.exception]
        self._hint = ""

    def judge(self) -> Judged:
        wrong = [*self._address(), *self._refusals(), *self._value(), *self._release()]
        wrong += self._others()
        if wrong:
            return Judged(Verdict.FAIL, "; ".join(wrong), self._hint)
        client = self._done[0].client
        text = self._text(self._operation.value)
        more = " and released" if self._operation.released else ""
        return Judged(Verdict.PASS, f"{text} written once{more} by {client}")

    def _address(self) -> Iterator[str]:
        if not self._writes:
            yield "nothing was written"
        for write in _one_each(self._strays):
            also = "also " if self._done else ""
            self._explain_place(write)
            yield f"{also}wrote {self._said(write)}to {write.point} ({write.where})"

    def _refusals(self) -> Iterator[str]:
        for write in _one_each(self._refused):
            reason = _EXCEPTIONS.get(write.exception, "")
            told = f"exception {write.exception:02d}: {reason}" if reason else "no answer"
            what = f"{write.point} ({write.where})" if write.point else write.where
            yield f"writing {self._said(write)}to {what} was refused with {told}"
            if write.point == self._point.name:
                self._explain(write.value)
            else:
                self._explain_place(write)

    def _value(self) -> Iterator[str]:
        """The right value, once; a command may be released by another write."""
        wanted = self._operation.value
        is_switch = self._point.role is Role.COMMAND
        pressed = [w for w in self._done if not is_switch or w.value is not False]
        if is_switch and self._done and self._done[0].value is False:
            yield "wrote FALSE first, expected TRUE"
            self._hint = "the opposite"
            return
        wrong = [w for w in pressed if not self._is_wanted(w.value)]
        for write in _one_each(wrong):
            yield f"wrote {self._said(write)}instead of {self._text(wanted)}"
            self._explain(write.value)
        if len(pressed) > 1 and not wrong:
            yield f"wrote {self._text(wanted)} {len(pressed)} times"

    def _release(self) -> Iterator[str]:
        if self._operation.released and self._done and self._done[-1].value is not False:
            yield "it was not released: FALSE never came"

    def _others(self) -> Iterator[str]:
        """What belongs to the operation has to be right when it is done."""
        if not self._done:
            return
        for name, values in self._operation.others.items():
            found = _value_in(self._bank, self._machine, name)
            if values and found not in values:
                yield f"{name} is {found}, expected {values[0]}"

    def _is_wanted(self, value: Value | None) -> bool:
        return value is not None and is_near(
            self._point, self._operation.value, value, self._tolerance
        )

    def _text(self, value: Value) -> str:
        return _value_text(self._point, value)

    def _said(self, write: PointWrite) -> str:
        """What was written, with a space behind it; empty where it is nothing whole."""
        if write.value is None:
            return "a part of a value " if write.point else ""
        return f"{_value_text(self._machine.points[write.point], write.value)} "

    def _explain(self, value: Value | None) -> None:
        if value is not None and not self._hint:
            self._hint = explain(self._machine, self._point, self._operation.value, value)

    def _explain_place(self, write: PointWrite) -> None:
        place = self._point.hmi
        assert place is not None, "what is operated is on the map"
        table, address, _ = write.span
        if table is place.table and abs(address - place.address) == 1 and not self._done:
            self._hint = "the address is off by one: the wire counts from 0, numbers from 1"


def _value_text(point: Point, value: Value) -> str:
    return str(value).upper() if isinstance(value, bool) else shown_value(point, value)


def _one_each(writes: list[PointWrite]) -> list[PointWrite]:
    """The first for each place and refusal."""
    found: dict[tuple[object, ...], PointWrite] = {}
    for write in writes:
        found.setdefault((write.span, write.point, write.exception), write)
    return list(found.values())
