"""The runner over real sockets: what it hears, how long it waits, and what it leaves."""

from __future__ import annotations

import asyncio
import datetime
import socket
import ssl
from pathlib import Path

import pytest
from conform_flaws import expand
from conform_flaws_header import ProtocolIgnored, TransactionAlwaysOne
from conform_flaws_memory import TornWrites
from conform_flaws_stream import ClosesOnSplitFrames, HalfClosedStaysOpen, StalledByHalfAFrame
from conform_flaws_writes import AnyCoilValueTaken
from conform_reference import ReferenceServer
from conform_sockets import serving
from conform_wires import WANTED, failed, play_all, site_of

from softctl.conform import Verdict, choose
from softctl.errors import SoftctlError
from softctl.runtime.conform_lines import Dial
from softctl.runtime.conform_runner import run_cases
from softctl.values.tables import Table

pytestmark = pytest.mark.network


async def test_a_right_server_passes_every_case() -> None:
    """All functions over sockets; the progress is told case by case, values are put back."""
    server = ReferenceServer()
    server.holding = list(range(300))
    seen, sites = [], []
    async with serving(server) as port:
        report = await run_cases(
            Dial("127.0.0.1", port),
            WANTED,
            choose(),
            on_site=sites.append,
            on_result=seen.append,
        )
    assert {r.case.id: r.outcome.reason for r in report.results if r.outcome.reason} == {}
    assert report.counts()[Verdict.PASS] == len(choose())
    assert list(report.results) == seen
    assert sites == [report.site]
    assert server.holding == list(range(300))
    assert report.duration_ns > 0


@pytest.mark.parametrize(
    "flaw", [TransactionAlwaysOne, ProtocolIgnored, AnyCoilValueTaken, StalledByHalfAFrame]
)
async def test_sockets_and_memory_see_the_same(flaw) -> None:
    """A flaw that does not depend on time fails the same cases in both ways of playing."""
    groups = ("header", "stream", "write-one", "clients")
    cases = choose(groups)
    ids = {case.id for case in cases}
    async with serving(flaw()) as port:
        report = await run_cases(Dial("127.0.0.1", port, 0.3), WANTED, cases)
    in_memory = failed(play_all(flaw, site_of(ReferenceServer()))) & ids
    assert {result.case.id for result in report.failures} == in_memory
    assert in_memory


async def test_frames_are_really_sent_in_pieces() -> None:
    """A server that closes when a segment is no whole frame fails those cases."""
    async with serving(ClosesOnSplitFrames()) as port:
        report = await run_cases(Dial("127.0.0.1", port, 0.3), WANTED, choose(["stream"]))
    assert {result.case.id for result in report.failures} == expand(
        "stream-split-* stream-joined-half"
    )


async def test_the_sending_side_is_really_closed() -> None:
    """A server that keeps a half-closed connection open for ever fails that case."""
    async with serving(HalfClosedStaysOpen()) as port:
        report = await run_cases(Dial("127.0.0.1", port, 0.3), WANTED, choose(["stream"]))
    assert [result.case.id for result in report.failures] == ["stream-half-close-idle"]


async def test_torn_values_are_seen_over_sockets() -> None:
    """Clients that read while another writes catch a write done in two halves."""
    async with serving(TornWrites()) as port:
        report = await run_cases(
            Dial("127.0.0.1", port), WANTED, choose(ids=["memory-whole-registers"])
        )
    (result,) = report.failures
    assert "0F0F and F0F0 in one reply" in result.outcome.reason


async def test_silence_is_told_with_its_time() -> None:
    """The reason and the evidence say that nothing came, and how long was waited."""

    class Mute(ReferenceServer):
        def function_4(self, link, pdu):
            return super().function_4(link, pdu)

        def respond(self, link, pdu):
            return None if pdu == bytes.fromhex("04 FFFF 0002") else super().respond(link, pdu)

    async with serving(Mute()) as port:
        report = await run_cases(Dial("127.0.0.1", port, 0.1), WANTED, choose(ids=["fc04-wrap"]))
    (result,) = report.failures
    assert result.outcome.reason == "expected a reply, got no answer in time"
    assert [entry.what for entry in result.evidence.first] == [
        "connected",
        "sent",
        "nothing more within 0.1 s",
    ]


async def test_a_server_that_is_not_there_is_an_error() -> None:
    """Nothing listens, or the name means nothing: one line, no traceback."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(SoftctlError, match=f"expected a Modbus/TCP server at 127.0.0.1:{port}"):
        await run_cases(Dial("127.0.0.1", port), WANTED, choose())


async def test_values_are_put_back_when_a_run_is_broken_off() -> None:
    """Cancelling in the middle of the writing cases still restores."""
    server = ReferenceServer()
    server.holding = list(range(300))
    count = 0

    def stop(result) -> None:
        nonlocal count
        count += 1
        if count == 10:
            task.cancel()

    async with serving(server) as port:
        task = asyncio.create_task(
            run_cases(Dial("127.0.0.1", port), WANTED, choose(["write-many"]), on_result=stop)
        )
        with pytest.raises(asyncio.CancelledError):
            await task
    assert count == 10
    assert server.holding == list(range(300))


async def test_values_that_cannot_be_put_back_are_an_error_then() -> None:
    """A run that was broken off has no report, so the error names what is left changed."""

    class Locking(ReferenceServer):
        is_locked = False

        def store(self, values, first, new):
            self.need(not self.is_locked, 4)
            super().store(values, first, new)

    server = Locking()

    def stop(result) -> None:
        server.is_locked = True
        task.cancel()

    async with serving(server) as port:
        task = asyncio.create_task(
            run_cases(Dial("127.0.0.1", port), WANTED, choose(["write-one"]), on_result=stop)
        )
        with pytest.raises(SoftctlError, match=r"for 2301 places: coils 0, coils 1, "):
            await task


async def test_values_are_put_back_when_the_survey_is_broken_off() -> None:
    """The survey tries values before the first case; those are undone as well."""
    server = ReferenceServer()
    server.holding = list(range(300))

    class Stopping(ReferenceServer):
        def function_6(self, link, pdu):
            if server.holding[4] == 0xFFFF:
                task.cancel()
            return super().function_6(link, pdu)

    server.__class__ = Stopping
    async with serving(server) as port:
        task = asyncio.create_task(run_cases(Dial("127.0.0.1", port), WANTED, choose()))
        with pytest.raises(asyncio.CancelledError):
            await task
    assert server.holding == list(range(300))


def _certificate(folder) -> tuple[str, ssl.SSLContext]:
    """A certificate of a test authority of its own for 127.0.0.1, and a server's context."""
    x509 = pytest.importorskip("cryptography.x509")
    from ipaddress import ip_address

    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "bench")])
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), False
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), True)
        .sign(key, hashes.SHA256())
    )
    path = folder / "server.pem"
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM) + private)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(path)
    return str(path), context


async def test_tls_is_tested_too(tmp_path) -> None:
    """With the authority known all applies but half-closing; without it the error says why."""
    from dataclasses import replace

    from softctl.cli.conform_tls import TlsOptions

    path, server_context = _certificate(tmp_path)
    with TlsOptions(ca=Path(path)).prepared() as prepared:
        context = prepared.context
    wanted = replace(WANTED, can_half_close=False)
    async with serving(ReferenceServer(), server_context) as port:
        cases = choose(["stream"], ["fc03-one", "clients-reset-50"])
        report = await run_cases(Dial("127.0.0.1", port, tls=context), wanted, cases)
        assert report.failures == []
        skipped = {r.case.id for r in report.results if r.outcome.verdict is not Verdict.PASS}
        assert skipped == expand("stream-half-close*")
        stranger = Dial("127.0.0.1", port, tls=ssl.create_default_context())
        with pytest.raises(
            SoftctlError, match="TLS error: certificate refused: self-signed certificate"
        ):
            await run_cases(stranger, wanted, cases)


async def test_the_site_of_a_run_is_what_was_found() -> None:
    """The survey over sockets finds what the survey in memory finds."""
    async with serving(ReferenceServer()) as port:
        report = await run_cases(Dial("127.0.0.1", port), WANTED, choose(ids=["fc03-one"]))
    assert report.site.areas == site_of(ReferenceServer()).areas
    assert report.site.area(Table.COILS).has_edge
