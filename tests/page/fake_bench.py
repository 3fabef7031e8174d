"""A bench that a test plays itself: the page's own files, and messages as the test likes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from playwright.async_api import Page, Route, WebSocketRoute

URL = "http://bench.test/"
_STATIC = files("softctl.web") / "static"
_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_CAN = "plant faults wire time forces alarms programs journal clients trials drills checkout"

POINT: dict[str, Any] = {
    "name": "LT_1",
    "type": "REAL",
    "role": "input",
    "unit": "m",
    "description": "Level",
    "range": [0.0, 2.0],
    "card": "AI_1",
    "channel": 0,
    "table": "input registers",
    "address": 7,
    "number": 30008,
}


def made_model(**more: Any) -> dict[str, Any]:
    """A machine with one point and nothing else, and whatever `more` says."""
    return {
        "id": "one",
        "title": "A machine",
        "name": "machine",
        "caution": "Never a safety function.",
        "role": "engineer",
        "can": dict.fromkeys(_CAN.split(), True),
        "channels": ["point:LT_1", "stat:machine_s", "stat:link", "stat:state"],
        "points": [POINT],
        "equipment": [],
        "alarms": [],
        "picture": None,
        "charts": [],
        "programs": [],
        "trials": [],
        "drills": [],
        "wire_effects": [],
        "history_clock": "machine",
        **more,
    }


class FakeBench:
    """Serves one page; `asked` has every request, `answers` what each kind of it gets.

    An answer is what the bench would say, or an Exception with its refusal.
    """

    def __init__(self, page: Page, model: Mapping[str, Any]) -> None:
        self.asked: list[dict[str, Any]] = []
        self.answers: dict[str, Any] = {}
        self.model = dict(model)
        self._page = page
        self._socket: WebSocketRoute | None = None

    async def open(self, section: str = "machine") -> None:
        """Show a section of the page, with first values."""
        await self._page.route(f"{URL}**", self._serve)
        await self._page.route_web_socket("ws://bench.test/ws", self._connect)
        await self._page.goto(f"{URL}#{section}")
        await self._page.locator(f"#section_{section}").wait_for()

    async def _serve(self, route: Route) -> None:
        path = route.request.url.removeprefix(URL).partition("?")[0]
        if path == "api/model":
            await route.fulfill(json=self.model)
        elif path.startswith("static/") or path == "":
            name = path.removeprefix("static/") or "index.html"
            kind = _TYPES[name.rpartition(".")[2]]
            body = _STATIC.joinpath(*name.split("/")).read_bytes()
            await route.fulfill(body=body, content_type=kind)
        else:
            await route.fulfill(status=404)

    def _connect(self, socket: WebSocketRoute) -> None:
        self._socket = socket
        socket.on_message(self._hear)
        self.say(t="hello", role=self.model["role"], model_id=self.model["id"])
        self.say(t="full", at=1.0, v=[0.5, 1.0, True, "running"])

    def _hear(self, text: str | bytes) -> None:
        request = json.loads(text)
        number = request.pop("id")
        self.asked.append(request)
        answer = self.answers.get(request["do"], {})
        if isinstance(answer, Exception):
            self.say(t="reply", id=number, error=str(answer))
        else:
            self.say(t="reply", id=number, answer=answer)

    def say(self, **message: Any) -> None:
        """Send one message to the page."""
        assert self._socket is not None
        self._socket.send(json.dumps(message))

    def show(self, what: str, **body: Any) -> None:
        """Send the state of something."""
        self.say(t="state", what=what, **body)
