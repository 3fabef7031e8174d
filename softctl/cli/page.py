"""The bench page of a running command."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from softctl.cli.options import PageRoleName
from softctl.errors import SoftctlError

if TYPE_CHECKING:
    from softctl.journal import Journal
    from softctl.runtime.control_service import ControlService
    from softctl.runtime.events import EventSink
    from softctl.runtime.field_service import FieldService
    from softctl.runtime.folder import MachineFolder
    from softctl.web.start import Page


@dataclass(frozen=True, slots=True)
class PageOptions:
    """What the command line says about a page."""

    port: int
    role: PageRoleName


def page_options(port: int | None, role: PageRoleName) -> PageOptions | None:
    """The options of a page, None where none is asked for."""
    return None if port is None else PageOptions(port, role)


def make_page(
    options: PageOptions,
    folder: MachineFolder,
    control: ControlService,
    field: FieldService | None,
    journal: Journal,
    sink: EventSink,
) -> Page:
    """The page of a controller of this process, not yet started; raises SoftctlError."""
    try:
        from softctl.web.start import Page, PageSettings
    except ImportError as error:
        raise SoftctlError(
            f"expected the extra 'page' (pip install 'softctl[page]'), got no {error.name}"
        ) from None
    from softctl.web.access import read_role
    from softctl.web.local import LocalBench

    bench = LocalBench(folder, control, field, journal, getattr(journal, "path", None))
    settings = PageSettings("127.0.0.1", options.port, read_role(options.role.value))
    return Page(bench, settings, sink)
