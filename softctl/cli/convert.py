"""Converts programs between ST and the open XML exchange format."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import typer

from softctl import __version__
from softctl.errors import Problem, SoftctlError
from softctl.runtime.folder import demo_folder, load_folder, shown_path

_FORMATS = (".st", ".xml")


def convert(source: Path, target: Path, *, overwrite: bool) -> None:
    """Convert a file by the endings of both names; raises SoftctlError."""
    formats = (source.suffix.lower(), target.suffix.lower())
    if sorted(formats) != sorted(_FORMATS):
        raise SoftctlError(
            f"expected a .st and a .xml file, in either order, got {source.name} and {target.name}"
        )
    if target.exists() and not overwrite:
        raise SoftctlError(
            f"expected a new file, got {shown_path(target)}: --overwrite replaces it"
        )
    text = _read(source)
    written, left = _converted(source, text, to_xml=formats[0] == ".st")
    try:
        target.write_text(written, encoding="utf-8", newline="\n")
    except OSError as error:
        raise SoftctlError(
            f"expected a file that can be written, got {shown_path(target)}: {error.strerror}"
        ) from None
    _print(left)
    lost = f"{len(left)} not carried over" if left else "everything carried over"
    typer.echo(f"{shown_path(source)} -> {shown_path(target)}: {lost}")


def _converted(source: Path, text: str, *, to_xml: bool) -> tuple[str, tuple[Problem, ...]]:
    from softctl.logic import Source
    from softctl.logic.exchange import st_to_xml, xml_to_st

    name = shown_path(source)
    if to_xml:
        sources = [Source(name, text)]
        made = st_to_xml(sources, title=source.stem, version=__version__, created=_modified(source))
    else:
        made = xml_to_st(text, name)
    return made.text, made.left


def print_plant(folder: Path | None) -> None:
    """The wired plant of a machine folder as XML, on standard output."""
    from softctl.plant.export import export_plant

    built = load_folder(folder or demo_folder())
    created = _modified(built.path / "machine.yaml")
    made = export_plant(built.machine, built.blocks, version=__version__, created=created)
    typer.echo(made.text, nl=False)
    _print(made.left)


def _print(left: tuple[Problem, ...]) -> None:
    for problem in left:
        typer.echo(str(problem), err=True)


def _modified(path: Path) -> str:
    """The date of a document is that of what it was made from, so that it can be made again."""
    return datetime.fromtimestamp(path.stat().st_mtime, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def _read(path: Path) -> str:
    name = shown_path(path)
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        byte = f"{error.object[error.start]:#04x} at {error.start}"
        raise SoftctlError(f"expected UTF-8 text in {name}, got byte {byte}") from None
    except OSError as error:
        raise SoftctlError(
            f"expected a file that can be read, got {name}: {error.strerror}"
        ) from None
