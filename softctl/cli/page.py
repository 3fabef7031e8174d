"""The bench page of a running command."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from softctl.cli.options import PageRoleName
from softctl.errors import SoftctlError

if TYPE_CHECKING:
    from softctl.journal import Journal
    from softctl.runtime.control_service import ControlService
    from softctl.runtime.events import EventSink
    from softctl.runtime.field_service import FieldService
    from softctl.runtime.folder import MachineFolder
    from softctl.web.start import Page, PageSettings

DEFAULT_PORT = 15080


@dataclass(frozen=True, slots=True)
class PageOptions:
    """What the command line says about a page."""

    port: int
    role: PageRoleName
    host: str
    people: Path | None
    certificate: Path | None
    key: Path | None
    names: tuple[str, ...]


def page_options(
    port: int | None,
    role: PageRoleName,
    host: str,
    people: Path | None,
    tls: tuple[Path | None, Path | None],
    names: Sequence[str] | None,
) -> PageOptions | None:
    """The options of a page, None where none is asked for."""
    if port is None:
        return None
    return PageOptions(port, role, host, people, *tls, tuple(names or ()))


def load_page() -> None:
    """Import what a page needs, which takes a while; SoftctlError without the extra."""
    try:
        import softctl.web.start  # noqa: F401
    except ImportError as error:
        raise SoftctlError(
            f"expected the extra 'page' (pip install 'softctl[page]'), got no {error.name}"
        ) from None


def make_page(
    options: PageOptions,
    folder: MachineFolder,
    control: ControlService,
    field: FieldService | None,
    journal: Journal,
    sink: EventSink,
) -> Page:
    """The page of a controller of this process, not yet started; raises SoftctlError."""
    settings = page_settings(options)
    from softctl.web.local import LocalBench
    from softctl.web.start import local_page

    bench = LocalBench(folder, control, field, journal, getattr(journal, "path", None))
    return local_page(bench, settings, sink)


def page_settings(options: PageOptions) -> PageSettings:
    """The settings that options stand for, with their files read; raises SoftctlError."""
    load_page()
    from softctl.runtime.folder import read_text, shown_path
    from softctl.web.access import read_role
    from softctl.web.people import read_people
    from softctl.web.port import TlsFiles
    from softctl.web.start import PageSettings

    if (options.certificate is None) != (options.key is None):
        raise SoftctlError("expected --page-certificate and --page-key, got one of the two")
    people, tls = None, None
    if options.people is not None:
        text = read_text(options.people, "a file of people")
        people = read_people(text, shown_path(options.people))
    if options.certificate is not None and options.key is not None:
        tls = TlsFiles(options.certificate, options.key)
    role = read_role(options.role.value)
    return PageSettings(options.host, options.port, role, people, tls, options.names)
