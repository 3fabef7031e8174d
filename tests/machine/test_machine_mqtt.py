"""The section `mqtt` of a machine file."""

from __future__ import annotations

import pytest
from demo_file import DEMO
from test_machine_schema import SCHEMA, accepts, read

from softctl.errors import ProblemsError
from softctl.machine import MqttLayout, MqttVersion, SparkplugNames, default_mqtt, parse_machine
from softctl.machine.model import Mqtt

FULL = """
mqtt:
  host: broker.example
  port: 8883
  version: 5
  client_id: skid
  user: skid
  password_file: secrets/mqtt
  tls: {authority: certs/a.pem, certificate: certs/c.pem, key: certs/c.key}
  points: [inputs, STIR_TIME]
  interval: 500 ms
  deadband: 0.5 %
  statistics: 30 s
  queue: 5000
  json: {topic: fernhollow/skid_1, layout: together}
  sparkplug: {group: fernhollow, node: skid_1, device: feed, primary_host: hub}
  writes: {allow: [commands, STIR_TIME], role: panel}
"""


def parsed(mqtt: str) -> Mqtt:
    found = parse_machine(DEMO + mqtt, "m.yaml").mqtt
    assert found is not None
    return found


def problems(mqtt: str) -> list[str]:
    """Each complaint with the text of its line's place."""
    with pytest.raises(ProblemsError) as caught:
        parse_machine(DEMO + mqtt, "m.yaml")
    before = DEMO.count("\n")
    return [
        f"{p.place.line - before}:{p.place.column} {p.message} {p.hint}".strip()
        for p in caught.value.problems
    ]


def test_a_machine_publishes_nothing_unless_it_says_so() -> None:
    """Without the section there is no bridge."""
    assert parse_machine(DEMO, "m.yaml").mqtt is None


def test_an_empty_section_is_plain_json_on_this_computer_and_takes_no_writes() -> None:
    """So is what `--broker` takes for a machine without the section."""
    found = parsed("mqtt: {}\n")
    assert (found.broker.host, found.broker.port) == ("127.0.0.1", 1883)
    assert found.broker.version is MqttVersion.V311
    assert found.json_topic == "softctl/glasshouse_feed"
    assert found.sparkplug is None
    assert found.writes is None
    assert {"LT_101", "START", "FEED_STEP"} <= set(found.points)
    assert not {"HEARTBEAT", "SCAN_COUNT"} & set(found.points)
    machine = parse_machine(DEMO, "m.yaml")
    default = default_mqtt(machine.name, machine.points)
    assert (default.points, default.json_topic) == (found.points, found.json_topic)


def test_every_key_is_kept() -> None:
    """Durations in nanoseconds, the deadband as a share, words as names of points."""
    found = parsed(FULL)
    broker = found.broker
    assert (broker.version, broker.client_id, broker.user) == (MqttVersion.V5, "skid", "skid")
    assert broker.password_file is not None
    assert broker.password_file.value == "secrets/mqtt"
    assert broker.own is not None
    assert broker.authority is not None
    assert broker.authority.value == "certs/a.pem"
    assert (found.interval_ns, found.statistics_ns) == (500_000_000, 30_000_000_000)
    assert (found.deadband, found.queue) == (0.005, 5000)
    assert found.json_layout is MqttLayout.TOGETHER
    assert found.sparkplug == SparkplugNames("fernhollow", "skid_1", "feed", "hub")
    assert found.writes is not None
    assert {"START", "STOP", "STIR_TIME"} <= found.writes.allow
    assert "P_101" not in found.writes.allow
    assert "LT_101" in found.points
    assert "P_101" not in found.points


@pytest.mark.parametrize(
    ("mqtt", "complaint"),
    [
        ("mqtt: 3\n", "1:7 expected keys ("),
        ("mqtt: {hots: a}\n", "1:8 expected a key among host, port"),
        ("mqtt: {version: 4}\n", "1:17 expected 3.1.1 or 5, got 4"),
        ("mqtt: {password: x}\n", "1:8 expected no password in a machine file, got one"),
        ("mqtt: {user: a, password_env: A-B}\n", "1:31 expected the name of an environment"),
        ("mqtt: {password_env: A}\n", "1:7 expected 'user' beside a password, got none"),
        (
            "mqtt: {user: a, password_env: A, password_file: b}\n",
            "1:31 expected one place of the password, got two",
        ),
        ("mqtt: {tls: {key: a}}\n", "1:13 expected 'certificate' and 'key' together"),
        ("mqtt: {deadband: 2}\n", "1:18 expected a share of the range from '0 %' to '100 %'"),
        ("mqtt: {deadband: 200 %}\n", "1:18 expected a share of the range"),
        ("mqtt: {interval: 1 ms}\n", "1:18 expected a time from '10 ms' to '3600 s'"),
        ("mqtt: {points: LT_102}\n", "1:16 expected a point or one of all"),
        ("mqtt: {json: {topic: a/#}}\n", "1:22 expected the beginning of topics"),
        ("mqtt: {json: {topic: spBv1.0/a}}\n", "1:22 expected a topic outside spBv1.0"),
        ("mqtt: {json: {layout: both}}\n", "1:23 expected single or together, got 'both'"),
        ("mqtt: {sparkplug: {}}\n", "1:19 expected the key 'group' in mqtt.sparkplug"),
        ("mqtt: {sparkplug: {group: a/b}}\n", "1:27 expected a name without +, / and #"),
        ("mqtt: {writes: {allow: LT_101}}\n", "1:24 expected what can be written"),
        ("mqtt: {writes: {allow: [STRAT]}}\n", "1:25 expected a point or one of all"),
        ("mqtt: {writes: {}}\n", "1:16 expected the key 'allow' in mqtt.writes, got none"),
    ],
)
def test_a_wrong_section_is_told_with_its_place(mqtt: str, complaint: str) -> None:
    """Line, column, what was expected and what came."""
    (found,) = problems(mqtt)
    assert found.startswith(complaint)


def test_a_role_has_to_be_one_of_the_hmi_server() -> None:
    """Where that has roles, they bound what comes by MQTT too."""
    tls = "tls: {certificate: a, key: b, authority: c, roles: {panel: {write: commands}}}"
    text = DEMO.replace("hmi: {host: 127.0.0.1,", f"hmi: {{{tls}, host: 127.0.0.1,")
    assert text != DEMO
    good = "mqtt: {writes: {allow: commands, role: panel}}\n"
    found = parse_machine(text + good.replace("commands", "all"), "m.yaml").mqtt
    assert found is not None
    assert found.writes is not None
    assert {"START", "STOP"} <= found.writes.allow
    assert "STIR_TIME" not in found.writes.allow  # which that role may not write
    with pytest.raises(ProblemsError, match="expected what a client without a role may write"):
        parse_machine(text + good.replace(", role: panel", ""), "m.yaml")
    with pytest.raises(ProblemsError, match=r"expected a role of 'hmi.tls' \(panel\), got 'pnael'"):
        parse_machine(text + good.replace("panel", "pnael"), "m.yaml")


@pytest.mark.parametrize("mqtt", [FULL, "mqtt: {}\n", "mqtt: {version: 3.1.1}\n"])
def test_editors_accept_what_the_parser_does(mqtt: str) -> None:
    """The JSON Schema of the machine file knows the section."""
    assert accepts(SCHEMA, read(DEMO + mqtt))
    parsed(mqtt)


@pytest.mark.parametrize(
    "mqtt", ["mqtt: {version: 4}\n", "mqtt: {deadband: 2}\n", "mqtt: {password: x}\n"]
)
def test_editors_refuse_what_the_parser_does(mqtt: str) -> None:
    """As far as words and shapes go."""
    assert not accepts(SCHEMA, read(DEMO + mqtt))
