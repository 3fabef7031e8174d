"""All alarms of a machine: conditions in, state changes out, and what people do to them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from softctl.alarms.rates import AlarmRates
from softctl.alarms.rules import AlarmRule
from softctl.alarms.states import TABLES, Availability, Event, State
from softctl.errors import SoftctlError
from softctl.values.names import suggest

MAX_SHELF_NS = 8 * 3_600_000_000_000
"""A shelf is for a shift at most: what is longer is out of service (common practice)."""


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """What happened to an alarm: when, by whose doing ("" for the condition's own)."""

    at_ns: int
    name: str
    event: Event
    state: State
    availability: Availability
    source: str = ""


class Alarm:
    """One alarm with its state. Only its board changes it."""

    __slots__ = (
        "_pending_since_ns",
        "holds",
        "is_first_out",
        "is_out_of_service",
        "is_present",
        "is_suppressed",
        "raised_at_ns",
        "rule",
        "shelved_until_ns",
        "state",
    )

    def __init__(self, rule: AlarmRule) -> None:
        self.rule = rule
        self.state = State.NORMAL
        self.holds = False
        """The condition in the last scan."""
        self.is_present = False
        """The condition after its delays."""
        self.is_first_out = False
        self.is_suppressed = False
        self.is_out_of_service = False
        self.shelved_until_ns: int | None = None
        self.raised_at_ns: int | None = None
        self._pending_since_ns: int | None = None

    @property
    def availability(self) -> Availability:
        """The strongest reason for which it may not announce itself."""
        if self.is_out_of_service:
            return Availability.OUT_OF_SERVICE
        if self.shelved_until_ns is not None:
            return Availability.SHELVED
        if self.is_suppressed:
            return Availability.SUPPRESSED
        return Availability.IN_SERVICE

    @property
    def is_pending(self) -> bool:
        """True while a delay runs."""
        return self._pending_since_ns is not None

    def follow(self, holds: bool, now_ns: int) -> bool:
        """Take in the condition; True when, after its delay, it is no longer as it was."""
        self.holds = holds
        if holds is self.is_present:
            self._pending_since_ns = None
            return False
        if self._pending_since_ns is None:
            self._pending_since_ns = now_ns
        delay_ns = self.rule.on_delay_ns if holds else self.rule.off_delay_ns
        if now_ns - self._pending_since_ns < delay_ns:
            return False
        self._pending_since_ns = None
        self.is_present = holds
        return True


class AlarmBoard:
    """The alarms of one machine, in the order of its file.

    `scan` is to be called with every scan and costs next to nothing while no condition
    changes. What people ask for is refused with a SoftctlError that says what the alarm
    is instead of what would be needed. Times must not go back.
    """

    def __init__(self, rules: Sequence[AlarmRule], now_ns: int = 0) -> None:
        self.alarms = {rule.name: Alarm(rule) for rule in rules}
        self.rates = AlarmRates(now_ns)
        self._all = list(self.alarms.values())
        self._conditions: Sequence[bool] = [False] * len(rules)
        self._suppressions: Sequence[bool] = [False] * len(rules)
        self._timed: list[Alarm] = []
        self.revision = 0
        """Changes with every change of a state: who shows states need not look otherwise."""

    # The scan

    @property
    def is_timed(self) -> bool:
        """True while a delay, a shelf or a flood runs: `scan` may tell without a change."""
        return bool(self._timed) or self.rates.is_flood

    def scan(
        self, now_ns: int, conditions: Sequence[bool], suppressions: Sequence[bool]
    ) -> list[AlarmChange]:
        """What the conditions, one for each alarm in order, change at this instant."""
        changes: list[AlarmChange] = []
        if self.rates.is_flood:
            self.rates.update(now_ns)
            self.revision += not self.rates.is_flood
        if suppressions != self._suppressions:
            changes += self._suppress(now_ns, suppressions)
        if conditions != self._conditions or self._timed:
            changes += self._follow(now_ns, conditions)
        return changes

    def _suppress(self, now_ns: int, suppressions: Sequence[bool]) -> Iterator[AlarmChange]:
        self._suppressions = suppressions
        for alarm, suppressed in zip(self._all, suppressions, strict=True):
            if suppressed is not alarm.is_suppressed:
                alarm.is_suppressed = suppressed
                event = Event.SUPPRESS if suppressed else Event.UNSUPPRESS
                yield from self._availability_changed(alarm, event, now_ns, "")

    def _follow(self, now_ns: int, conditions: Sequence[bool]) -> Iterator[AlarmChange]:
        self._conditions = conditions
        for alarm, holds in zip(self._all, conditions, strict=True):
            until_ns = alarm.shelved_until_ns
            if until_ns is not None and now_ns >= until_ns:
                yield from self._unshelve(alarm, now_ns, "")
            if alarm.follow(holds, now_ns) and alarm.availability is Availability.IN_SERVICE:
                yield self._happen(alarm, Event.RAISE if holds else Event.CLEAR, now_ns, "")
        self._find_timed()

    def _find_timed(self) -> None:
        self._timed = [a for a in self._all if a.is_pending or a.shelved_until_ns is not None]

    # What people do

    def acknowledge(self, name: str, now_ns: int, source: str) -> AlarmChange:
        """Somebody has seen it."""
        return self._ask(name, Event.ACKNOWLEDGE, now_ns, source)

    def confirm(self, name: str, now_ns: int, source: str) -> AlarmChange:
        """Somebody has found its cause (only alarms with that ending)."""
        return self._ask(name, Event.CONFIRM, now_ns, source)

    def reset(self, name: str, now_ns: int, source: str) -> AlarmChange:
        """Let a latched alarm go, after its acknowledgement and when its cause is gone."""
        return self._ask(name, Event.RESET, now_ns, source)

    def acknowledge_all(self, now_ns: int, source: str) -> list[AlarmChange]:
        """Acknowledge whatever waits for it."""
        waiting = [alarm for alarm in self._all if not alarm.state.is_acknowledged]
        return [self._happen(alarm, Event.ACKNOWLEDGE, now_ns, source) for alarm in waiting]

    def shelve(self, name: str, for_ns: int, now_ns: int, source: str) -> list[AlarmChange]:
        """Silence it for a time, at most MAX_SHELF_NS; a second time starts the time anew."""
        alarm = self.alarm(name)
        if not 0 < for_ns <= MAX_SHELF_NS:
            raise SoftctlError(
                f"expected a time on the shelf above 0 and up to {MAX_SHELF_NS // 10**9} s "
                f"for {alarm.rule.name}, got {for_ns / 1e9:g} s"
            )
        alarm.shelved_until_ns = now_ns + for_ns
        self._find_timed()
        return list(self._availability_changed(alarm, Event.SHELVE, now_ns, source))

    def unshelve(self, name: str, now_ns: int, source: str) -> list[AlarmChange]:
        """Take it off the shelf before its time is over."""
        alarm = self.alarm(name)
        if alarm.shelved_until_ns is None:
            raise SoftctlError(f"expected a shelved alarm, got {alarm.rule.name}, which is not")
        changes = list(self._unshelve(alarm, now_ns, source))
        self._find_timed()
        return changes

    def set_out_of_service(
        self, name: str, out: bool, now_ns: int, source: str
    ) -> list[AlarmChange]:
        """Take it out of service, or return it; without an end of its own."""
        alarm = self.alarm(name)
        if out is alarm.is_out_of_service:
            wanted, found = ("in", "out of") if out else ("out of", "in")
            raise SoftctlError(
                f"expected an alarm {wanted} service, got {alarm.rule.name}, which is {found} it"
            )
        alarm.is_out_of_service = out
        event = Event.REMOVE if out else Event.RETURN
        return list(self._availability_changed(alarm, event, now_ns, source))

    def alarm(self, name: str) -> Alarm:
        """The alarm of that name, in any spelling of capitals; raises SoftctlError."""
        found = self.alarms.get(name)
        if found is None:
            spelled = {known.upper(): known for known in self.alarms}
            if name.upper() not in spelled:
                hint = suggest(name, self.alarms)
                more = f": {hint}" if hint else ""
                raise SoftctlError(f"expected the name of an alarm, got {name}{more}")
            found = self.alarms[spelled[name.upper()]]
        return found

    def first_out(self, group: str) -> str:
        """The alarm of a group that came first since all of it was normal, or ""."""
        members = (a for a in self._all if a.rule.group == group and a.is_first_out)
        return next((alarm.rule.name for alarm in members), "")

    # How states change

    def _ask(self, name: str, event: Event, now_ns: int, source: str) -> AlarmChange:
        alarm = self.alarm(name)
        if (alarm.state, event) not in TABLES[alarm.rule.ending]:
            raise SoftctlError(
                f"expected an alarm that can be {event.value}, got {alarm.rule.name}, "
                f"which is {alarm.state.value}"
            )
        return self._happen(alarm, event, now_ns, source)

    def _happen(self, alarm: Alarm, event: Event, now_ns: int, source: str) -> AlarmChange:
        alarm.state = TABLES[alarm.rule.ending][alarm.state, event]
        self.revision += 1
        if event is Event.RAISE:
            alarm.raised_at_ns = now_ns
            self.rates.note(alarm.rule.name, alarm.rule.priority, now_ns)
            self._mark_first_out(alarm)
        if alarm.state is State.NORMAL:
            self._forget_first_out(alarm.rule.group)
        return AlarmChange(now_ns, alarm.rule.name, event, alarm.state, alarm.availability, source)

    def _unshelve(self, alarm: Alarm, now_ns: int, source: str) -> Iterator[AlarmChange]:
        alarm.shelved_until_ns = None
        yield from self._availability_changed(alarm, Event.UNSHELVE, now_ns, source)

    def _availability_changed(
        self, alarm: Alarm, event: Event, now_ns: int, source: str
    ) -> Iterator[AlarmChange]:
        """Rule 3 of the states: to NORMAL when it may not speak, anew when it may again."""
        availability = alarm.availability
        self.revision += 1
        if availability is not Availability.IN_SERVICE:
            alarm.state = State.NORMAL
            self._forget_first_out(alarm.rule.group)
        yield AlarmChange(now_ns, alarm.rule.name, event, alarm.state, availability, source)
        if (
            availability is Availability.IN_SERVICE
            and alarm.is_present
            and alarm.state is State.NORMAL
        ):
            yield self._happen(alarm, Event.RAISE, now_ns, "")

    # First out

    def _mark_first_out(self, alarm: Alarm) -> None:
        if alarm.rule.group and not self.first_out(alarm.rule.group):
            alarm.is_first_out = True

    def _forget_first_out(self, group: str) -> None:
        members = [alarm for alarm in self._all if group and alarm.rule.group == group]
        if all(alarm.state is State.NORMAL for alarm in members):
            for alarm in members:
                alarm.is_first_out = False
