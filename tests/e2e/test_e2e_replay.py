"""A session recorded by one command and played by another."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from programs import ended, port_of, started
from pymodbus.client import ModbusTcpClient

from softctl.modbus.frames import encode_frame
from softctl.recording.session import Exchange, head_line, to_line

pytestmark = pytest.mark.network

READ = encode_frame(1, 1, b"\x02\x00\x00\x00\x02")
GOOD = encode_frame(1, 1, b"\x02\x01\x00")
WRITE = encode_frame(2, 1, b"\x05\x00\x00\xff\x00")


def _recording(path: Path, *frames: tuple[bytes, bytes]) -> str:
    lines = [to_line(Exchange(0, 1, request, reply)) for request, reply in frames]
    path.write_text(head_line("mill", "field", "") + "".join(lines), encoding="utf-8")
    return str(path)


def test_what_an_hmi_asked_is_played_again(tmp_path: Path) -> None:
    """Recorded at one run and the same in shape at the next; a wrong answer is exit code 1."""
    file, result = tmp_path / "s.jsonl", tmp_path / "r.json"
    with started("record", str(file), "--field-port", "0", "--hmi-port", "0") as program:
        port = port_of(program.wait_for("ready")["hmi"])
        client = ModbusTcpClient("127.0.0.1", port=port, timeout=5)
        assert client.connect()
        for _ in range(3):
            assert not client.read_input_registers(0, count=8, device_id=1).isError()
        assert not client.write_coil(0, True, device_id=1).isError()
        assert client.read_input_registers(9000, count=2, device_id=1).isError()
        client.close()
        assert program.stop() == 0
    with started("run", "--field-port", "0", "--hmi-port", "0") as program:
        at = program.wait_for("ready")["hmi"]
        same = ended("replay", str(file), at, "--shape", "--speed", "100")
        assert (same.returncode, same.stderr) == (0, "")
        assert "5 requests of 1 connections" in same.stdout
        assert "0 differences" in same.stdout
        lines = file.read_text(encoding="utf-8").replace("8402", "8404")
        file.write_text(lines, encoding="utf-8")
        other = ended("replay", str(file), at, "--shape", "--json", str(result))
        assert other.returncode == 1
        assert "exception 02 (illegal data address) to function 04 instead of exception 04" in (
            other.stdout
        )
    (told,) = json.loads(result.read_text(encoding="utf-8"))["differences"]
    assert told["recorded"].endswith("8404")
    assert told["came"].endswith("8402")


@pytest.mark.parametrize(
    ("frames", "arguments", "message"),
    [
        ([(WRITE, WRITE)], ["192.0.2.1:502"], "writing can move a real machine and hurt people"),
        ([(WRITE, WRITE)], ["192.0.2.1:502", "--confirm", "192.0.2.2"], "expected --confirm to"),
        ([(READ, GOOD)], ["127.0.0.1"], None),
        ([(READ, GOOD)], ["127.0.0.1:x"], "expected HOST:PORT"),
        ([(READ, GOOD[:-1])], ["127.0.0.1:1"], "reply as a whole Modbus/TCP frame"),
        ([(READ, GOOD)], ["127.0.0.1:1"], "expected a server at 127.0.0.1:1"),
    ],
)
def test_what_cannot_be_played_is_said(
    tmp_path: Path, frames: list[tuple[bytes, bytes]], arguments: list[str], message: str | None
) -> None:
    """Exit code 2 and one line; a port left out is the registered one, 502."""
    done = ended("replay", _recording(tmp_path / "s.jsonl", *frames), *arguments)
    assert done.returncode == 2
    assert (message or "127.0.0.1:502") in done.stderr
    assert "Traceback" not in done.stderr


def test_a_file_that_is_no_recording_is_named(tmp_path: Path) -> None:
    """With file and line."""
    path = tmp_path / "s.jsonl"
    path.write_text("hello\n", encoding="utf-8")
    done = ended("replay", str(path), "127.0.0.1:1502")
    assert done.returncode == 2
    assert "expected a JSON object, got hello" in done.stderr
    assert "s.jsonl:1" in done.stderr
    missing = ended("replay", str(tmp_path / "none"), "127.0.0.1:1502")
    assert missing.returncode == 2
    assert "expected a recording, got no such file" in missing.stderr
