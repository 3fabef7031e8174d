"""How a record says what was expected and what was found."""

from __future__ import annotations

from collections.abc import Sequence

from softctl.control import ForceChange, GuardBreach, Happening
from softctl.logic import Condition
from softctl.trial import model
from softctl.trial.model import AnyRow

_NS = 1_000_000_000


def seconds(time_ns: int) -> str:
    """A time as records show it: `12.35 s`."""
    return f"{time_ns / _NS:.9g} s"


def moment(time_ns: int) -> str:
    """A moment of the trial, to the millisecond."""
    return f"{time_ns / _NS:.3f} s"


def values_text(names: Sequence[str], shown: Sequence[str]) -> str:
    """`P_101 = TRUE, T_101.level = 0.31`."""
    return ", ".join(f"{name} = {value}" for name, value in zip(names, shown, strict=True))


def expected(row: AnyRow) -> str:
    """What a row expects, as a sentence without a capital."""
    match row:
        case model.WaitUntil():
            return f"{row.condition.text} within {seconds(row.within_ns)}"
        case model.Expect():
            return f"{_what(row)}{_timing(row)}"
        case model.Sequence():
            steps = " → ".join(" and ".join(group) for group in row.groups)
            return f"{row.chart}: {steps} within {seconds(row.within_ns)}"
        case model.Watch():
            head = "always" if row.wanted else "never"
            return f"{head} {row.condition.text}{_ending(row)}"
        case model.LeftOut():
            return expected(row.row)
    return ""


def _what(row: model.Expect) -> str:
    if row.measured is None or row.reference is None:
        return row.says or row.condition.text
    unit = f" {row.unit}" if row.unit else ""
    return f"{row.measured.text} within ±{row.band:.6g}{unit} of {row.reference.text}"


def _timing(row: model.Expect) -> str:
    text = f" within {seconds(row.within_ns)}" if row.within_ns else ""
    return text + (f", then for {seconds(row.for_ns)}" if row.for_ns else "")


def _ending(row: model.Watch) -> str:
    text = f" for {seconds(row.for_ns)}" if row.for_ns is not None else ""
    return text + (f" until {row.until.text}" if row.until is not None else "")


def done(row: AnyRow) -> str:
    """What a row does, in a few words."""
    match row:
        case model.Write():
            return row.shown
        case model.Break():
            return _fault(row)
        case model.Mend():
            return f"mend {row.equipment} {row.fault}".strip()
        case model.Force():
            return f"force {row.shown}{_for(row.for_ns)}"
        case model.Release():
            return f"release {', '.join(row.names) or 'every force'}"
        case model.Wire():
            return f"cut the wire to the field{_for(row.for_ns)}" if row.is_cut else "mend the wire"
        case model.Wait():
            return f"wait {seconds(row.time_ns)}"
    return ""


def _fault(row: model.Break) -> str:
    fault = row.fault
    size = "" if fault.size is None else f" ({fault.size:.6g} in SI)"
    after = f" after {seconds(fault.at_ns)}" if fault.at_ns else ""
    ramp = f" growing over {seconds(fault.ramp_ns)}" if fault.ramp_ns else ""
    return f"{fault.equipment}: {fault.name}{size}{after}{_for(fault.for_ns)}{ramp}"


def _for(time_ns: int | None) -> str:
    return "" if time_ns is None else f" for {seconds(time_ns)}"


def condition_names(*conditions: Condition | None) -> tuple[str, ...]:
    """The variables of some conditions, each once."""
    return tuple(dict.fromkeys(name for one in conditions if one is not None for name in one.names))


def event_text(happening: Happening) -> str:
    """What alarms, guards and forces told, in a few words."""
    if isinstance(happening, ForceChange):
        return f"force of {happening.force.path} {happening.what}"
    if isinstance(happening, GuardBreach):
        return f"guard {happening.name} broken: {happening.text}".rstrip(": ")
    by = f" by {happening.source}" if happening.source else ""
    return f"alarm {happening.name} {happening.event.value}{by}"
