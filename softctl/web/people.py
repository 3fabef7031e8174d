"""Who may sign in: a file with one person, or one token, a line.

    # name  role      secret
    anna    engineer  scrypt:32768:8:3:<salt>:<key>
    wall    view      token:<SHA-256>

Passwords are kept as scrypt keys (RFC 7914) with a salt each; tokens are 256 random bits, for
which a plain SHA-256 is enough, as nobody can try them all.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from softctl.errors import Place, Problem, ProblemsError, SoftctlError
from softctl.web.access import Role, read_role

COST, BLOCK, LANES = 2**15, 8, 3
"""32 MiB and about a quarter of a second for each try (from memory: among what OWASP's
password storage guidance lists)."""

LEAST_LETTERS = 10
_MOST_COST = 2**20
_KEY_BYTES, _SALT_BYTES = 32, 16
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True, slots=True)
class Entry:
    """Somebody who may sign in with a password or a token."""

    name: str
    role: Role
    secret: str

    def line(self) -> str:
        """As it stands in the file."""
        return f"{self.name} {self.role.word} {self.secret}"


class People:
    """The entries of a file, by name."""

    def __init__(self, entries: Mapping[str, Entry]) -> None:
        self._entries = dict(entries)
        self._tokens = {
            one.secret.partition(":")[2]: one
            for one in entries.values()
            if one.secret.startswith("token:")
        }
        self._nobody = password_entry("nobody", Role.VIEW, secrets.token_urlsafe())

    def find(self, user: str, password: str) -> Entry | None:
        """Whoever this is, None for nobody; takes as long for an unknown name."""
        if not user:
            return self._tokens.get(hashlib.sha256(password.encode()).hexdigest())
        entry = self._entries.get(user)
        known = entry if entry is not None and entry.secret.startswith("scrypt:") else None
        is_right = _fits(password, (known or self._nobody).secret)
        return known if is_right else None


def password_entry(name: str, role: Role, password: str) -> Entry:
    """An entry with a password; raises SoftctlError for a name or password that will not do."""
    _require_name(name)
    if len(password) < LEAST_LETTERS:
        raise SoftctlError(
            f"expected a password of {LEAST_LETTERS} characters or more, got {len(password)}"
        )
    salt = secrets.token_bytes(_SALT_BYTES)
    key = _key(password, COST, BLOCK, LANES, salt)
    texts = (base64.b64encode(part).decode() for part in (salt, key))
    return Entry(name, role, ":".join(("scrypt", f"{COST}:{BLOCK}:{LANES}", *texts)))


def token_entry(name: str, role: Role) -> tuple[Entry, str]:
    """An entry with a new token, and the token, which is kept nowhere."""
    _require_name(name)
    token = secrets.token_urlsafe(32)
    return Entry(name, role, f"token:{hashlib.sha256(token.encode()).hexdigest()}"), token


def read_people(text: str, file: str) -> People:
    """The entries of a file; raises ProblemsError with every line that is none."""
    problems: list[Problem] = []
    entries = {one.name: one for one in _entries(text, file, problems)}
    if not entries and not problems:
        problems.append(Problem("expected a person or a token, got an empty file", Place(file)))
    if problems:
        raise ProblemsError(problems)
    return People(entries)


def _entries(text: str, file: str, problems: list[Problem]) -> Iterator[Entry]:
    names: set[str] = set()
    for number, line in enumerate(text.splitlines(), 1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        try:
            entry = _entry(words)
            if entry.name in names:
                raise SoftctlError(f"expected each name once, got {entry.name} again")
        except SoftctlError as error:
            problems.append(Problem(str(error), Place(file, number, 1)))
        else:
            names.add(entry.name)
            yield entry


def _entry(words: list[str]) -> Entry:
    if len(words) != 3:
        raise SoftctlError(f"expected a name, a role and a secret, got {len(words)} words")
    name, role, secret = words
    _require_name(name)
    is_token = re.fullmatch(r"token:[0-9a-f]{64}", secret)
    if not is_token:
        _parts(secret)
    return Entry(name, read_role(role), secret)


def _require_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise SoftctlError(f"expected a name of letters, digits and ._- for a person, got {name}")


def _parts(secret: str) -> tuple[int, int, int, bytes, bytes]:
    """Cost, block size, lanes, salt and key; raises SoftctlError."""
    try:
        kind, cost, block, lanes, salt, key = secret.split(":")
        found = int(cost), int(block), int(lanes), base64.b64decode(salt), base64.b64decode(key)
        is_cost = 2**14 <= found[0] <= _MOST_COST and found[1] == BLOCK and 1 <= found[2] <= 16
        if kind == "scrypt" and is_cost and len(found[4]) == _KEY_BYTES:
            return found
    except ValueError:
        pass
    raise SoftctlError("expected a secret as `softctl page-entry` prints it, got another text")


def _fits(password: str, secret: str) -> bool:
    cost, block, lanes, salt, key = _parts(secret)
    return hmac.compare_digest(_key(password, cost, block, lanes, salt), key)


def _key(password: str, cost: int, block: int, lanes: int, salt: bytes) -> bytes:
    room = 256 * cost * block
    return hashlib.scrypt(
        password.encode(), salt=salt, n=cost, r=block, p=lanes, maxmem=room, dklen=_KEY_BYTES
    )
