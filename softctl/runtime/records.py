"""What a record rests on, and the files that it is written to."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from softctl import __version__
from softctl.errors import SoftctlError
from softctl.machine import Machine
from softctl.paper import Basis
from softctl.runtime.folder import MACHINE_FILE
from softctl.runtime.pdf import print_pdf, require_browser


def now_text() -> str:
    """The date and time with its zone, as records have it."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def record_basis(folder: Path, machine: Machine, started: str) -> Basis:
    """What a record of a machine folder is about."""
    hashes = record_hashes(folder)
    return Basis(machine.name, machine.title, started, __version__, hashes)


def record_hashes(folder: Path, more: Sequence[Path] = ()) -> dict[str, str]:
    """SHA-256 of a machine folder's files, of more of them, and of the installed software."""
    paths = [folder / MACHINE_FILE, *sorted(folder.glob("*.st")), *more]
    found = {path.relative_to(folder).as_posix(): _sha256(path.read_bytes()) for path in paths}
    return {**found, f"softctl {__version__}": _software_hash()}


def _software_hash() -> str:
    root = Path(__file__).resolve().parent.parent
    total = hashlib.sha256()
    for path in sorted([*root.rglob("*.py"), *root.rglob("*.st")]):
        total.update(path.relative_to(root).as_posix().encode())
        total.update(path.read_bytes())
    return total.hexdigest()


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


Forms = Mapping[str, Callable[[], str]]
"""What makes the text of each form that a record can have, by its name: json, csv, html…"""


@dataclass(frozen=True, slots=True)
class RecordFiles:
    """The files that a record is asked for in; the PDF is printed from the HTML page."""

    json: Path | None = None
    csv: Path | None = None
    junit: Path | None = None
    html: Path | None = None
    pdf: Path | None = None

    def require_writable(self) -> None:
        """Before the run rather than after it; raises SoftctlError."""
        for path in (self.json, self.csv, self.junit, self.html, self.pdf):
            if path is not None and (path.is_dir() or not path.absolute().parent.is_dir()):
                raise SoftctlError(f"expected a file in a folder that exists, got {path}")
        if self.pdf is not None:
            require_browser()

    def write(self, forms: Forms) -> None:
        """Write each that was asked for; raises SoftctlError."""
        for name, make in forms.items():
            path: Path | None = getattr(self, name)
            if path is not None:
                _write_text(path, make())
        if self.pdf is not None:
            print_pdf(forms["html"](), self.pdf)


def _write_text(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        reason = error.strerror or error
        raise SoftctlError(f"expected to write {path}, got {reason}") from error
