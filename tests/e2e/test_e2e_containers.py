"""docker/compose.yaml without an engine: its services as processes in namespaces."""

from __future__ import annotations

import os
import socket
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http.client import HTTPSConnection

import pytest
from compose_file import Service, entrypoint, read_compose
from pyModbusTCP.client import ModbusClient
from register_maps import HmiView, hmi_rows
from rooms import House, Room, house, run, wait_until
from stacks import PurePythonStack

from softctl.web.access import Role
from softctl.web.people import password_entry

pytestmark = pytest.mark.network

OUTPUTS = ("P_101", "P_102", "A_101", "XV_101")
TOOLS = ["ip", "unshare", "nsenter", "setpriv", "chroot", "openssl", "mosquitto", "mosquitto_sub"]
SPEED = "3"
STARTED = {"bridge": '"event": "bridge started"', "broker": ""}
"""What a service writes when it has started, if it is not the event `ready`."""


@dataclass
class Bench:
    """The demo's services, each in its room, and a room of an HMI beside them."""

    house: House
    services: dict[str, Service]
    hmi: Room
    view: HmiView

    def room(self, name: str) -> Room:
        return self.house.rooms[name]

    def outputs(self) -> dict[str, bool]:
        """The outputs as the HMI map shows them."""
        return self.view.bits(*OUTPUTS)

    def cards(self) -> list[bool]:
        """The outputs at the field's cards, asked in the field's own room."""

        def read() -> list[bool]:
            client = ModbusClient("127.0.0.1", 15020, unit_id=1, timeout=5)
            found = client.read_coils(0, 8)
            client.close()
            assert found is not None, client.last_error_as_txt
            return found

        return self.house.inside("field", read)

    def wait_for(self, point: str, value: bool) -> None:
        wait_until(lambda: self.view.bits(point)[point] is value, f"{point} is {value}")


@pytest.fixture(scope="module")
def bench(
    tmp_path_factory: pytest.TempPathFactory, require_tool: Callable[[str], str]
) -> Iterator[Bench]:
    """The profile `demo`, started in its order, each service when those before are healthy."""
    for tool in TOOLS:
        require_tool(tool)
    page = tmp_path_factory.mktemp("page")
    compose = read_compose(SOFTCTL_SPEED=SPEED, SOFTCTL_PAGE=str(page))
    profiles = ("demo", "mqtt", "conform", "page")
    services = {k: v for profile in profiles for k, v in compose.of_profile(profile).items()}
    networks = {name: compose.is_internal(name) for name in compose.document["networks"]}
    with house(tmp_path_factory.mktemp("rooms"), networks) as built:
        for name, service in services.items():
            built.add_room(name, service["networks"], service)
        hmi = built.add_room("hmi", ["hmi"])
        for name, service in services.items():
            if {"demo", "mqtt"} & set(service["profiles"]):
                _start(built, built.rooms[name])
        control = built.rooms["control"]
        port = services["control"].port(15021)
        stack = built.inside("hmi", lambda: PurePythonStack(port, control.addresses["hmi"]))
        yield Bench(built, services, hmi, HmiView(hmi_rows(), stack))
        stack.close()


def _start(built: House, room: Room) -> None:
    """Start a service and wait for its health check, which costs too much to be asked often."""
    word = STARTED.get(room.name, '"event": "ready"')
    before = len(room.told) if room.has_process else 0
    built.start(room)
    wait_until(lambda: room.has_ended or word in room.told[before:], f"{room.name} has started")
    wait_until(lambda: built.is_healthy(room), f"{room.name} is healthy")


def test_the_demo_runs_across_the_networks(bench: Bench) -> None:
    """An HMI's START reaches the field's pumps through the controller, and levels come back."""
    bench.wait_for("FIELD_LINK", True)
    before = bench.view.real("LT_101")
    bench.view.command("START")
    bench.wait_for("P_101_RUN", True)
    assert any(bench.cards())
    wait_until(lambda: bench.view.real("LT_101") > before, "the level rises")


def test_a_service_has_the_rights_that_the_file_leaves_it(bench: Bench) -> None:
    """Not root, no capability, none to be had; only its volumes and /tmp can be written."""
    for name in ("field", "control"):
        with open(f"/proc/{bench.room(name).process.pid}/status") as file:
            status = {
                key: value.strip() for key, _, value in (line.partition(":") for line in file)
            }
        assert status["Uid"] == "\t".join(["10001"] * 4)
        assert status["Gid"] == "\t".join(["10001"] * 4)
        assert status["Groups"] == ""
        assert {status[f"Cap{kind}"] for kind in ("Inh", "Prm", "Eff", "Bnd")} == {"0" * 16}
        assert status["NoNewPrivs"] == "1"

    def writes(name: str, path: str) -> bool:
        return bench.house.execute(bench.room(name), ["touch", path]).returncode == 0

    assert writes("control", "/state/mark")
    assert writes("control", "/tmp/mark")
    for path in ("/mark", "/machine/mark", "/opt/softctl/mark", "/etc/mark", "/usr/mark"):
        assert not writes("control", path), path
    assert not writes("field", "/state/mark"), "the field keeps nothing"


def test_an_hmi_cannot_reach_the_field(bench: Bench) -> None:
    """Not by its name, not by its address, and not through the controller either."""
    hosts, field = bench.house, bench.room("field")
    ((network, address),) = field.addresses.items()
    within = bench.room("control").addresses
    assert "field" not in hosts.names(bench.hmi)
    assert "field" in hosts.names(bench.room("control"))

    def reach() -> str:
        try:
            with socket.create_connection((address, 15020), timeout=0.5):
                return "connected"
        except OSError as error:
            return type(error).__name__

    assert hosts.inside("control", reach) == "connected"
    assert hosts.inside("hmi", reach) != "connected"
    # Even with routes at both ends the controller passes nothing on; it would, if it were
    # let: so the setting in the file is what keeps them apart.
    hosts.ip("-n", "hmi", "route", "add", address, "via", within["hmi"])
    hosts.ip("-n", "field", "route", "add", bench.hmi.addresses["hmi"], "via", within[network])
    assert hosts.inside("hmi", reach) == "TimeoutError"
    hosts.set_sysctl("control", "net.ipv4.ip_forward", "1")
    assert hosts.inside("hmi", reach) == "connected"
    hosts.set_sysctl("control", "net.ipv4.ip_forward", "0")
    assert hosts.inside("hmi", reach) == "TimeoutError"
    hosts.ip("-n", "hmi", "route", "del", address)


def test_only_the_hmi_server_is_open_to_an_hmi(bench: Bench) -> None:
    """The controller's page of figures is for its own container, and there is no other port."""
    at = bench.room("control").addresses["hmi"]

    def open_ports() -> list[int]:
        found = []
        for port in (22, 80, 502, 9464, *range(15000, 15100)):
            with socket.socket() as line:
                line.settimeout(2)
                if line.connect_ex((at, port)) == 0:
                    found.append(port)
        return found

    assert bench.house.inside("hmi", open_ports) == [15021]


def test_a_cut_cable_is_fail_safe_at_both_ends_and_heals(bench: Bench) -> None:
    """Outputs drop at the cards and on the map; nothing starts by itself when it is back."""
    bench.wait_for("FIELD_LINK", True)
    bench.view.command("START")
    wait_until(lambda: any(bench.outputs().values()) and any(bench.cards()), "outputs are on")
    bench.house.set_cable("field", "field", is_in=False)
    bench.wait_for("COMMS_ALARM", True)
    assert not any(bench.outputs().values())
    wait_until(lambda: not any(bench.cards()), "the cards' own fail-safe")
    assert not bench.house.is_healthy(bench.room("control"))
    assert bench.house.is_healthy(bench.room("field")), "it is there, only nobody reaches it"

    bench.house.set_cable("field", "field", is_in=True)
    bench.wait_for("COMMS_ALARM", False)
    wait_until(lambda: bench.house.is_healthy(bench.room("control")), "healthy again")
    assert not any(bench.outputs().values()), "nothing starts by itself"
    assert not any(bench.cards())
    bench.view.command("START")
    bench.wait_for("P_101_RUN", True)


def test_the_conformance_run_ends_with_its_verdict(bench: Bench) -> None:
    """It reads the controller's HMI server and passes; its exit code says so."""
    room = bench.room("conform")
    bench.house.start(room)
    assert room.process.wait(timeout=60) == 0, room.told
    assert "none of 340 cases failed" in room.told


def test_the_broker_gets_what_the_controller_shows(bench: Bench) -> None:
    """Through the bridge, which is in the HMIs' network and in the broker's."""
    broker = bench.room("broker")
    ask = ["mosquitto_sub", "-v", "-W", "20", "-C", "1", "-t"]
    topic = "softctl/glasshouse_feed"
    told = bench.house.execute(broker, [*ask, f"{topic}/status"])
    assert '"controller":"reached"' in told.stdout, told
    told = bench.house.execute(broker, [*ask, f"{topic}/points/LT_101"])
    assert '"value"' in told.stdout, told
    assert set(bench.house.names(broker)) == {"bridge", "broker"}


def test_a_stopped_service_ends_cleanly_and_its_journal_is_in_the_volume(bench: Bench) -> None:
    """SIGTERM, as an engine sends it; what was noted outlives the container."""
    control = bench.room("control")
    assert "START" in _journal(bench)
    assert bench.house.stop(control) == 0
    kept = list(bench.house.volume("state").rglob("journal.sqlite"))
    assert len(kept) == 1
    assert kept[0].stat().st_uid == 10001
    _start(bench.house, control)
    assert "START" in _journal(bench)
    for name in ("bridge", "control", "field", "broker"):
        assert bench.house.stop(bench.room(name)) == 0, name


def test_the_bench_page_is_served_to_those_who_sign_in(bench: Bench) -> None:
    """The profile `page`, which stands for field and controller: over TLS, and by password."""
    room = bench.room("bench")
    (files,) = [v.path for v in room.service.volumes if v.target == "/page"]
    make = "openssl req -x509 -newkey rsa:2048 -nodes -days 30 -subj /CN=localhost"
    keys = ["-keyout", str(files / "page.key"), "-out", str(files / "page.pem")]
    run(*make.split(), *keys)
    person = password_entry("fitter", Role.ENGINEER, "an invented password")
    (files / "people").write_text(f"{person.line()}\n", encoding="utf-8")
    for path in (files, *files.iterdir()):
        os.chown(path, 10001, 10001)
    _start(bench.house, room)

    def ask(path: str, body: str | None = None) -> int:
        where = (room.addresses["hmi"], room.service.port(15080))
        context = ssl.create_default_context(cafile=files / "page.pem")
        context.check_hostname = False
        line = HTTPSConnection(*where, timeout=20, context=context)
        origin = {"Origin": f"https://{where[0]}:{where[1]}"}
        form = {"Content-Type": "application/x-www-form-urlencoded", **origin}
        line.request("GET" if body is None else "POST", path, body, form if body else {})
        status = line.getresponse().status
        line.close()
        return status

    inside = bench.house.inside
    assert inside("hmi", lambda: ask("/healthz")) == 200
    assert inside("hmi", lambda: ask("/api/model")) == 401
    assert inside("hmi", lambda: ask("/login", "user=fitter&password=wrong")) == 403
    assert inside("hmi", lambda: ask("/login", "user=fitter&password=an+invented+password")) == 204
    assert bench.house.stop(room) == 0


def _journal(bench: Bench) -> str:
    """What the journal holds, asked as a person would: by a command in the container."""
    command = [*entrypoint(), "journal", "/machine"]
    return bench.house.execute(bench.room("control"), command).stdout
