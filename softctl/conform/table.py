"""All cases, in the order in which they run, and choosing among them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from functools import cache

from softctl.conform import (
    clients,
    diagnostics,
    files,
    functions,
    header,
    identification,
    memory,
    multiple_writes,
    read_writes,
    reads,
    secure,
    single_writes,
    stream,
)
from softctl.conform.cases import Case
from softctl.errors import SoftctlError

GROUPS = {
    functions.GROUP: "which function codes are answered, and how the others are refused",
    reads.GROUP: "functions 01 to 04",
    single_writes.GROUP: "functions 05 and 06",
    multiple_writes.GROUP: "functions 15 and 16",
    single_writes.MASK_GROUP: "function 22",
    read_writes.GROUP: "function 23",
    diagnostics.GROUP: "functions 07, 08, 11, 12 and 17",
    files.GROUP: "functions 20, 21 and 24",
    identification.GROUP: "function 43, device identification",
    header.GROUP: "transaction, protocol and unit id, length",
    stream.GROUP: "frames cut, joined, piled up, spoilt and cut off",
    clients.GROUP: "several connections, and many in a row",
    memory.GROUP: "what is written is what is read, and never half of it",
    secure.GROUP: "TLS, certificates and roles",
}
"""Every group with what it is about."""

_MODULES = (
    functions,
    reads,
    single_writes,
    multiple_writes,
    read_writes,
    diagnostics,
    files,
    identification,
    header,
    stream,
    clients,
    memory,
    secure,
)


@cache
def all_cases() -> tuple[Case, ...]:
    """Every case."""
    return tuple(case for module in _MODULES for case in module.cases())


def choose(
    groups: Iterable[str] = (), ids: Iterable[str] = (), *, has_tls: bool = False
) -> tuple[Case, ...]:
    """The cases of the groups, and the single ones; all that apply if neither is given.

    Without TLS the cases about it do not apply, and are left out unless named.

    Raises:
        SoftctlError: a name that no group or case has.
    """
    wanted_groups, wanted_ids = set(groups), set(ids)
    cases = all_cases()
    _require(wanted_groups, list(GROUPS), "group")
    _require(wanted_ids, [case.id for case in cases], "case")
    if not wanted_groups and not wanted_ids:
        return tuple(case for case in cases if has_tls or case.group != secure.GROUP)
    return tuple(case for case in cases if case.group in wanted_groups or case.id in wanted_ids)


def _require(names: set[str], known: Sequence[str], what: str) -> None:
    for name in sorted(names):
        if name not in known:
            near = difflib.get_close_matches(name, known, 1)
            hint = f"; did you mean {near[0]}?" if near else "; --list shows them all"
            raise SoftctlError(f"expected the name of a {what}, got {name}{hint}")
