"""Who looks at a page, and what that person may do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from softctl.errors import SoftctlError


class Role(IntEnum):
    """Each may do what the one before it may."""

    VIEW = 1
    OPERATE = 2
    ENGINEER = 3

    @property
    def word(self) -> str:
        """As people write it."""
        return self.name.lower()


def read_role(word: str) -> Role:
    """The role of a word; raises SoftctlError."""
    for role in Role:
        if role.word == word.strip().lower():
            return role
    known = ", ".join(role.word for role in Role)
    raise SoftctlError(f"expected a role ({known}), got {word}")


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody at a page: with which role, from which host, and by which name if any.

    `session` tells sessions apart where people sign in.
    """

    role: Role
    host: str
    name: str = ""
    session: str = ""

    @property
    def source(self) -> str:
        """As the journal names whoever did something."""
        who = f"{self.name}, {self.role.word}" if self.name else self.role.word
        return f"page: {who} {self.host}"

    def require(self, role: Role, what: str) -> None:
        """Raise SoftctlError unless this person may do what `role` may."""
        if self.role < role:
            raise SoftctlError(
                f"expected the role {role.word} or more for {what}, got {self.role.word}"
            )
