"""Who may read and write what: a table of roles, decided without IO.

Modbus/TCP Security v36 asks for rules that are configurable and for no hard-coded roles.
So a table knows roles only as text, and what each may not touch as ranges of addresses.

Rules:
1. A request is refused when it touches one address that the role may not touch, however
   little of it that is. Where two values share a register, one of them is enough.
2. Addresses that hold nothing (gaps, spare channels, anything beyond the map) never refuse
   a request, so that a block read over gaps works and a wrong address stays exception 02.
3. A role that may read nothing at all is refused every read, and so with writes; no gap
   and no function without addresses lets it in.
4. A role that the table does not know may do nothing. What a client without a role may do
   is `no_role`, and nothing unless it is given.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from softctl.modbus.clients import Client
from softctl.values.tables import Table

Span = tuple[Table, int, int]
"""(table, first address, count)."""

_BARRED: Final = 1


@dataclass(frozen=True, slots=True)
class Bars:
    """The spans that a role may not read and not write; None where it may touch nothing."""

    read: tuple[Span, ...] | None = None
    write: tuple[Span, ...] | None = None


class RoleTable:
    """Decides about each range of a request; its `permits` is what a Device asks.

    Args:
        roles: what each role may not do, by the role's exact text.
        no_role: the same for clients whose certificate holds no role.

    Raises:
        ValueError: a role is the empty text, which stands for none.
    """

    def __init__(self, roles: Mapping[str, Bars], no_role: Bars | None = None) -> None:
        if "" in roles:
            raise ValueError("expected roles with names; clients without one are `no_role`")
        bars = {**roles, "": no_role or Bars()}
        self._read = {role: _maps(one.read) for role, one in bars.items()}.get
        self._write = {role: _maps(one.write) for role, one in bars.items()}.get

    def permits(
        self, client: Client, table: Table | None, address: int, count: int, is_write: bool
    ) -> bool:
        """Whether the client may read or write `count` addresses from `address` on.

        `table` None stands for a function that is about no table, such as the device
        identification: whoever may read anything may use one that reads, and so with
        writes.
        """
        maps = self._write(client.role) if is_write else self._read(client.role)
        if maps is None:
            return False
        return table not in maps or _BARRED not in maps[table][address : address + count]


def _maps(barred: Iterable[Span] | None) -> dict[Table, bytes] | None:
    """One byte for each address of a table, 1 where it is barred."""
    if barred is None:
        return None
    maps: dict[Table, bytearray] = {}
    for table, first, count in barred:
        memory = maps.setdefault(table, bytearray())
        memory.extend(bytes(max(0, first + count - len(memory))))
        memory[first : first + count] = bytes((_BARRED,)) * count
    return {table: bytes(memory) for table, memory in maps.items()}
