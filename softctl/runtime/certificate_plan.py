"""Which test certificates a machine needs, and in which files they belong."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Final

from softctl.errors import SoftctlError
from softctl.machine import Endpoint, KeyFiles, Machine, Security

ANY_ADDRESS: Final = ("0.0.0.0", "::")
LOOPBACK: Final = ("localhost", "127.0.0.1", "::1")
_EXAMPLE: Final = """
    hmi:
      tls:
        certificate: certs/hmi.pem
        key: certs/hmi.key
        authority: certs/authority.pem
        roles:
          fitter: {read: all, write: all}
          onlooker: {read: all}"""


class Purpose(Enum):
    """What a certificate is for."""

    SERVER = "server"
    CLIENT = "client"


@dataclass(frozen=True, slots=True)
class Wanted:
    """One certificate: its files, what it is for, and what has to stand in it."""

    certificate: Path
    key: Path
    purpose: Purpose
    name: str
    role: str = ""
    hosts: tuple[str, ...] = ()


@dataclass(slots=True)
class Authority:
    """One authority with its files and the certificates that it is to sign."""

    certificate: Path
    key: Path
    signs: list[Wanted] = field(default_factory=list)


def plan_certificates(machine: Machine, folder: Path, hosts: tuple[str, ...]) -> list[Authority]:
    """One authority for each file that the machine names, with all that it has to sign.

    Clients get files beside their authority's: one for each role and one without.

    Args:
        folder: the machine's, which the names of the files are relative to.
        hosts: further names and addresses that servers are reached by.

    Raises:
        SoftctlError: the machine asks for no TLS, or for one file in two uses.
    """
    authorities: dict[Path, Authority] = {}
    for what, endpoint in (("field", machine.field), ("hmi", machine.hmi)):
        if endpoint.security is None:
            continue
        path = _path(folder, endpoint.security.authority.value)
        authority = authorities.setdefault(path, Authority(path, path.with_suffix(".key")))
        for wanted in _certificates(machine, what, endpoint, endpoint.security, folder, hosts):
            if wanted not in authority.signs:
                authority.signs.append(wanted)
    if not authorities:
        raise SoftctlError(
            f"expected 'tls:' under 'hmi:' or 'field:' in {machine.file}, got none; "
            f"for example:{_EXAMPLE}"
        )
    _require_own_files(list(authorities.values()))
    return list(authorities.values())


def files_of(authorities: list[Authority]) -> Iterator[Path]:
    """Every file of a plan."""
    for authority in authorities:
        yield authority.certificate
        yield authority.key
        for wanted in authority.signs:
            yield wanted.certificate
            yield wanted.key


def _certificates(
    machine: Machine,
    what: str,
    endpoint: Endpoint,
    security: Security,
    folder: Path,
    hosts: tuple[str, ...],
) -> Iterator[Wanted]:
    own = (endpoint.host,) if endpoint.host not in ANY_ADDRESS else ()
    named = (security.server_name,) if security.server_name else ()
    names = tuple(dict.fromkeys((*own, *named, *LOOPBACK, *hosts)))
    name = f"{machine.name} {what}"
    yield Wanted(*_files(folder, security.own), Purpose.SERVER, name, hosts=names)
    if security.controller is not None:
        files = _files(folder, security.controller)
        role = security.controller_role
        yield Wanted(*files, Purpose.CLIENT, f"{machine.name} controller", role)
    beside = _path(folder, security.authority.value).parent
    for role in ("", *security.roles):
        stem = f"client_{_word(role)}" if role else "client_without_role"
        certificate, key = beside / f"{stem}.pem", beside / f"{stem}.key"
        yield Wanted(certificate, key, Purpose.CLIENT, role or "no role", role)


def _files(folder: Path, files: KeyFiles) -> tuple[Path, Path]:
    return _path(folder, files.certificate.value), _path(folder, files.key.value)


def _path(folder: Path, name: object) -> Path:
    """Without the dots that would give one file two names; links are not followed."""
    return Path(os.path.normpath(folder / str(name)))


def _word(role: str) -> str:
    return re.sub(r"[^\w-]+", "_", role)


def _require_own_files(authorities: list[Authority]) -> None:
    seen: set[Path] = set()
    for path in files_of(authorities):
        if path in seen:
            raise SoftctlError(
                f"expected a file of its own for each certificate and key, got {path} twice"
            )
        seen.add(path)
