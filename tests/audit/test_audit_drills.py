"""What a sound HMI does after a drill, and what an unsound one does, judged."""

from __future__ import annotations

import struct

import pytest
from audit_clients import MACHINE, MAP_END, PLACES, coil, read

from softctl.audit.drill_plan import parse_drill_plan
from softctl.audit.drills import DRILLS, Judge, Stretch, Verdict, Watcher, choose, scope_of
from softctl.audit.uses import Map
from softctl.control.hmi import HmiMap
from softctl.errors import ProblemsError
from softctl.modbus.clients import Client
from softctl.modbus.device import Device
from softctl.modbus.server import Server

S = 1_000_000_000
MAP = Map(MACHINE)


class Scene:
    """A server with a watcher, and one HMI whose frames a test sends at its times."""

    def __init__(self) -> None:
        self.now_ns = 0
        hmi = HmiMap(MACHINE)
        self.watcher = Watcher(lambda: self.now_ns)
        device = Device(hmi.bank, 1, write_check=hmi.check_write)
        self.server = Server([device], on_request=self.watcher.on_request)
        self.client = Client("192.0.2.10:5000", "192.0.2.10")
        self.connection = self.server.connect(self.client)
        self.number = 0

    def send(self, pdu: bytes, after_ns: int = S // 10) -> None:
        self.now_ns += after_ns
        self.number += 1
        head = struct.pack(">HHHB", self.number & 0xFFFF, 0, len(pdu) + 1, 1)
        self.connection.receive(head + pdu, self.now_ns)

    def polls(self, rounds: int, *addresses: int, after_ns: int = S // 2) -> None:
        for _ in range(rounds):
            for address in addresses:
                self.send(read(4, address, 2), after_ns)

    def next(self) -> Stretch:
        return self.watcher.next()


def judged(scene: Scene, before: Stretch, during: Stretch, after: Stretch) -> dict[str, str]:
    judge = Judge(MAP, before, 5 * S)
    (result,) = judge.judge(DRILLS[0], during, after)
    return {check.name: check.verdict.value for check in result.checks}


def sound(scene: Scene) -> tuple[Stretch, Stretch, Stretch]:
    scene.polls(4, 0, 16)
    before = scene.next()
    scene.polls(2, 0)
    during = scene.next()
    scene.polls(3, 0, 16)
    return before, during, scene.next()


def test_an_hmi_that_goes_on_as_before_passes() -> None:
    """Everything polled again, nothing written twice, no more requests than before."""
    scene = Scene()
    stretches = sound(scene)
    assert set(judged(scene, *stretches).values()) == {"pass"}
    (result,) = Judge(MAP, stretches[0], 5 * S).judge(DRILLS[0], *stretches[1:])
    assert result.verdict is Verdict.PASS
    assert Judge(MAP, stretches[0], 5 * S).is_back(stretches[2])
    assert result.checks[0].seen == "all of it after 1.0 s"


def test_what_is_not_polled_again_is_named() -> None:
    """One block of two stays away: the points in it are told."""
    scene = Scene()
    scene.polls(4, 0, 16)
    before, during = scene.next(), scene.next()
    scene.polls(3, 0)
    after = scene.next()
    assert judged(scene, before, during, after)["polls again"] == "fail"
    judge = Judge(MAP, before, 5 * S)
    assert not judge.is_back(after)
    assert judge.judge(DRILLS[0], during, after)[0].checks[0].seen == "did not read again: LT_1"


def test_what_comes_back_too_late_fails() -> None:
    """The time set counts from the end of the drill to the last block."""
    scene = Scene()
    scene.polls(4, 0)
    before, during = scene.next(), scene.next()
    scene.polls(1, 0, after_ns=6 * S)
    assert judged(scene, before, during, scene.next())["polls again"] == "fail"


def test_a_refused_read_is_not_polling() -> None:
    """Only reads that got data count."""
    scene = Scene()
    scene.polls(4, 0)
    before, during = scene.next(), scene.next()
    for _ in range(3):
        scene.send(read(4, MAP_END, 2))
    assert judged(scene, before, during, scene.next())["polls again"] == "fail"


def test_a_command_sent_twice_fails_and_a_habit_does_not() -> None:
    """START during the drill and again after it is stale; a value always written is not."""
    start = coil(PLACES["START"].address, True)
    scene = Scene()
    scene.polls(4, 0)
    before = scene.next()
    scene.send(start)
    during = scene.next()
    scene.send(start)
    scene.polls(2, 0)
    checks = judged(scene, before, during, scene.next())
    assert checks == {"polls again": "pass", "repeats no command": "fail", "does not flood": "pass"}

    scene = Scene()
    scene.polls(4, 0)
    scene.send(start)
    before = scene.next()
    scene.send(start)
    during = scene.next()
    scene.send(start)
    scene.polls(2, 0)
    assert judged(scene, before, during, scene.next())["repeats no command"] == "pass"


@pytest.mark.parametrize(("count", "verdict"), [(20, "pass"), (40, "fail")])
def test_a_flood_of_requests_fails(count: int, verdict: str) -> None:
    """More than thrice as many in a second as ever before, and more than 20."""
    scene = Scene()
    scene.polls(8, 0)
    before, during = scene.next(), scene.next()
    for _ in range(count):
        scene.send(read(4, 0, 2), after_ns=S // 100)
    assert judged(scene, before, during, scene.next())["does not flood"] == verdict


def test_a_flood_of_connections_fails() -> None:
    """More than two a second on average."""
    scene = Scene()
    scene.polls(4, 0)
    before = scene.next()
    for _ in range(12):
        scene.now_ns += S // 3
        scene.watcher.opened(scene.client)
    during = scene.next()
    scene.polls(2, 0)
    assert judged(scene, before, during, scene.next())["does not flood"] == "fail"


def test_every_drill_is_whole() -> None:
    """Each has an effect or restarts, asks something, and has a name of its own."""
    assert len({drill.name for drill in DRILLS}) == len(DRILLS) == 13
    for drill in DRILLS:
        assert bool(drill.effects) is not drill.restart
        assert drill.questions
    heartbeat = next(drill for drill in DRILLS if drill.heartbeat)
    assert scope_of(heartbeat, MAP).last == PLACES["HEARTBEAT"].address
    assert [drill.name for drill in choose(["delay", "cut"])] == ["delay", "cut"]
    assert choose([]) == list(DRILLS)


def test_a_plan_says_which_and_how_long() -> None:
    """Names, or names with a time."""
    plan = parse_drill_plan("drills:\n  - cut\n  - {drill: silence, for: 2.5 s}\n", "plan.yaml")
    assert [(drill.name, drill.lasts_ns) for drill in plan] == [
        ("cut", 10 * S),
        ("silence", 2_500_000_000),
    ]


@pytest.mark.parametrize(
    ("text", "complaints"),
    [
        ("drills: []", ["1:9 expected 'drills' with a list such as [cut, delay], got a list"]),
        ("drill: [cut]", ["1:1 expected the key 'drills', got 'drill'", "1:1 expected 'drills'"]),
        ("drills: [cot]", ["1:10 expected a drill among cut, delay, silence"]),
        ("drills: [{for: 3 s}]", ["1:10 expected the key 'drill', got none"]),
        ("drills: [{drill: cut, fr: 3 s}]", ["1:23 expected a key among drill, for; got 'fr'"]),
        (
            "drills: [{drill: cut, for: 3 m}, 7]",
            ["1:28 expected a time from '100 ms' to '3600 s'", "1:34 expected a drill among"],
        ),
    ],
)
def test_a_wrong_plan_is_told_whole(text: str, complaints: list[str]) -> None:
    """Every error with its place."""
    with pytest.raises(ProblemsError) as caught:
        parse_drill_plan(text, "plan.yaml")
    found = [f"{p.place.line}:{p.place.column} {p.message}" for p in caught.value.problems]
    assert len(found) == len(complaints)
    for one, start in zip(found, complaints, strict=True):
        assert one.startswith(start)
