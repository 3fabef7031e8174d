"""What `record` and `replay` do and print."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import typer

from softctl.cli import live
from softctl.cli.conform_options import is_confirmed
from softctl.cli.endpoints import endpoint
from softctl.errors import SoftctlError
from softctl.recording import Difference, changing, describe_reply, describe_request, parse_session
from softctl.runtime.folder import demo_folder, read_machine, read_text, shown_path
from softctl.runtime.recorder import Recorder
from softctl.runtime.replay import Played, Target
from softctl.runtime.replay import replay as play

_SHOWN = 20
_INTERRUPTED = 130


@dataclass(frozen=True, slots=True)
class Recording:
    """Where a recording goes, of which server."""

    path: Path
    server: str
    overwrite: bool


@dataclass(frozen=True, slots=True)
class Playing:
    """How a recording is played."""

    speed: float
    shape: bool
    timeout_s: float
    confirmed: str | None
    json: Path | None


def record(
    options: live.Options, *, field_port: int | None, hmi: live.Where, recording: Recording
) -> None:
    """Run the machine with a recorder at one of its servers; raises SoftctlError."""
    machine = read_machine(options.folder or demo_folder())
    recorder = Recorder(
        recording.path, machine.name, recording.server, overwrite=recording.overwrite
    )
    try:
        live.run(
            replace(options, listener=recorder, listens_at=recording.server),
            field_port=field_port,
            hmi=hmi,
        )
    finally:
        recorder.close()
    typer.echo(
        f"{recording.path}: {recorder.requests} requests, {recorder.clients} connections", err=True
    )


def replay(path: Path, server: str, playing: Playing) -> bool:
    """Play a recording and print what differs; whether nothing did.

    Raises:
        SoftctlError: nobody answers, or the host may not be written to.
        ProblemsError: the recording cannot be read.
    """
    session = parse_session(read_text(path, "a recording"), shown_path(path))
    host, port = endpoint(server, has_tls=False)
    writes = [f"function {code:02d}" for code in changing(session.exchanges)]
    is_confirmed(host, playing.confirmed, writes)
    target = Target(host, port, playing.speed, playing.timeout_s, playing.shape)
    try:
        played = asyncio.run(play(session, target))
    except KeyboardInterrupt:
        typer.echo("stopped", err=True)
        raise typer.Exit(_INTERRUPTED) from None
    for line in report_lines(played):
        typer.echo(line)
    if playing.json is not None:
        _write(playing.json, played)
    return not played.differences


def report_lines(played: Played) -> Iterator[str]:
    """Each difference with both replies, then the sums."""
    for one in played.differences[:_SHOWN]:
        yield from _difference_lines(one)
    rest = len(played.differences) - _SHOWN
    if rest > 0:
        yield f"and {rest} more"
    behind = f", up to {played.behind_s:.3f} s late" if played.behind_s >= 0.001 else ""
    yield (
        f"{played.requests} requests of {played.clients} connections{behind}: "
        f"{len(played.differences)} differences"
    )


def _difference_lines(one: Difference) -> Iterator[str]:
    yield f"{one.at_ns / 1e9:.6f} s  connection {one.client}  {one.what}"
    if one.exchange is not None:
        request, recorded = one.exchange.request, one.exchange.reply
        yield f"    request   {_hex(request)}  {describe_request(request)}"
        yield f"    recorded  {_hex(recorded)}  {describe_reply(recorded)}"
    yield f"    came      {_hex(one.reply)}  {describe_reply(one.reply)}"


def _hex(frame: bytes | None) -> str:
    return "-" if frame is None else frame.hex(" ").upper()


def _write(path: Path, played: Played) -> None:
    document = {
        "requests": played.requests,
        "connections": played.clients,
        "behind_s": round(played.behind_s, 6),
        "differences": [
            {
                "at_s": one.at_ns / 1e9,
                "client": one.client,
                "what": one.what,
                "request": one.exchange.request.hex() if one.exchange else None,
                "recorded": one.exchange.reply.hex()
                if one.exchange and one.exchange.reply
                else None,
                "came": one.reply.hex() if one.reply else None,
            }
            for one in played.differences
        ],
    }
    try:
        path.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise SoftctlError(f"cannot write {path}: {error.strerror}") from None
