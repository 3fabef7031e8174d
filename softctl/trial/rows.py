"""The rows of a procedure: one verb each, with the words that go with it.

A new kind of row is a function in VERBS: its key, the other keys it takes, and how it is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from math import isfinite

from softctl.logic import Condition, Source
from softctl.machine import Point, Role, Value
from softctl.machine.document import Entry, describe
from softctl.plant import Fault
from softctl.plant.blocks import Input
from softctl.plant.faults import fitted
from softctl.trial import model
from softctl.trial.alarm_rows import ALARM_VERBS
from softctl.trial.fields import FieldReader, RowReader, Verb
from softctl.values.names import suggest
from softctl.values.units import convert, dimension_words, parse_quantity

_PLAIN_UNITS = {"1": "", "%": ""}


def read_row(fields: FieldReader, entry: Entry, verbs: Mapping[str, Verb]) -> model.AnyRow | None:
    """One row, or None after complaints."""
    parts = fields.mapping(entry, f"a row such as '{next(iter(verbs))}: …'")
    if not parts:
        return None
    found = [key for key in parts if key in verbs]
    if len(found) != 1:
        _complain_of_verb(fields, entry, found, verbs)
        return None
    verb = verbs[found[0]]
    fields.check_keys(entry, (found[0], *verb.keys, "text"), f"the keys of a row '{found[0]}'")
    text = fields.text(parts["text"]) if "text" in parts else ""
    return verb.read(RowReader(fields, parts[found[0]], parts, entry.keys[found[0]], text))


def _complain_of_verb(
    fields: FieldReader, entry: Entry, found: list[str], verbs: Mapping[str, Verb]
) -> None:
    known = ", ".join(verbs)
    if found:
        message = f"expected one of {known} in a row, got {' and '.join(found)}"
        fields.complain(message, entry.keys[found[1]])
        return
    first = next(iter(entry.keys), "")
    message = f"expected a row with one of {known}; got '{first}'"
    fields.complain(message, entry.keys.get(first, entry.place), suggest(first, verbs))


# What is done


def _command(row: RowReader) -> model.Write | None:
    return _commands(row, True)


def _withdraw(row: RowReader) -> model.Write | None:
    return _commands(row, False)


def _commands(row: RowReader, value: bool) -> model.Write | None:
    values: dict[str, Value] = {}
    for entry in row.fields.words(row.verb, "the name of a command"):
        point = row.fields.point(str(entry.value).strip(), entry.place, Role.COMMAND)
        if point is not None and not value and not point.hold:
            message = f"expected a command with 'hold: true' to withdraw, got {point.name}"
            row.fields.complain(message, entry.place)
        elif point is not None:
            values[point.name] = value
    if not values:
        return None
    shown = ("command " if value else "withdraw ") + ", ".join(values)
    return model.Write(values=values, shown=shown, place=row.place, text=row.text)


def _set(row: RowReader) -> model.Write | None:
    values = read_settings(row.fields, row.verb)
    shown = "set " + ", ".join(f"{name} to {_given(row, name)}" for name in values)
    return (
        model.Write(values=values, shown=shown, place=row.place, text=row.text) if values else None
    )


def _given(row: RowReader, name: str) -> str:
    """A value as the file gives it."""
    parts = row.verb.value
    assert isinstance(parts, Mapping)
    value = next(one.value for key, one in parts.items() if key.upper() == name.upper())
    return str(value).lower() if isinstance(value, bool) else str(value)


def read_settings(fields: FieldReader, entry: Entry) -> dict[str, Value]:
    """Set points and held commands with their values."""
    values: dict[str, Value] = {}
    for name, given in fields.mapping(entry, "set points and values, such as {NAME: 5 s}").items():
        point = fields.point(name, entry.keys[name], Role.SETPOINT, Role.COMMAND)
        value = None if point is None else fields.point_value(point, given)
        if point is not None and value is not None:
            values[point.name] = value
    return values


def _fault(row: RowReader) -> model.Break | None:
    fields = row.fields
    parts = _equipment_and_fault(row)
    if parts is None:
        return None
    equipment, name = parts
    port = fields.attempt(lambda: fields.plant.fault_port(equipment, name), row.verb.place)
    if port is None:
        return None
    before = len(fields.problems)
    size = _fault_size(row, port)
    fault = Fault(
        equipment, name, row.time("after") or 0, row.time("for"), size, row.time("ramp") or 0
    )
    place = row.keys["size"].place if "size" in row.keys else row.verb.place
    whole = None
    if len(fields.problems) == before:
        whole = fields.attempt(lambda: fitted(fault, port), place)
    if whole is None:
        return None
    return model.Break(fault=whole, place=row.place, text=row.text)


def _fault_size(row: RowReader, port: Input) -> float | None:
    if "size" not in row.keys:
        return None
    entry = row.keys["size"]
    if port.fault_value is not None:
        row.fields.complain(f"expected no size for {port.fault}, got one", entry.place)
        return None
    unit = _PLAIN_UNITS.get(port.unit or "", port.unit or "")
    value = entry.value
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        message = f"expected {dimension_words(unit)}, got {describe(value)}"
        row.fields.complain(message, entry.place)
        return None
    return row.fields.attempt(lambda: parse_quantity(str(value), unit), entry.place)


def _equipment_and_fault(row: RowReader) -> tuple[str, str] | None:
    """`LSH_101 broken wire`: the first word is the equipment, the rest the fault."""
    text = row.fields.text(row.verb, "a piece of equipment and its fault, as 'LSH_101 stuck'")
    first, _, rest = text.partition(" ")
    if not first:
        return None
    equipment = row.fields.equipment(Entry(first, row.verb.place))
    return (equipment, " ".join(rest.split())) if equipment else None


def _mend(row: RowReader) -> model.Mend | None:
    parts = _equipment_and_fault(row)
    if parts is None:
        return None
    equipment, name = parts
    plant = row.fields.plant
    if name and row.fields.attempt(lambda: plant.fault_port(equipment, name), row.place) is None:
        return None
    return model.Mend(equipment=equipment, fault=name, place=row.place, text=row.text)


def _force(row: RowReader) -> model.Force | None:
    values: dict[str, Value] = {}
    entry = row.verb
    for name, given in row.fields.mapping(entry, "points and values, as {NAME: true}").items():
        found = row.fields.variable_value(name, entry.keys[name], given)
        if found is not None:
            values[found[0]] = found[1]
    if not values:
        return None
    shown = ", ".join(f"{key} to {_given(row, key)}" for key in entry.keys)
    for_ns = row.time("for")
    return model.Force(values=values, shown=shown, for_ns=for_ns, place=row.place, text=row.text)


def _release(row: RowReader) -> model.Release | None:
    if row.verb.value == "all":
        return model.Release(place=row.place, text=row.text)
    names = []
    for entry in row.fields.words(row.verb, "the name of a forced variable, or all"):
        find = partial(row.fields.names.find, str(entry.value).strip())
        found = row.fields.attempt(find, entry.place)
        names += [found[0]] if found is not None else []
    return model.Release(names=tuple(names), place=row.place, text=row.text) if names else None


def _wire(row: RowReader) -> model.Wire | None:
    word = row.fields.choice(row.verb, ["cut", "mended"], "cut or mended")
    if not word:
        return None
    for_ns = row.time("for") if word == "cut" else None
    return model.Wire(is_cut=word == "cut", for_ns=for_ns, place=row.place, text=row.text)


# What is waited for and expected


def _wait(row: RowReader) -> model.Wait:
    time_ns = row.fields.duration(row.verb)
    return model.Wait(time_ns=time_ns, place=row.place, text=row.text)


def _wait_until(row: RowReader) -> model.WaitUntil | None:
    within_ns = row.needed_within("after which the trial gives up")
    condition = row.fields.condition(row.verb)
    if condition is None:
        return None
    return model.WaitUntil(condition=condition, within_ns=within_ns, place=row.place, text=row.text)


def _expect(row: RowReader) -> model.Expect | None:
    condition = row.fields.condition(row.verb)
    if condition is None:
        return None
    return model.Expect(
        condition=condition,
        within_ns=row.time("within") or 0,
        for_ns=row.time("for") or 0,
        place=row.place,
        text=row.text,
    )


def _compare(row: RowReader) -> model.Expect | None:
    """A value within a band of a reference, both in ST; the band may carry the value's unit."""
    fields = row.fields
    for key in ("with", "band"):
        if key not in row.keys:
            fields.complain(f"expected '{key}:' beside 'compare:', got none", row.place)
    if not {"with", "band"} <= set(row.keys):
        return None
    measured = fields.condition(row.verb, number=True)
    reference = fields.condition(row.keys["with"], number=True)
    unit = _unit(fields, measured)
    band = _band(fields, row.keys["band"], unit)
    if measured is None or reference is None or band is None:
        return None
    text = f"ABS(({measured.text}) - ({reference.text})) <= {band!r}"
    condition = fields.conditions.read(Source(fields.file, text), fields.problems)
    return model.Expect(
        condition=condition,
        within_ns=row.time("within") or 0,
        for_ns=row.time("for") or 0,
        measured=measured,
        reference=reference,
        band=band,
        unit=unit,
        place=row.place,
        text=row.text,
    )


def _unit(fields: FieldReader, measured: Condition | None) -> str:
    """The unit of a value that is a single point; the plant's own units are SI."""
    point: Point | None = fields.names.point(measured.text) if measured is not None else None
    return point.unit if point is not None else ""


def _band(fields: FieldReader, entry: Entry, unit: str) -> float | None:
    value = entry.value
    band: float | None = None
    if isinstance(value, str) and unit:
        # A band is a difference: 2 degC are 2 K, and no temperature.
        band = fields.attempt(lambda: convert(value, unit) - _zero_of(value, unit), entry.place)
    elif isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value):
        band = float(value)
    else:
        wanted = f"a number or a quantity in {unit}" if unit else "a number"
        fields.complain(f"expected {wanted}, got {describe(value)}", entry.place)
    if band is not None and band <= 0:
        fields.complain(f"expected a band above 0, got {describe(value)}", entry.place)
        return None
    return band


def _zero_of(text: str, unit: str) -> float:
    own = text.strip().lstrip("+-0123456789._eE").strip()
    return convert(f"0 {own}", unit) if own else 0.0


def _sequence(row: RowReader) -> model.Sequence | None:
    fields = row.fields
    within_ns = row.needed_within("in which all of it has to happen")
    chart = _chart(row)
    if not chart:
        return None
    known = next(
        [step.name for step in one.steps]
        for one in fields.names.application.charts
        if one.program == chart
    )
    items = fields.items(row.verb, "a list of steps such as [Filling, Draining]")
    groups = [_group(fields, item, known, chart) for item in items]
    if not groups or not all(groups):
        return None
    return model.Sequence(
        chart=chart, groups=tuple(groups), within_ns=within_ns, place=row.place, text=row.text
    )


def _chart(row: RowReader) -> str:
    charts = [chart.program for chart in row.fields.names.application.charts]
    if "chart" in row.keys:
        return row.fields.chart(row.keys["chart"])
    if len(charts) == 1:
        return charts[0]
    known = ", ".join(charts) or "there is none"
    row.fields.complain(f"expected 'chart:' with one of the charts ({known}), got none", row.place)
    return ""


def _group(fields: FieldReader, item: Entry, known: list[str], chart: str) -> tuple[str, ...]:
    by_upper = {name.upper(): name for name in known}
    found = []
    for entry in item.value if isinstance(item.value, tuple) else (item,):
        name = fields.text(entry, "the name of a step")
        if name and name.upper() not in by_upper:
            message = f"expected a step of {chart} ({', '.join(known)}), got {name}"
            fields.complain(message, entry.place, suggest(name, known))
        elif name:
            found.append(by_upper[name.upper()])
    return tuple(found)


def _never(row: RowReader) -> model.Watch | None:
    return _watch(row, wanted=False)


def _always(row: RowReader) -> model.Watch | None:
    return _watch(row, wanted=True)


def _watch(row: RowReader, *, wanted: bool) -> model.Watch | None:
    condition = row.fields.condition(row.verb)
    until = row.fields.condition(row.keys["until"]) if "until" in row.keys else None
    for_ns = row.time("for")
    if condition is None or ("until" in row.keys and until is None):
        return None
    return model.Watch(
        condition=condition,
        wanted=wanted,
        for_ns=for_ns,
        until=until,
        place=row.place,
        text=row.text,
    )


WATCHES: Mapping[str, Verb] = {
    "never": Verb(_never, ("for", "until")),
    "always": Verb(_always, ("for", "until")),
}
VERBS: Mapping[str, Verb] = {
    "command": Verb(_command),
    "withdraw": Verb(_withdraw),
    "set": Verb(_set),
    "fault": Verb(_fault, ("after", "for", "ramp", "size")),
    "mend": Verb(_mend),
    "force": Verb(_force, ("for",)),
    "release": Verb(_release),
    "wire": Verb(_wire, ("for",)),
    "wait": Verb(_wait),
    "wait until": Verb(_wait_until, ("within",)),
    "expect": Verb(_expect, ("within", "for")),
    "compare": Verb(_compare, ("with", "band", "within", "for")),
    "sequence": Verb(_sequence, ("chart", "within")),
    **ALARM_VERBS,
    **WATCHES,
}
