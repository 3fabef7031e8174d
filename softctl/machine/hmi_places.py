"""Where points lie on the HMI map."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from softctl.errors import Place
from softctl.machine.addresses import Request, allocate
from softctl.machine.model import Address, Point
from softctl.machine.points import Draft
from softctl.machine.reader import Reader
from softctl.machine.system_points import RESERVED
from softctl.values.registers import register_count
from softctl.values.tables import Table
from softctl.values.types import Kind

_BITS_OF_A_REGISTER = 16


def place_on_hmi(drafts: Sequence[Draft], reader: Reader, file: str) -> dict[str, Address]:
    """The HMI address of every point that has one, by name."""
    shared = _shared_registers(drafts, reader)
    found: dict[str, Address] = {}
    for table in Table:
        found |= _place_in_table(table, drafts, shared, reader, file)
    return found


@dataclass(slots=True)
class _Shared:
    """A register of bits: its points, the first of which decides on the table."""

    name: str
    drafts: list[Draft]

    @property
    def pin(self) -> int | None:
        return next((d.hmi_address for d in self.drafts if d.hmi_address is not None), None)

    @property
    def place(self) -> Place:
        pinned = (d for d in self.drafts if d.hmi_address is not None)
        return next(pinned, self.drafts[0]).named.where("hmi_address")

    def bits(self, reader: Reader) -> dict[str, int]:
        """The bit of each point by name, those that are pinned first."""
        requests = [
            Request(draft.point.name, 1, draft.named.where("bit"), pin=draft.bit)
            for draft in self.drafts
        ]
        return allocate(
            requests,
            reader.problems,
            size=_BITS_OF_A_REGISTER,
            of="bits",
            where=f"the register {self.name}",
        )


def _shared_registers(drafts: Sequence[Draft], reader: Reader) -> dict[str, _Shared]:
    """The registers of bits by the names of their first points."""
    by_key: dict[str, _Shared] = {}
    for draft in drafts:
        name = draft.point.in_register
        if not name or not draft.on_hmi:
            continue
        shared = by_key.setdefault(name.upper(), _Shared(name, []))
        if shared.drafts and not _agrees(draft, shared, reader):
            continue
        shared.drafts.append(draft)
    return {shared.drafts[0].point.name: shared for shared in by_key.values()}


def _agrees(draft: Draft, shared: _Shared, reader: Reader) -> bool:
    """Complains about a point that cannot lie in the same register as those before it."""
    first, point = shared.drafts[0].point, draft.point
    if _table(point) is not _table(first):
        reader.complain(
            f"expected points in the register {shared.name} that are all written by the HMI, as "
            f"commands and set points are, or all only read, got {point.name} beside {first.name}",
            draft.named.where("in_register"),
        )
        return False
    if draft.hmi_address is not None and shared.pin not in (None, draft.hmi_address):
        reader.complain(
            f"expected one address for the register {shared.name}, got {draft.hmi_address} "
            f"beside {shared.pin}",
            draft.named.where("hmi_address"),
        )
        return False
    return True


def _place_in_table(
    table: Table,
    drafts: Sequence[Draft],
    shared: Mapping[str, _Shared],
    reader: Reader,
    file: str,
) -> dict[str, Address]:
    """The addresses in one table, behind what is set aside for system points."""
    requests = list(_requests(table, drafts, shared))
    system = Request("the system points", RESERVED.get(table, 0), Place(file), pin=0)
    if system.count:
        requests.insert(0, system)
    granted = allocate(requests, reader.problems, where=f"the HMI's {table.value}")
    found: dict[str, Address] = {}
    for request in requests:
        if request is system or request.name not in granted:
            continue
        first = granted[request.name]
        if request.name in shared:
            bits = shared[request.name].bits(reader)
            found |= {name: Address(table, first, 1, bit) for name, bit in bits.items()}
        else:
            found[request.name] = Address(table, first, request.count)
    return found


def _requests(
    table: Table, drafts: Sequence[Draft], shared: Mapping[str, _Shared]
) -> Iterator[Request]:
    """One request for each value and for each register of bits, in the file's order."""
    for draft in drafts:
        point = draft.point
        if not draft.on_hmi or _table(point) is not table:
            continue
        if point.name in shared:
            one = shared[point.name]
            yield Request(point.name, 1, one.place, pin=one.pin)
        elif not point.in_register:
            count = 1 if table.is_bits else register_count(point.hmi_type)
            yield Request(
                name=point.name,
                count=count,
                place=draft.named.where("hmi_address"),
                alignment=1 if point.type.kind is Kind.STRING else count,
                pin=draft.hmi_address,
            )


def _table(point: Point) -> Table:
    is_bit = point.type.kind is Kind.BOOL and not point.in_register
    if point.role.is_written_by_hmi:
        return Table.COILS if is_bit else Table.HOLDING_REGISTERS
    return Table.DISCRETE_INPUTS if is_bit else Table.INPUT_REGISTERS
