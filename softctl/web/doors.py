"""Who comes in: sessions by cookie where people sign in, else one role for everybody.

1. A session is a random word of 256 bits, known to the browser alone; here lies its hash.
2. One try to sign in at a time is worked on; a wrong one costs its host a second.
3. Sessions end by themselves, by signing out, and with the program.
"""

from __future__ import annotations

import asyncio
import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field

from starlette.requests import HTTPConnection
from starlette.responses import Response

from softctl.web.access import Person, Role
from softctl.web.people import People

LASTS_S = 12 * 3600.0
MOST_SESSIONS = 1_000
MOST_WAITING = 8
_WRONG_COSTS_S = 1.0


def _ignore(person: Person, what: str) -> None:
    """Nobody keeps a journal."""


@dataclass(slots=True)
class _Session:
    person: Person
    until_s: float


@dataclass(slots=True)
class Doors:
    """Lets people in; `people` None is everybody with one role.

    `now_s` is a monotonic clock, `pause_s` how long a wrong try is made to wait; `note` hears
    who has signed in or out.
    """

    role: Role
    people: People | None
    cookie: str
    is_secure: bool
    now_s: Callable[[], float]
    pause_s: float = _WRONG_COSTS_S
    note: Callable[[Person, str], None] = _ignore
    _sessions: dict[str, _Session] = field(default_factory=dict)
    _trying: asyncio.Lock = field(default_factory=asyncio.Lock)
    _waiting: int = 0

    def admit(self, connection: HTTPConnection) -> Person | None:
        """Who makes a request; None for nobody who may look."""
        if self.people is None:
            return Person(self.role, _host(connection))
        session = self._sessions.get(_mark(connection.cookies.get(self.cookie, "")))
        if session is None or not self.is_in(session.person):
            return None
        return session.person

    def is_in(self, person: Person) -> bool:
        """Whether somebody who was let in still may be here."""
        if self.people is None:
            return True
        session = self._sessions.get(person.session)
        return session is not None and self.now_s() < session.until_s

    async def sign_in(self, connection: HTTPConnection, user: str, password: str) -> Response:
        """204 with a cookie, 403 for a wrong try, 429 where too many try."""
        if self.people is None:
            return Response(status_code=204)
        if self._waiting >= MOST_WAITING:
            return Response("expected fewer people to sign in at once\n", 429)
        self._waiting += 1
        try:
            async with self._trying:
                entry = await asyncio.to_thread(self.people.find, user, password)
                if entry is None:
                    await asyncio.sleep(self.pause_s)
        finally:
            self._waiting -= 1
        if entry is None:
            return Response("expected a known name and its password, or a token\n", 403)
        word = secrets.token_urlsafe(32)
        person = Person(entry.role, _host(connection), entry.name, _mark(word))
        self._forget_old()
        self._sessions[person.session] = _Session(person, self.now_s() + LASTS_S)
        self.note(person, "signed in")
        answer = Response(status_code=204)
        answer.set_cookie(
            self.cookie,
            word,
            max_age=int(LASTS_S),
            path="/",
            secure=self.is_secure,
            httponly=True,
            samesite="strict",
        )
        return answer

    def sign_out(self, connection: HTTPConnection) -> Response:
        """End the session of a request."""
        ended = self._sessions.pop(_mark(connection.cookies.get(self.cookie, "")), None)
        if ended is not None:
            self.note(ended.person, "signed out")
        answer = Response(status_code=204)
        answer.delete_cookie(self.cookie, path="/", secure=self.is_secure, httponly=True)
        return answer

    def _forget_old(self) -> None:
        """End what is over, and the oldest where there are too many."""
        now_s = self.now_s()
        for mark in [mark for mark, one in self._sessions.items() if one.until_s <= now_s]:
            del self._sessions[mark]
        while len(self._sessions) >= MOST_SESSIONS:
            del self._sessions[next(iter(self._sessions))]


def _mark(word: str) -> str:
    return hashlib.sha256(word.encode()).hexdigest()


def _host(connection: HTTPConnection) -> str:
    return connection.client.host if connection.client else ""
