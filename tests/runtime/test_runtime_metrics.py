"""What a running controller tells about itself over HTTP."""

from __future__ import annotations

import asyncio
import json
import urllib.error
import urllib.request
from dataclasses import replace
from http import HTTPStatus
from http.client import HTTPConnection

import pytest
from prometheus_client.parser import text_string_to_metric_families

from softctl.control import ControlFault, Controller
from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder, compile_programs, demo_folder, load_folder
from softctl.runtime.health import health
from softctl.runtime.http_port import HttpPort, Page
from softctl.runtime.metrics_port import metrics_port

MS = 1_000_000


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


def test_a_controller_is_healthy_while_it_runs_on_a_link_and_scans(folder: MachineFolder) -> None:
    """Each of the three can spoil it, and the reason is in the body."""
    controller = Controller(folder.machine, folder.application)
    assert not health(controller, 20 * MS).is_good, "no link"
    controller.link_healthy = True
    good = health(controller, 20 * MS)
    assert good.is_good
    assert good.body["last_scan_age_s"] == 0.02
    assert json.loads(json.dumps(good.body)) == good.body
    assert not health(controller, None).is_good, "no scan yet"
    assert health(controller, 499 * MS).is_good
    assert not health(controller, 500 * MS).is_good, "fail_safe_after, and ten scans of 50 ms"
    controller.fail(ControlFault("too late"), 0)
    assert health(controller, 0).body["fault"] == "too late"
    assert not health(controller, 0).is_good
    controller.stop(0, "me")
    stopped = health(controller, 0)
    assert (stopped.is_good, stopped.body["state"], stopped.body["fault"]) == (
        False,
        "stopped",
        None,
    )


def get(url: str) -> tuple[int, str, bytes]:
    try:
        with urllib.request.urlopen(url, timeout=20) as answer:
            return answer.status, answer.headers["Content-Type"], answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers["Content-Type"], error.read()


def samples(text: bytes) -> dict[str, float]:
    """By name and labels, as Prometheus' own parser reads them."""
    found = {}
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            labels = ",".join(f"{k}={v}" for k, v in sample.labels.items())
            found[f"{sample.name}{{{labels}}}" if labels else sample.name] = sample.value
    return found


@pytest.mark.network
async def test_health_and_metrics_of_a_running_controller(folder: MachineFolder) -> None:
    """Prometheus' parser reads them, they add up, and they follow what happens."""
    task = "CONFIGURATION C RESOURCE R ON X TASK Quick(INTERVAL := T#5ms, PRIORITY := 1); "
    task += "PROGRAM Feed WITH Quick : Feed; END_RESOURCE END_CONFIGURATION"
    source = folder.programs[0]
    sources = [replace(source, text=f"{source.text}\n{task}")]
    machine = folder.machine
    controller = Controller(machine, compile_programs(machine, sources))
    clock = MachineClock()
    field = FieldService(FieldDevice(machine, folder.build_plant()), clock)
    service = ControlService(controller, clock)
    port = metrics_port(service)
    at_field = await field.start("127.0.0.1", 0)
    await service.start("127.0.0.1", 0, at_field)
    url = f"http://127.0.0.1:{await port.start(0)}"
    for _ in range(2_000):
        await asyncio.sleep(0.01)
        if controller.link_healthy and controller.statistics.scans > 10:
            break
    status, kind, body = await asyncio.to_thread(get, f"{url}/health")
    assert (status, kind, json.loads(body)["state"]) == (200, "application/json", "running")
    controller.instance.force("LT_101", 1.0)
    status, kind, text = await asyncio.to_thread(get, f"{url}/metrics")
    assert status == 200
    assert kind.startswith("text/plain; version=0.0.4")
    found = samples(text)
    scans = found["softctl_scans_total"]
    assert scans > 10
    for name in ("scan", "jitter"):
        stem = "softctl_scan_seconds" if name == "scan" else "softctl_scan_jitter_seconds"
        assert found[f"{stem}_bucket{{le=+Inf}}"] == found[f"{stem}_count"]
        assert abs(found[f"{stem}_count"] - scans) <= 1
        assert found[f"{stem}_sum"] > 0
        buckets = [value for key, value in found.items() if key.startswith(f"{stem}_bucket")]
        assert buckets == sorted(buckets)
        assert len(buckets) == 15
    assert found["softctl_task_overruns_total{task=Quick}"] >= 9 * (scans - 2)
    assert (found["softctl_control_state"], found["softctl_field_link_healthy"]) == (1, 1)
    assert found["softctl_hmi_clients"] == 0
    assert 0 <= found["softctl_last_scan_age_seconds"] < 20
    service.stop("me")
    status, _, body = await asyncio.to_thread(get, f"{url}/health")
    assert (status, json.loads(body)["state"]) == (503, "stopped")
    found = samples((await asyncio.to_thread(get, f"{url}/metrics"))[2])
    assert found["softctl_control_state"] == 0
    await port.close()
    await service.close()
    await field.close()


@pytest.mark.network
async def test_nothing_but_get_and_head_of_what_is_there() -> None:
    """Other methods, paths and garbage are refused; a page is made anew for each request."""
    count = iter(range(100))

    def page() -> Page:
        return Page(HTTPStatus.OK, "text/plain", f"{next(count)}".encode())

    port = HttpPort({"/here": page})
    at = await port.start(0)

    def ask(method: str, path: str) -> tuple[int, bytes]:
        connection = HTTPConnection("127.0.0.1", at, timeout=20)
        connection.request(method, path)
        answer = connection.getresponse()
        found = answer.status, answer.read()
        connection.close()
        return found

    assert await asyncio.to_thread(ask, "GET", "/here?x=1") == (200, b"0")
    assert await asyncio.to_thread(ask, "HEAD", "/here") == (200, b"")
    assert await asyncio.to_thread(ask, "GET", "/here") == (200, b"2")
    assert (await asyncio.to_thread(ask, "POST", "/here"))[0] == 405
    assert (await asyncio.to_thread(ask, "GET", "/there"))[0] == 404
    for garbage in (b"\x00\xff\r\n\r\n", b"\r\n\r\n", b"x" * 20_000):
        reader, writer = await asyncio.open_connection("127.0.0.1", at)
        writer.write(garbage)
        assert (await reader.read()).startswith(b"HTTP/1.1 400 ")
        writer.close()
    with pytest.raises(SoftctlError, match="cannot listen at"):
        await HttpPort({}).start(at)
    await port.close()
