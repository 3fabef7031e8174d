"""Commands, their options, and the one place where errors become messages."""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from softctl import __version__
from softctl.cli import hmi_commands, page_commands, service_commands, session_commands
from softctl.cli.bridge import bridge
from softctl.cli.campaign import campaign
from softctl.cli.caution import CAUTION
from softctl.cli.conform import conform
from softctl.cli.field import field
from softctl.cli.health import health
from softctl.cli.mqtt import mqtt_options
from softctl.cli.options import (
    AuditFile,
    Cold,
    Commands,
    FieldPort,
    ForSeconds,
    HmiHost,
    HmiPort,
    Journal,
    KeyKind,
    ListFormat,
    Log,
    LogFormat,
    MachineDir,
    MetricsPort,
    Mqtt,
    MqttWritesHosts,
    PageCertificate,
    PageHost,
    PageKey,
    PageNames,
    PagePeople,
    PagePort,
    PageRole,
    PageRoleName,
    Speed,
    StateDirectory,
    WatchPrograms,
    WireFaultsFile,
)
from softctl.cli.page import page_options
from softctl.cli.schema import schema
from softctl.cli.trial import trial
from softctl.errors import Problem, ProblemsError, SoftctlError

if TYPE_CHECKING:
    from softctl.machine import Machine

USER_ERROR = 2
INTERNAL_ERROR = 70

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="A simulated machine behind real Modbus/TCP, a soft controller that runs your own "
    "IEC 61131-3 program against it, and a second Modbus/TCP server for the HMI under test.",
    epilog=CAUTION,
)


@app.command(epilog=CAUTION)
def run(
    folder: MachineDir = None,
    speed: Speed = 1.0,
    field_port: FieldPort = None,
    hmi_host: HmiHost = None,
    hmi_port: HmiPort = None,
    command: Commands = None,
    log: Log = LogFormat.TEXT,
    seconds: ForSeconds = None,
    wire_faults: WireFaultsFile = None,
    state: StateDirectory = None,
    cold: Cold = False,
    journal: Journal = True,
    watch: WatchPrograms = False,
    metrics: MetricsPort = None,
    page: PagePort = None,
    page_host: PageHost = "127.0.0.1",
    page_role: PageRole = PageRoleName.ENGINEER,
    page_people: PagePeople = None,
    page_certificate: PageCertificate = None,
    page_key: PageKey = None,
    page_name: PageNames = None,
    audit: AuditFile = None,
    mqtt: Mqtt = True,
    mqtt_writes: MqttWritesHosts = None,
    broker: Annotated[
        bool,
        typer.Option(
            "--broker",
            help="Run an MQTT broker too (extra 'broker'): 3.1.1, loopback only, no passwords.",
        ),
    ] = False,
) -> None:
    """Run a machine: field and controller in one process.

    The simulated machine and the controller meet over loopback TCP.
    """
    from softctl.cli import live
    from softctl.cli.audit import run_and_note

    run_and_note(
        live.Options(
            folder,
            speed,
            log is LogFormat.JSON,
            seconds,
            tuple(command or ()),
            wire_faults,
            state,
            cold,
            journal,
            watch,
            metrics=metrics,
            page=page_options(
                page,
                page_role,
                page_host,
                page_people,
                (page_certificate, page_key),
                page_name,
            ),
            mqtt=mqtt_options(mqtt, mqtt_writes, broker),
        ),
        audit,
        partial(live.run, field_port=field_port, hmi=(hmi_host, hmi_port)),
    )


@app.command(epilog=CAUTION)
def control(
    folder: MachineDir = None,
    speed: Speed = 1.0,
    field: Annotated[
        str | None,
        typer.Option(
            "--field", metavar="HOST:PORT", help="Field to control; the machine file's if left out."
        ),
    ] = None,
    drive: Annotated[
        str | None,
        typer.Option(
            metavar="HOST",
            help="Confirm that outputs at this host, which is not loopback and which the "
            "machine file names too, may be driven.",
        ),
    ] = None,
    hmi_host: HmiHost = None,
    hmi_port: HmiPort = None,
    command: Commands = None,
    log: Log = LogFormat.TEXT,
    seconds: ForSeconds = None,
    wire_faults: WireFaultsFile = None,
    state: StateDirectory = None,
    cold: Cold = False,
    journal: Journal = True,
    watch: WatchPrograms = False,
    metrics: MetricsPort = None,
    page: PagePort = None,
    page_host: PageHost = "127.0.0.1",
    page_role: PageRole = PageRoleName.ENGINEER,
    page_people: PagePeople = None,
    page_certificate: PageCertificate = None,
    page_key: PageKey = None,
    page_name: PageNames = None,
    mqtt: Mqtt = True,
    mqtt_writes: MqttWritesHosts = None,
    audit: AuditFile = None,
) -> None:
    """Run the controller alone.

    It is a Modbus/TCP client of a field, and a server for HMIs.
    """
    from softctl.cli import live
    from softctl.cli.audit import run_and_note

    run_and_note(
        live.Options(
            folder,
            speed,
            log is LogFormat.JSON,
            seconds,
            tuple(command or ()),
            wire_faults,
            state,
            cold,
            journal,
            watch,
            metrics=metrics,
            page=page_options(
                page,
                page_role,
                page_host,
                page_people,
                (page_certificate, page_key),
                page_name,
            ),
            mqtt=mqtt_options(mqtt, mqtt_writes),
        ),
        audit,
        partial(live.run_control, field=field, drive=drive, hmi=(hmi_host, hmi_port)),
    )


@app.command()
def check(
    folder: MachineDir = None,
    strict: Annotated[
        bool,
        typer.Option("--strict", help="Forms outside IEC 61131-3 are errors, not warnings."),
    ] = False,
    wire_faults: Annotated[
        Path | None,
        typer.Option("--wire-faults", metavar="FILE", help="A file of wire faults to check too."),
    ] = None,
) -> None:
    """Print every error of a machine folder."""
    from softctl.runtime.folder import demo_folder, load_folder

    loaded = load_folder(folder or demo_folder(), strict=strict)
    machine = loaded.machine
    if wire_faults is not None:
        from softctl.runtime.wire_faults import WireFaultFile

        WireFaultFile(wire_faults, machine)
    outside = (*_tls_warnings(machine, loaded.path), *_mqtt_warnings(machine, loaded.path))
    warnings = [*loaded.warnings, *outside]
    for warning in warnings:
        print_problem(warning)
    typer.echo(
        f"{machine.name}: no errors, {len(machine.points)} points, {len(machine.cards)} cards, "
        f"{len(machine.equipment)} pieces of equipment, {len(warnings)} warnings"
    )


def _tls_warnings(machine: Machine, folder: Path) -> list[Problem]:
    """What is wrong with certificates and keys, looked at only where there are some."""
    if machine.field.security is None and machine.hmi.security is None:
        return []
    from softctl.runtime.tls_files import tls_problems

    return list(tls_problems(machine, folder))


def _mqtt_warnings(machine: Machine, folder: Path) -> list[Problem]:
    """What is wrong with the files and secrets that `mqtt` names."""
    if machine.mqtt is None:
        return []
    from softctl.runtime.mqtt_settings import mqtt_problems

    return list(mqtt_problems(machine, folder))


@app.command()
def points(
    folder: MachineDir = None,
    as_: Annotated[ListFormat, typer.Option("--as", help="Table, CSV or JSON.")] = ListFormat.TABLE,
    csv: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Write the HMI's points as a tag list for an HMI project instead (CSV).",
        ),
    ] = None,
) -> None:
    """Print the register map of both servers.

    Wire addresses count from zero, the printed numbers from one.
    """
    from softctl.cli.register_map import print_register_map, write_tag_list
    from softctl.runtime.folder import demo_folder, read_machine

    machine = read_machine(folder or demo_folder())
    if csv is not None:
        write_tag_list(machine, csv)
    else:
        print_register_map(machine, as_.value)


@app.command(epilog=CAUTION)
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
    like: Annotated[
        str, typer.Option(metavar="NAME", help="The machine that comes with softctl to copy.")
    ] = "glasshouse_feed",
) -> None:
    """Start a machine folder of your own from one that comes with softctl.

    Nothing is ever replaced: DIR has to be new, or empty.
    """
    from softctl.runtime.folder import shown_path
    from softctl.runtime.starters import start_folder

    for path in start_folder(folder, like):
        typer.echo(shown_path(path))
    typer.echo(f"Next: softctl check {folder}, then softctl run {folder} --command START")


@app.command(epilog="For tests only: a test authority protects nothing.")
def certs(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Machine folder.")],
    host: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Another name or address of the servers; repeatable."),
    ] = None,
    days: Annotated[int, typer.Option(min=1, max=825, help="How long they are valid.")] = 30,
    keys: Annotated[
        KeyKind,
        typer.Option(help="RSA suits the cipher suite that every device has, p256 is faster."),
    ] = KeyKind.RSA,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace files that are there.")
    ] = False,
) -> None:
    """Make test certificates for Modbus/TCP Security.

    An authority, the servers' and the controller's certificates under the names that the
    machine file gives them, and beside the authority one client for each role.
    """
    from softctl.cli import certs as command

    command.make(folder, command.Options(tuple(host or ()), days, keys.value, overwrite))


@app.command()
def plant(
    folder: MachineDir = None,
    st: Annotated[
        bool, typer.Option("--st", help="Print the ST program that wires the equipment.")
    ] = False,
    xml: Annotated[
        bool,
        typer.Option("--xml", help="Print it with its blocks as an IEC 61131-10 document."),
    ] = False,
    faults: Annotated[
        bool, typer.Option("--faults", help="List what can break in each piece of equipment.")
    ] = False,
    types: Annotated[
        bool, typer.Option("--types", help="List the types of equipment that come with softctl.")
    ] = False,
) -> None:
    """Show the simulated equipment, or its program."""
    if types:
        from softctl.plant.catalogue import standard_types, to_markdown, type_rows

        typer.echo(to_markdown(type_rows(standard_types())), nl=False)
        return
    if xml:
        from softctl.cli.convert import print_plant

        print_plant(folder)
        return
    from softctl.cli.tables import print_equipment, print_faults
    from softctl.runtime.folder import demo_folder, load_folder

    built = load_folder(folder or demo_folder())
    if st:
        typer.echo(built.build_plant().source, nl=False)
    elif faults:
        print_faults(built.machine, built.build_plant())
    else:
        print_equipment(built.machine)


@app.command(epilog="Prints what was not carried over. The endings .st and .xml say which way.")
def convert(
    source: Annotated[Path, typer.Argument(metavar="IN", help="A .st or .xml file.")],
    target: Annotated[Path, typer.Argument(metavar="OUT", help="The file to write.")],
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace OUT if it is there.")
    ] = False,
) -> None:
    """Convert a program between ST and the open XML exchange format (IEC 61131-10)."""
    from softctl.cli import convert as command

    command.convert(source, target, overwrite=overwrite)


app.command(epilog=CAUTION)(field)
app.command(epilog=CAUTION)(bridge)
app.command(epilog=CAUTION)(trial)
app.command(epilog=CAUTION)(campaign)
app.command()(conform)
app.command()(health)
app.command()(schema)
app.command(epilog=CAUTION)(hmi_commands.audit)
app.command(epilog=CAUTION)(hmi_commands.drill)
app.command(epilog=CAUTION)(hmi_commands.checkout)
app.command(epilog=CAUTION)(session_commands.record)
app.command()(session_commands.replay)
app.command()(service_commands.load)
app.command(epilog=CAUTION)(service_commands.stop)
app.command(epilog=CAUTION)(service_commands.restart)
app.command(epilog=CAUTION)(service_commands.force)
app.command()(service_commands.release)
app.command()(service_commands.alarms)
app.command()(service_commands.journal)
app.command(epilog=CAUTION)(page_commands.bench)
app.command()(page_commands.page_entry)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"softctl {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_print_version, help="Print the version."
        ),
    ] = False,
) -> None:
    """Options before the command."""


def print_problem(problem: Problem) -> None:
    """One problem, on standard error."""
    typer.echo(str(problem), err=True)


def main() -> None:
    """Run the command line; a user's error ends with its message and exit code 2."""
    try:
        app()
    except ProblemsError as error:
        for problem in error.problems:
            print_problem(problem)
        count = sum(problem.severity == "error" for problem in error.problems)
        typer.echo(f"{count} error{'s' if count != 1 else ''}", err=True)
        sys.exit(USER_ERROR)
    except SoftctlError as error:
        typer.echo(f"error: {error}", err=True)
        sys.exit(USER_ERROR)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except Exception as error:
        if os.environ.get("SOFTCTL_TRACEBACK"):
            raise
        typer.echo(
            f"internal error: {type(error).__name__}: {error}\n"
            "This is a defect of softctl, not of your files. "
            "SOFTCTL_TRACEBACK=1 shows where it happened.",
            err=True,
        )
        sys.exit(INTERNAL_ERROR)
