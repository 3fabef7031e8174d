"""What is run from the page beside the machine or against its HMI: trials, drills, checkout."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from bench_page import Look, Served, served

from softctl.runtime.field_client import LinkError
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.hmi_client import HmiClient

pytestmark = pytest.mark.network


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


@contextlib.asynccontextmanager
async def polling(page: Served, timeout_s: float = 0.3) -> AsyncIterator[HmiClient]:
    """An HMI that polls ten times a second, and comes back after a loss, as another client."""
    server = page.bench.control.server
    assert server._listener is not None
    host, port = server._listener.sockets[0].getsockname()[:2]
    hmi = HmiClient(page.bench.machine, host, port, timeout_s)

    async def poll() -> None:
        while True:
            try:
                await hmi.connect()
                while True:
                    await hmi.poll()
                    await asyncio.sleep(0.05)
            except LinkError:
                await hmi.close()
                await asyncio.sleep(0.02)

    task = asyncio.create_task(poll())
    try:
        yield hmi
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await hmi.close()


async def state(viewer: Look, what: str, is_it: Callable[[dict[str, Any]], object]) -> Any:
    """The next state of a kind for which something holds."""
    async with asyncio.timeout(200):
        while True:
            found = await viewer.until("state", what=what)
            if is_it(found):
                return found


async def test_a_trial_runs_beside_the_machine_and_tells_how_it_goes(
    folder: MachineFolder,
) -> None:
    """Each row gets its verdict, the machine's own program stands where it stood, and one that
    is stopped has not been run."""
    async with served(folder) as page, page.look() as viewer:
        trials = await state(viewer, "trials", lambda one: one["rows"])
        names = [row["name"] for row in trials["rows"]]
        assert "one_batch" in names
        assert {row["verdict"] for row in trials["rows"]} == {None}
        refused = await viewer.ask("trial", name="no_such_trial", speed=0)
        assert "expected a trial (" in refused["error"]
        await viewer.do("trial", name="one_batch", speed=0)
        assert "expected no trial" in (await viewer.ask("trial", name="one_batch"))["error"]
        done = await state(viewer, "trial", lambda one: one["rows"] and not one["running"])
        assert done["verdict"] == "met"
        assert {row["verdict"] for row in done["rows"]} == {"met", None}
        assert done["at_s"] > 60
        after = await state(viewer, "trials", lambda one: any(r["verdict"] for r in one["rows"]))
        assert {r["name"]: r["verdict"] for r in after["rows"]}["one_batch"] == "met"
        steps = page.bench.control.controller.instance.active_steps("Feed")
        assert steps == ("Idle",)
        await viewer.do("trial", name="one_batch", speed=1)
        await viewer.do("trial_stop")  # before its process is up
        stopped = await state(viewer, "trial", lambda one: not one["running"])
        assert (stopped["verdict"], stopped["stopped"]) == ("not run", "stopped before its end")
        assert "expected a trial that runs" in (await viewer.ask("trial_stop"))["error"]


async def test_the_last_frames_of_a_client_come_in_words(folder: MachineFolder) -> None:
    """Only the viewer that asks sees frames, only of that client, and none when it has enough."""
    # An HMI that loses patience on a busy computer would be another client from then on.
    async with served(folder) as page, polling(page, 60.0), page.look() as viewer:
        shown = await state(viewer, "clients", lambda one: rows_of(one, "hmi"))
        (row,) = rows_of(shown, "hmi")
        assert "frames" not in row
        await viewer.do("watch_client", server="hmi", name=row["id"])
        found = await state(
            viewer, "clients", lambda one: any(r.get("frames") for r in rows_of(one, "hmi"))
        )
        frames = rows_of(found, "hmi")[0]["frames"]
        assert {one["way"] for one in frames} == {"in", "out"}
        assert any(one["text"].startswith("read ") for one in frames)
        names = [name for name, _, _ in frames[0]["fields"]]
        assert names[:5] == ["transaction", "protocol", "length", "unit", "function"]
        async with page.look() as other:
            plain = await state(other, "clients", lambda one: rows_of(one, "hmi"))
            assert "frames" not in rows_of(plain, "hmi")[0]
        refused = await viewer.ask("watch_client", server="hmi", name="1.2.3.4:5")
        assert "expected a client that is connected to hmi" in refused["error"]
        await viewer.do("watch_client", server=None, name=None)
        assert page.bench.control.server.server.on_request is None


def rows_of(message: dict[str, Any], server: str) -> list[dict[str, Any]]:
    return [row for row in message["rows"] if row["server"] == server]


async def test_a_drill_is_judged_and_its_questions_take_answers(folder: MachineFolder) -> None:
    """An HMI that comes back is seen to; the wire is as before, and nobody to poll is told."""
    times = {"before_s": 2.0, "within_s": 60}
    async with served(folder) as page, page.look() as viewer:
        await viewer.do("drill", act="start", names=["restart"], before_s=0.01)
        over = await state(viewer, "drills", lambda one: one["running"] is None and one["stopped"])
        assert "expected an HMI that polls, got none" in over["stopped"]
        assert "expected names of drills" in (await viewer.ask("drill", act="start"))["error"]
        async with polling(page):
            server = page.bench.control.server
            begun = server.requests
            async with asyncio.timeout(200):
                while server.requests < begun + 10:
                    await asyncio.sleep(0.01)
            await viewer.do("drill", act="start", names=["restart"], **times)
            seen = await state(viewer, "drills", lambda one: one["running"] != "watching")
            assert (seen["running"], seen["stopped"]) == ("restart", ""), seen
            assert seen["phase"] in ("during", "after")
            over = await state(viewer, "drills", lambda one: one["running"] is None)
            assert over["rows"], over
        (row,) = over["rows"]
        assert (row["drill"], row["host"]) == ("restart", "127.0.0.1")
        checks = {one["name"]: one["verdict"] for one in row["checks"]}
        assert checks["polls again"] == "pass", row
        question = over["questions"][0]
        await viewer.do("drill", act="answer", question=question["id"], text="yes, in yellow")
        told = await state(viewer, "drills", lambda one: one["questions"][0]["answer"])
        assert told["questions"][0]["answer"] == "yes, in yellow"
        assert page.bench.control.server.server.on_request is None


async def test_a_checkout_wants_stopped_programs_and_gives_the_map_back(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """Steps are answered one by one; whoever starts the programs ends it."""
    path = tmp_path / "journal.sqlite"
    async with served(folder, path=path) as page, page.look() as viewer:
        await viewer.until("full")
        start = {"act": "start", "reviewer": "R. Weaver", "names": ["LT_101"]}
        refused = await viewer.ask("checkout", **start)
        assert "expected stopped programs for a checkout" in refused["error"]
        await viewer.do("stop")
        await viewer.do("checkout", **start)
        begun = await state(viewer, "checkout", lambda one: one["running"])
        assert begun["reviewer"] == "R. Weaver"
        step = begun["steps"][0]
        await viewer.do("checkout", act="begin", step=step["id"])
        wrong = await viewer.ask("checkout", act="decide", step=step["id"], verdict="fail")
        assert "expected a comment with a fail" in wrong["error"]
        noted = await viewer.do(
            "checkout", act="decide", step=step["id"], verdict="fail", comment="no such field"
        )
        assert noted["attempt"]["comment"] == "no such field"
        assert not page.bench.control.controller.shows
        await viewer.do("restart", cold=False)
        ended = await state(viewer, "checkout", lambda one: not one["running"])
        assert ended["steps"] == []
        assert page.bench.control.controller.shows
        assert (
            "expected a checkout that runs" in (await viewer.ask("checkout", act="stop"))["error"]
        )
    assert "no such field" in (tmp_path / "checkout.jsonl").read_text()
