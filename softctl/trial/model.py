"""A trial as it was read from its file: what is given, what is done, what is expected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from softctl.errors import Place
from softctl.logic import Condition
from softctl.machine import Scalar, Value
from softctl.plant import Fault

Parameters = Mapping[str, Mapping[str, Scalar]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a procedure; `text` is its own text for the record, or empty."""

    place: Place
    text: str = ""


# What is done


@dataclass(frozen=True, slots=True, kw_only=True)
class Write(Row):
    """Values that an HMI writes: commands given or taken back, set points; `shown` says so."""

    values: Mapping[str, Value]
    shown: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Break(Row):
    """A fault of a piece of equipment; its `at_ns` counts from the row."""

    fault: Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Mend(Row):
    """The end of a fault, or of all faults of a piece of equipment (empty `fault`)."""

    equipment: str
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Force(Row):
    """Variables held at values, for a time or until released; `shown` says so."""

    values: Mapping[str, Value]
    shown: str
    for_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Release(Row):
    """The end of forces: those of `names`, or all."""

    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire(Row):
    """The wire between controller and field: cut, or whole again."""

    is_cut: bool
    for_ns: int | None = None


Action = Write | Break | Mend | Force | Release | Wire


# What is waited for and expected


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait(Row):
    """Let a time pass."""

    time_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitUntil(Row):
    """Go on when a condition is true; a trial cannot go on where it never is."""

    condition: Condition
    within_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect(Row):
    """A condition is true: at once, within a time, and for a time from then on.

    `says` is what is expected where the condition's text is not for people. `measured` and
    `reference` are set where a value was compared, `band` in the unit of
    the measured value, `unit`.
    """

    condition: Condition
    within_ns: int = 0
    for_ns: int = 0
    measured: Condition | None = None
    reference: Condition | None = None
    band: float = 0.0
    unit: str = ""
    says: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence(Row):
    """The steps that a chart enters from here on, in this order and no other between them.

    Steps of one group are simultaneous: they may come in any order.
    """

    chart: str
    groups: tuple[tuple[str, ...], ...]
    within_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch(Row):
    """A condition that is `wanted` (always) or not (never) from here on, beside the others.

    It ends after `for_ns`, when `until` becomes true, or with the trial. It may be otherwise
    for less than `grace_ns`: from outside, what belongs together is not seen in one moment.
    """

    condition: Condition
    wanted: bool
    for_ns: int | None = None
    until: Condition | None = None
    grace_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut(Row):
    """An expectation that cannot be judged here; `why` says what is not seen."""

    row: Expect | Watch
    why: str


AnyRow = Action | Wait | WaitUntil | Expect | Sequence | Watch | LeftOut


@dataclass(frozen=True, slots=True)
class Trial:
    """One written test.

    `equipment` are parameters of equipment that differ from the machine file, such as an
    initial level; `settings` are set points and held commands before the first scan.
    """

    name: str
    text: str
    place: Place
    rows: tuple[AnyRow, ...]
    equipment: Parameters = field(default_factory=dict)
    settings: Mapping[str, Value] = field(default_factory=dict)
    about: str = ""

    def conditions(self) -> list[Condition]:
        """Every condition of its rows."""
        return [one for row in self.rows for one in row_conditions(row)]


def row_conditions(row: AnyRow) -> list[Condition]:
    """The conditions of one row."""
    match row:
        case WaitUntil():
            return [row.condition]
        case Expect():
            return [c for c in (row.condition, row.measured, row.reference) if c is not None]
        case Watch():
            return [row.condition] if row.until is None else [row.condition, row.until]
    return []
