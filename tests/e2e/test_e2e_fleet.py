"""Many devices through the command."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest
from programs import ended, started
from pymodbus.client import ModbusTcpClient

pytestmark = pytest.mark.network


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def test_devices_at_unit_ids_answer_and_are_audited(tmp_path: Path) -> None:
    """The command tells first, last and seeds; each unit answers, the next one does not.

    The record has the requests of all units, and the one that nobody has.
    """
    port, record = _free_port(), tmp_path / "audit.json"
    options = ("--count", "20", "--base-unit", "3", "--port", str(port), "--audit", str(record))
    with started("field", *options) as program:
        ready = program.wait_for("devices ready")
        assert ready["count"] == 20
        assert ready["first"] == f"127.0.0.1:{port} unit 3"
        assert ready["last"] == f"127.0.0.1:{port} unit 22"
        assert ready["seeds"] == "7 to 26"
        client = ModbusTcpClient("127.0.0.1", port=port, timeout=5)
        assert client.connect()
        for unit in range(3, 23):
            assert not client.read_discrete_inputs(0, count=2, device_id=unit).isError()
        assert client.read_discrete_inputs(0, count=2, device_id=23).exception_code == 11
        client.close()
        assert program.stop() == 0
    audit = json.loads(record.read_text(encoding="utf-8"))
    assert audit["devices"] == [f"127.0.0.1:{port} unit {unit}" for unit in range(3, 23)]
    assert (audit["requests"], audit["silent"]) == (21, [])
    assert [(one["kind"], one["subject"]) for one in audit["findings"]] == [
        ("unknown unit", "unit 23")
    ]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--base-port", "3000"], "expected --count N beside --base-port, got none"),
        (
            ["--count", "2", "--base-port", "3000", "--base-unit", "1"],
            "expected one way to put devices in a row, got --base-port and --base-unit",
        ),
        (["--count", "2", "--base-port", "3000", "--port", "1"], "--base-port or --port, got both"),
        (["--count", "2", "--base-address", "127.0.0.1", "--host", "127.0.0.1"], "got both"),
        (["--count", "2", "--wire-faults", "x.yaml"], "--wire-faults for one machine"),
        (["--count", "6000"], "a count of 1 to 5000 devices, got 6000"),
    ],
)
def test_options_that_do_not_go_together_are_named(options: list[str], message: str) -> None:
    """Exit code 2 and one line, no traceback."""
    done = ended("field", *options)
    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr
