"""What is known about the server under test before its cases run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from softctl.conform.originals import Originals
from softctl.conform.steps import Show
from softctl.values.tables import Table

ADDRESSES = 65_536


@dataclass(frozen=True, slots=True, order=True)
class Range:
    """Addresses `first` to `first + count - 1` of one table (or records of one file)."""

    first: int
    count: int

    @property
    def end(self) -> int:
        """The address after the last one."""
        return self.first + self.count

    def __str__(self) -> str:
        return f"{self.first}-{self.end - 1}"


class Support(Enum):
    """What the server does with a well-formed request for a function."""

    YES = "answers"
    REFUSED = "answers with exception 01"
    SILENT = "does not answer"


@dataclass(frozen=True, slots=True)
class Secured:
    """What the cases about TLS have to work with.

    Attributes:
        missing: why a certificate cannot be shown, for each that cannot.
        no_read: addresses that exist and that the own role may not read.
        no_write: addresses that exist and that the own role may not write.
    """

    missing: Mapping[Show, str] = field(default_factory=dict)
    no_read: Mapping[Table, tuple[Range, ...]] = field(default_factory=dict)
    no_write: Mapping[Table, tuple[Range, ...]] = field(default_factory=dict)

    @property
    def is_limited(self) -> bool:
        """Whether the own role is known to be refused something."""
        return bool(self.no_read or self.no_write)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the user asks for; an empty mapping of addresses means: discover them.

    `files` are record ranges by file number, for function 21. `allows_unpredictable`
    lets cases run whose effect on a device nobody can foresee (reserved functions).
    `secured` is None in the clear.
    """

    unit: int = 1
    addresses: Mapping[Table, tuple[Range, ...]] = field(default_factory=dict)
    writes: Mapping[Table, tuple[Range, ...]] = field(default_factory=dict)
    files: Mapping[int, Range] = field(default_factory=dict)
    allows_unpredictable: bool = True
    can_half_close: bool = True
    secured: Secured | None = None


@dataclass(frozen=True, slots=True)
class Area:
    """One table as the survey found it.

    Attributes:
        known: the longest run of addresses that were read, or None.
        is_bounded: the address after `known` does not exist.
        hole: an address that does not exist (it was answered with exception 02), or None.
        writable: the longest run that may be written, exists and takes any value, or None.
        has_edge: the user's range goes on beyond `writable`, and `known` ends there.
        write_hole: an address that may be written and does not exist, or None.
        refusal: why a range that the user gave is not `writable`; empty if none was given.
    """

    known: Range | None = None
    is_bounded: bool = False
    hole: int | None = None
    writable: Range | None = None
    has_edge: bool = False
    write_hole: int | None = None
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class Site:
    """Everything that cases may rely on; `support` has only functions that were tried."""

    unit: int
    areas: Mapping[Table, Area] = field(default_factory=dict)
    support: Mapping[int, Support] = field(default_factory=dict)
    originals: Originals = field(default_factory=Originals)
    files: Mapping[int, Range] = field(default_factory=dict)
    allows_unpredictable: bool = True
    can_half_close: bool = True
    secured: Secured | None = None

    def area(self, table: Table) -> Area:
        """What is known about a table; an empty area if nothing is."""
        return self.areas.get(table, Area())
