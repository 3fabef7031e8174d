"""The command: what it says, what it writes, and how it ends."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest
import typer
from conform_flaws_writes import AnyCoilValueTaken
from conform_sockets import serving
from typer.testing import CliRunner

from softctl.cli.conform import conform
from softctl.cli.conform_options import is_confirmed
from softctl.cli.endpoints import endpoint
from softctl.conform import all_cases
from softctl.errors import SoftctlError

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(conform)


def _run(*arguments: str) -> tuple[int, str]:
    """Exit code and standard output; errors of the user's making are raised."""
    result = CliRunner().invoke(app, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout


@pytest.fixture
def port() -> Iterator[int]:
    """A server that takes any value for a coil, in a thread of its own."""
    started, ports = threading.Event(), []
    loop = asyncio.new_event_loop()
    stop = asyncio.Event()

    async def serve() -> None:
        async with serving(AnyCoilValueTaken()) as number:
            ports.append(number)
            started.set()
            await stop.wait()

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    started.wait(10)
    yield ports[0]
    loop.call_soon_threadsafe(stop.set)
    thread.join(10)
    loop.close()


@pytest.mark.network
def test_failures_are_shown_with_their_bytes_and_end_with_1(port, tmp_path) -> None:
    """Table, JSON, JUnit XML and HTML of one run."""
    files = {name: tmp_path / f"result.{name}" for name in ("json", "xml", "html")}
    code, text = _run(
        f"127.0.0.1:{port}",
        "--write-range",
        "coils:0-20",
        "--group",
        "write-one",
        "--json",
        str(files["json"]),
        "--junit",
        str(files["xml"]),
        "--html",
        str(files["html"]),
    )
    assert code == 1
    assert "FAIL           fc05-value-0001  Value 0001 is exception 03" in text
    assert "expected exception 03 (illegal data value): 85 03" in text
    assert "05 00 00 00 01" in text
    assert "5 of 22 cases failed: " in text
    found = json.loads(files["json"].read_text())
    assert found["counts"]["fail"] == 5
    assert len(ElementTree.parse(files["xml"]).findall(".//failure")) == 5
    assert files["html"].read_text().count("✗ FAIL") == 2 * 5


@pytest.mark.network
def test_a_run_without_failure_ends_with_0(port) -> None:
    """As JSON on standard output, single cases chosen."""
    code, text = _run(
        f"127.0.0.1:{port}",
        "--case",
        "fc03-limit-over",
        "--case",
        "header-length-0",
        "--as",
        "json",
    )
    assert code == 0
    assert [case["verdict"] for case in json.loads(text)["cases"]] == ["pass", "pass"]


@pytest.mark.network
def test_a_map_tells_which_addresses_exist(port, tmp_path) -> None:
    """The rows of one of the two servers are taken."""
    rows = [{"server": "hmi", "table": "coils", "address": 40, "count": 1}]
    (tmp_path / "map.json").write_text(json.dumps(rows))
    code, text = _run(
        f"127.0.0.1:{port}",
        *("--map", str(tmp_path / "map.json"), "--map-server", "hmi"),
        *("--case", "fc01-one", "--details"),
    )
    assert code == 0
    assert "coils: 40-1999 exist" in text
    assert "01 00 28 00 01" in text


def test_the_list_shows_every_case_with_its_clause() -> None:
    """Without a server; as JSON too."""
    code, text = _run("--list")
    assert code == 0
    assert all(case.id in text for case in all_cases())
    code, text = _run("--list", "--as", "json", "--group", "header")
    assert {row["group"] for row in json.loads(text)} == {"header"}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "expected HOST:PORT such as 127.0.0.1:15020, got nothing"),
        (["127.0.0.1:x"], "expected HOST:PORT"),
        (["127.0.0.1:0"], "expected HOST:PORT"),
        (["127.0.0.1", "--group", "nothing"], "expected the name of a group, got nothing"),
        (["127.0.0.1", "--write-range", "input:0"], "expected ranges of coils or holding"),
        (["127.0.0.1", "--address", "coil:0"], "expected a table"),
        (["127.0.0.1", "--map", "/no/map.json"], "expected a register map in /no/map.json"),
        (["127.0.0.1", "--map-server", "hmi"], "expected --map FILE beside --map-server"),
        (["127.0.0.1", "--html", "/no/dir/x.html"], "expected a file in a folder that exists"),
        (["127.0.0.1", "--tls-key", "/no/key.pem"], "expected --tls-cert beside --tls-key"),
        (["127.0.0.1", "--tls-ca", "/no/ca.pem"], "expected certificates and a key in PEM form"),
        (["127.0.0.1:1", "--confirm", "192.0.2.1"], "expected --confirm to name the host tested"),
    ],
)
def test_what_cannot_be_run_is_an_error_of_one_line(arguments, message) -> None:
    """The command line turns it into exit code 2."""
    with pytest.raises(SoftctlError) as caught:
        _run(*arguments)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_nothing_but_loopback_is_written_to_without_confirming() -> None:
    """192.0.2.0/24 is for documentation (RFC 5737); the message says what could happen."""
    with pytest.raises(SoftctlError, match=r"hurt people.*--confirm 192\.0\.2\.7"):
        _run("192.0.2.7:502", "--write-range", "coils:0-3")
    assert is_confirmed("192.0.2.7", "192.0.2.7", ["coils:0-3"])
    assert is_confirmed("127.0.0.1", None, ["coils:0-3"])
    assert not is_confirmed("192.0.2.7", None, [])


def test_ports_have_their_defaults() -> None:
    """502, and 802 with TLS; an IPv6 address stands in brackets."""
    assert endpoint("plc.example:1502", has_tls=False) == ("plc.example", 1502)
    assert endpoint("127.0.0.1", has_tls=False) == ("127.0.0.1", 502)
    assert endpoint("127.0.0.1", has_tls=True) == ("127.0.0.1", 802)
    assert endpoint("[::1]:7", has_tls=False) == ("::1", 7)
    assert endpoint("[::1]", has_tls=False) == ("::1", 502)
