"""The command that tests a Modbus/TCP server against its specifications."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from softctl.conform import Case, Wanted
    from softctl.conform.report import Report
    from softctl.runtime.conform_lines import Dial

FAILURES = 1
INTERRUPTED = 130


class Form(StrEnum):
    """How the result is written to standard output."""

    TABLE = "table"
    JSON = "json"


def conform(
    server: Annotated[
        str | None, typer.Argument(metavar="HOST:PORT", help="The server to test.")
    ] = None,
    unit: Annotated[int, typer.Option(min=0, max=255, help="Unit id to test.")] = 1,
    map_: Annotated[
        Path | None,
        typer.Option(
            "--map",
            metavar="FILE",
            help="Addresses that exist: a register map as `softctl points --as json` writes it.",
        ),
    ] = None,
    map_server: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Which server of the map: field or hmi."),
    ] = None,
    address: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RANGE",
            help="Addresses that exist, such as holding:0-99 (tables: coils, discrete, input, "
            "holding); repeatable. They are searched for if neither this nor --map is given.",
        ),
    ] = None,
    write_range: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RANGE",
            help="Addresses that may be written, such as coils:0-15, holding:0-99 or "
            "'file 4:0-9'; repeatable. Nothing else is written, and the values found are put "
            "back. Let it reach past the last address, so that refusals can be tested too.",
        ),
    ] = None,
    confirm: Annotated[
        str | None,
        typer.Option(
            metavar="HOST",
            help="Confirm that this host, which is not loopback, may be written to and sent "
            "reserved functions. What it drives may move.",
        ),
    ] = None,
    group: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this group; repeatable.")
    ] = None,
    case: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Only this case; repeatable.")
    ] = None,
    as_: Annotated[Form, typer.Option("--as", help="Table, or JSON.")] = Form.TABLE,
    details: Annotated[
        bool, typer.Option("--details", help="Show every case with its bytes, not only failures.")
    ] = False,
    list_: Annotated[
        bool, typer.Option("--list", help="List groups and cases, and test nothing.")
    ] = False,
    json_: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the result as JSON too.")
    ] = None,
    junit: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as JUnit XML too.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as an HTML page too.")
    ] = None,
    timeout: Annotated[
        float,
        typer.Option(min=0.02, max=60.0, help="Seconds that an answer may take."),
    ] = 1.0,
    tls: Annotated[bool, typer.Option("--tls", help="Speak Modbus/TCP Security.")] = False,
    tls_ca: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Authority that signed the server's certificate (PEM)."),
    ] = None,
    tls_cert: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Own certificate, with its role (PEM).")
    ] = None,
    tls_key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Own key (PEM), if not in --tls-cert.")
    ] = None,
    tls_name: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Name in the server's certificate, if not HOST."),
    ] = None,
    tls_ca_key: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Key of the test authority in --tls-ca, to make the wrong certificates (expired, "
            "two roles…) that the cases about TLS show. They are deleted after the run.",
        ),
    ] = None,
    tls_client: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KIND=FILE",
            help="A certificate with its key (PEM) of a kind that cannot be made here: stranger, "
            "self-signed, forged, expired, not-yet, no-role, two-roles, other-string; repeatable.",
        ),
    ] = None,
    tls_no_read: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RANGE",
            help="Addresses that exist and that the role of --tls-cert may not read; repeatable.",
        ),
    ] = None,
    tls_no_write: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RANGE",
            help="Addresses that exist and that the role of --tls-cert may not write; repeatable. "
            "They are written with the value that they have.",
        ),
    ] = None,
) -> None:
    """Test any Modbus/TCP server against the specifications.

    Ends with 1 when a case fails and with 2 when it cannot be run as asked.
    """
    from softctl.cli import conform_options as options
    from softctl.cli import conform_output as output
    from softctl.cli.conform_tls import TlsOptions
    from softctl.cli.endpoints import endpoint
    from softctl.conform import choose
    from softctl.runtime.conform_lines import Dial

    tls_options = TlsOptions(
        is_on=tls,
        ca=tls_ca,
        cert=tls_cert,
        key=tls_key,
        name=tls_name,
        ca_key=tls_ca_key,
        clients=tuple(tls_client or ()),
        no_read=tuple(tls_no_read or ()),
        no_write=tuple(tls_no_write or ()),
    )
    cases = choose(group or (), case or (), has_tls=tls_options.has_tls or list_)
    if list_:
        output.print_cases(cases, as_json=as_ is Form.JSON)
        return
    files = output.Files(json_, junit, html)
    files.require_writable()
    host, port = endpoint(server, has_tls=tls_options.has_tls)
    addresses = options.addresses(map_, map_server, address or [], unit)
    written = [*(write_range or []), *(tls_no_write or [])]
    is_confirmed = options.is_confirmed(host, confirm, written)
    with tls_options.prepared() as prepared:
        wanted = options.wanted(
            unit=unit,
            addresses=addresses,
            write_ranges=write_range or [],
            is_confirmed=is_confirmed,
            secured=prepared.secured,
        )
        dial = Dial(
            host,
            port,
            timeout,
            tls=prepared.context,
            server_name=tls_name,
            identities=prepared.identities,
        )
        report = _run(dial, wanted, cases)
    files.write(report)
    output.print_report(report, as_json=as_ is Form.JSON, details=details)
    if report.failures:
        raise typer.Exit(FAILURES)


def _run(dial: Dial, wanted: Wanted, cases: tuple[Case, ...]) -> Report:
    import asyncio

    from softctl.cli.conform_output import Progress
    from softctl.runtime.conform_runner import run_cases

    with Progress(dial, cases) as progress:
        try:
            return asyncio.run(run_cases(dial, wanted, cases, on_result=progress.add))
        except KeyboardInterrupt:
            progress.stop()
            written = "; what the write ranges held was put back" if wanted.writes else ""
            typer.echo(f"stopped{written}", err=True)
            raise typer.Exit(INTERRUPTED) from None
