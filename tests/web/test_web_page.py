"""The page of the demo over real sockets: values, deeds, refusals."""

from __future__ import annotations

import json
from typing import Any

import pytest
from bench_page import Served, served
from websockets.exceptions import InvalidStatus

from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.web.access import Role
from softctl.web.start import PageSettings

pytestmark = pytest.mark.network


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


async def model(page: Served) -> dict[str, Any]:
    status, _, body = await page.get("/api/model")
    assert status == 200
    found: dict[str, Any] = json.loads(body)
    return found


async def test_values_follow_a_command_and_the_journal_knows_who_gave_it(
    folder: MachineFolder,
) -> None:
    """A viewer is greeted, gets every value, gives START and sees the step change."""
    async with served(folder) as page, page.look() as viewer:
        hello = await viewer.until("hello")
        found = await model(page)
        assert hello["model_id"] == found["id"]
        assert hello["role"] == found["role"] == "engineer"
        await viewer.until("full")
        assert len(viewer.values) == len(found["channels"])
        await viewer.until_value(found["channels"].index("stat:link"), True)
        idle = found["channels"].index("step:Feed.Idle")
        await viewer.until_value(idle, True)
        elapsed = found["channels"].index("elapsed:Feed.Idle")
        assert viewer.values[elapsed] >= 0
        assert await viewer.do("command", name="START") == {"value": True}
        await viewer.until_value(idle, False)
        assert viewer.values[elapsed] is None
        (entry,) = [one for one in page.entries if one.kind == "command"]
        assert (entry.name, entry.what, entry.source) == (
            "START",
            "given",
            "page: engineer 127.0.0.1",
        )


async def test_values_go_on_after_a_restart_and_with_another_program(
    folder: MachineFolder,
) -> None:
    """Both make new variables: a viewer is greeted anew and sees those."""
    async with served(folder) as page, page.look() as viewer:
        await viewer.until("full")
        names = (await model(page))["channels"]
        elapsed = names.index("elapsed:Feed.Idle")
        await viewer.until_value(names.index("stat:link"), True)
        await viewer.do("stop")
        await viewer.do("restart", cold=True)
        await viewer.until("hello")
        await viewer.until("full")
        await viewer.do("command", name="START")
        await viewer.until_value(names.index("step:Feed.Idle"), False)
        assert viewer.values[elapsed] is None
        (source,) = folder.programs
        text = source.text + "\n// changed\n"
        taken = await viewer.do("load", files={source.name: text})
        assert taken["kept"] > 0
        hello = await viewer.until("hello")
        assert hello["model_id"] == (await model(page))["id"]
        body = (await page.get("/api/source?file=feed.st"))[2]
        assert body.decode().endswith("// changed\n")
        told = [(one.what, one.source) for one in page.entries if one.what == "program loaded"]
        assert told == [("program loaded", "page: engineer 127.0.0.1")]


async def test_the_model_tells_points_equipment_and_alarms(folder: MachineFolder) -> None:
    """Points have their place on the HMI map, equipment its faults, alarms their texts."""
    async with served(folder) as page:
        found = await model(page)
        points = {row["name"]: row for row in found["points"]}
        assert points["LT_101"]["role"] == "input"
        assert points["LT_101"]["unit"] == "m"
        assert points["LT_101"]["number"] == "30001"[0] + points["LT_101"]["number"][1:]
        tank = next(row for row in found["equipment"] if row["name"] == "LT_101")
        assert {row["kind"] for row in tank["faults"]} <= {"switch", "size"}
        assert tank["faults"]
        assert [row["name"] for row in found["alarms"]] == list(folder.machine.alarms)
        status, _, body = await page.get("/api/source?file=feed.st")
        assert status == 200
        assert body.decode() == folder.programs[0].text
        assert (await page.get("/api/source?file=../machine.yaml"))[0] == 400


async def test_forces_faults_alarms_and_wire_faults_show_as_states(folder: MachineFolder) -> None:
    """Each deed shows up in the state of its kind, and ends by the deed that undoes it."""
    async with served(folder) as page, page.look() as viewer:
        await viewer.until("full")
        refused = await viewer.ask("force", path="LT_101", value=0.5, for_s=60, reason=" ")
        assert refused["error"] == "expected a reason for the force, got none"
        await viewer.do("force", path="LT_101", value=0.5, for_s=60, reason="float stuck")
        held = await until_rows(viewer, "forces")
        assert [row["path"] for row in held] == ["LT_101"]
        assert held[0]["by"] == "page: engineer 127.0.0.1"
        await viewer.do("release", path=None)
        assert await until_rows(viewer, "forces", empty=True) == []

        await viewer.do("break", equipment="LT_101", name="stuck", for_s=3600)
        broken = await until_rows(viewer, "faults")
        assert (broken[0]["equipment"], broken[0]["name"]) == ("LT_101", "stuck")
        await viewer.do("mend", equipment="LT_101", name=None)
        assert await until_rows(viewer, "faults", empty=True) == []

        wired = await viewer.do("wire", server="hmi", effect="delay", by="200 ms", for_s=60)
        assert wired == {"name": "delay"}
        struck = await until_rows(viewer, "wire_faults")
        assert (struck[0]["server"], struck[0]["text"]) == ("hmi", "delay")
        bad = await viewer.ask("wire", server="hmi", effect="delay", for_s=60)
        assert "expected the key 'by'" in bad["error"]
        await viewer.do("unwire", name=None)
        assert await until_rows(viewer, "wire_faults", empty=True) == []
        kinds = [(one.kind, one.what) for one in page.entries if one.source.startswith("page")]
        assert kinds == [
            ("force", "forced"),
            ("force", "released"),
            ("fault", "broken"),
            ("fault", "mended"),
            ("fault", "wire fault begins: delay"),
            ("fault", "wire fault ended"),
        ]


async def until_rows(viewer: Any, what: str, *, empty: bool = False) -> list[dict[str, Any]]:
    while True:
        state = await viewer.until("state", what=what)
        if bool(state["rows"]) is not empty:
            rows: list[dict[str, Any]] = state["rows"]
            return rows


async def test_a_role_does_what_it_may_and_no_more(folder: MachineFolder) -> None:
    """Somebody who may operate sets a set point and gives commands, but forces nothing."""
    settings = PageSettings(role=Role.OPERATE)
    async with served(folder, settings=settings) as page, page.look() as viewer:
        await viewer.until("full")
        refused = await viewer.ask("force", path="LT_101", value=0.5, for_s=60, reason="why")
        assert refused["error"] == "expected the role engineer or more for force, got operate"
        assert (
            "expected a command or set point" in (await viewer.ask("command", name="NO"))["error"]
        )
        assert "expected something to do" in (await viewer.ask("dance"))["error"]
        await viewer.send("not JSON")
        assert "got None" in (await viewer.until("reply", id=None))["error"]


async def test_a_set_point_takes_what_fits_it(folder: MachineFolder) -> None:
    """A value in the point's own terms or as people type it; anything else is refused."""
    seconds = 1_000_000_000
    async with served(folder) as page, page.look() as viewer:
        await viewer.until("full")
        for wrong in ("much", True, -1, "5000 h", 1.5):
            reply = await viewer.ask("set", name="STIR_TIME", value=wrong)
            assert reply["error"].startswith("expected a"), reply
        for given, taken in ((80 * seconds, 80), ("75 s", 75), ("T#1m10s", 70)):
            answer = await viewer.do("set", name="STIR_TIME", value=given)
            assert answer == {"value": taken * seconds}
        written = zip(
            (p.name for p in page.bench.control.controller.hmi.written),
            page.bench.control.controller.hmi.take(),
            strict=True,
        )
        assert dict(written)["STIR_TIME"] == 70 * seconds


async def test_channels_that_somebody_asks_for_come_behind_the_others(
    folder: MachineFolder,
) -> None:
    """A variable and a terminal of the plant get places, and a viewer gets their values."""
    async with served(folder) as page, page.look() as viewer:
        await viewer.until("full")
        count = len(viewer.values)
        wanted = ["var:Feed.heel", "plant:T_101.level"]
        assert await viewer.do("subscribe", names=wanted) == {
            "first": count,
            "names": wanted,
            "unknown": [],
        }
        await viewer.until("full")
        assert viewer.values[count + 1] == pytest.approx(0.07, abs=0.01)
        odd = await viewer.do("subscribe", names=["var:Feed.nothing", "odd"])
        assert odd["unknown"] == ["var:Feed.nothing", "odd"]
        assert odd["names"] == []


async def test_only_the_pages_own_origin_and_host_get_in(folder: MachineFolder) -> None:
    """Another origin, none, and a host name that is not ours are refused."""
    async with served(folder) as page:
        for origin in ("http://elsewhere.example", None, f"https://{page.netloc}"):
            with pytest.raises(InvalidStatus, match="403"):
                async with page.look(origin=origin):
                    pass
        assert (await page.get("/", Host="rebound.example:80"))[0] == 403
        status, headers, _ = await page.get("/")
        assert status == 200
        assert "default-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert (await page.get("/static/../start.py"))[0] == 404
