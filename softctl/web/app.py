"""The page's HTTP and WebSocket entrances."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from importlib.resources import files
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from softctl.errors import SoftctlError
from softctl.web.access import Person
from softctl.web.actions import Actions, Message, text
from softctl.web.doors import Doors
from softctl.web.guard import Guard
from softctl.web.hub import Hub
from softctl.web.programs import find_source
from softctl.web.values import to_json
from softctl.web.viewer import ASKS_AT_ONCE, ASKS_PER_S, Allowance, Viewer

_TRY_LATER = 1013
"""The WebSocket close code of a server that is too busy (IANA's registry of close codes)."""
_STATIC = files("softctl.web") / "static"

_LONGEST_FORM = 4_096


class PageApp:
    """Routes of one page."""

    def __init__(self, hub: Hub, actions: Actions, doors: Doors) -> None:
        self._hub = hub
        self._actions = actions
        self._doors = doors

    def build(self, names: tuple[str, ...] = ()) -> ASGIApp:
        """The application behind its guard; `names` are the host names it may be called by."""
        routes = [
            Route("/", self._index),
            Route("/healthz", self._health),
            Route("/api/model", self._for_viewers(self._model)),
            Route("/api/source", self._for_viewers(self._source)),
            Route("/api/history", self._for_viewers(self._history)),
            Route("/api/export.csv", self._for_viewers(self._export)),
            Route("/login", self._sign_in, methods=["POST"]),
            Route("/logout", self._sign_out, methods=["POST"]),
            WebSocketRoute("/ws", self._talk),
            Mount("/static", StaticFiles(directory=str(_STATIC))),
        ]
        return Guard(Starlette(routes=routes), names)

    # HTTP

    async def _index(self, _: Request) -> Response:
        return Response((_STATIC / "index.html").read_bytes(), media_type="text/html")

    async def _health(self, _: Request) -> Response:
        return PlainTextResponse("ok\n")

    async def _sign_in(self, request: Request) -> Response:
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > _LONGEST_FORM:
                return PlainTextResponse("expected a name and a password, got more\n", 413)
        form = dict(parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True))
        password = form.get("password") or form.get("token", "")
        return await self._doors.sign_in(request, form.get("user", ""), password)

    async def _sign_out(self, request: Request) -> Response:
        return self._doors.sign_out(request)

    def _for_viewers(self, answer: Callable[[Request, Person], Awaitable[Response]]) -> Any:
        """A route for those who may look; a SoftctlError is a bad request."""

        async def guarded(request: Request) -> Response:
            person = self._doors.admit(request)
            if person is None:
                return _refused("expected somebody who has signed in", 401)
            try:
                return await answer(request, person)
            except SoftctlError as error:
                return _refused(str(error), 400)

        return guarded

    async def _model(self, _: Request, person: Person) -> Response:
        return Response(self._hub.model.body(person), media_type="application/json")

    async def _source(self, request: Request, _: Person) -> Response:
        source = find_source(self._hub.bench.sources(), request.query_params.get("file", ""))
        return PlainTextResponse(source.text)

    async def _history(self, request: Request, _: Person) -> Response:
        query = request.query_params
        points = _number(query, "points", 1000.0)
        found = await asyncio.to_thread(
            self._hub.bench.history().read, _names(query), *_span(query), int(points)
        )
        return Response(to_json(found), media_type="application/json")

    async def _export(self, request: Request, _: Person) -> Response:
        query = request.query_params
        history = self._hub.bench.history()
        text = await asyncio.to_thread(history.export, _names(query), *_span(query))
        name = f"{self._hub.bench.machine.name}.csv"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(text, media_type="text/csv", headers=headers)

    # WebSocket

    async def _talk(self, socket: WebSocket) -> None:
        person = self._doors.admit(socket)
        if person is None:
            await socket.send_denial_response(_refused("expected somebody who has signed in", 401))
            return
        viewer = Viewer(person, socket.send_text, self._hub.full)
        await socket.accept()
        try:
            self._hub.attach(viewer)
        except SoftctlError as error:
            await socket.close(_TRY_LATER, str(error))
            return
        sending = asyncio.create_task(viewer.run())
        hearing = asyncio.create_task(self._hear(socket, viewer))
        try:
            await asyncio.wait((sending, hearing), return_when=asyncio.FIRST_COMPLETED)
            if viewer.is_lost:
                await socket.close(_TRY_LATER, "too much was left waiting")
        finally:
            self._hub.detach(viewer)
            sending.cancel()
            hearing.cancel()
            await asyncio.gather(sending, hearing, return_exceptions=True)

    async def _hear(self, socket: WebSocket, viewer: Viewer) -> None:
        """Take what the viewer asks for, one after the other, until it has gone."""
        now_s = asyncio.get_running_loop().time
        allowance = Allowance(ASKS_PER_S, ASKS_AT_ONCE, now_s())
        while True:
            try:
                message = _read(await socket.receive_text())
            except (WebSocketDisconnect, KeyError):
                return
            await asyncio.sleep(allowance.wait_s(now_s()))
            if not self._doors.is_in(viewer.person):
                return
            viewer.tell(to_json(await self._reply(viewer, message)))

    async def _reply(self, viewer: Viewer, message: Message) -> dict[str, Any]:
        reply: dict[str, Any] = {"t": "reply", "id": message.get("id")}
        try:
            own = {"subscribe": self._subscribe, "watch_client": self._watch}.get(
                str(message.get("do"))
            )
            if own is not None:
                answer = own(viewer, message)
            else:
                answer = dict(await self._actions.do(viewer.person, message))
        except SoftctlError as error:
            return {**reply, "error": str(error)}
        except Exception as error:  # ours: whoever asked hears of it, and the page goes on
            self._hub.report(error)
            return {**reply, "error": f"expected to do this, got a fault of softctl: {error!r}"}
        return {**reply, "answer": answer}

    def _subscribe(self, viewer: Viewer, message: Message) -> dict[str, Any]:
        names = message.get("names")
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            raise SoftctlError(f"expected a list of names, got {names!r:.60}")
        return self._hub.subscribe(viewer, names)

    def _watch(self, viewer: Viewer, message: Message) -> dict[str, Any]:
        server, name = message.get("server"), message.get("name")
        is_none = name is None
        self._hub.watch(
            viewer,
            None if is_none else text(message, "server"),
            None if is_none else text(message, "name"),
        )
        return {"server": server, "name": name}


def _read(line: str) -> Message:
    """A message of a viewer; what is no object asks for nothing."""
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _names(query: QueryParams) -> list[str]:
    given = (name.strip() for name in query.get("names", "").split(","))
    return [name.removeprefix("point:") for name in given if name]


def _span(query: QueryParams) -> tuple[float, float]:
    return _number(query, "from", None), _number(query, "to", None)


def _number(query: QueryParams, key: str, default: float | None) -> float:
    """A number of a query; raises SoftctlError."""
    text = query.get(key)
    try:
        found = default if text is None else float(text)
    except ValueError:
        found = None
    if found is None or not abs(found) < 1e10:
        raise SoftctlError(f"expected a number for {key}, got {text or 'nothing'}")
    return found


def _refused(why: str, status: int) -> Response:
    return Response(to_json({"error": why}), status, media_type="application/json")
