"""Starts a user's own machine folder from one of those that come with softctl."""

from __future__ import annotations

import re
from difflib import get_close_matches
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.runtime.folder import MACHINE_FILE, configs_folder, shown_path

_ENDINGS = (".yaml", ".st", ".md")
_NAME = re.compile(r"^name:[ \t]*(\S+)", re.MULTILINE)
_IDENTIFIER = re.compile(r"[A-Za-z][A-Za-z0-9]*(_[A-Za-z0-9]+)*")


def starter_names() -> tuple[str, ...]:
    """The machine folders that come with softctl."""
    return tuple(sorted(path.parent.name for path in configs_folder().glob(f"*/{MACHINE_FILE}")))


def start_folder(target: Path, like: str) -> tuple[Path, ...]:
    """Copy a machine folder that comes with softctl to a new one; the files written.

    The machine takes the new folder's name where that can be a machine's. Raises
    SoftctlError for an unknown name, and for a target that is there and not empty:
    nothing is ever replaced.
    """
    source = configs_folder() / _known(like)
    _require_new(target)
    texts = {
        path.relative_to(source): path.read_text(encoding="utf-8")
        for path in sorted(source.rglob("*"))
        if path.suffix in _ENDINGS and path.is_file()
    }
    machine = Path(MACHINE_FILE)
    texts[machine] = _renamed(texts[machine], target.resolve().name)
    return tuple(_write(target / path, text) for path, text in texts.items())


def _known(like: str) -> str:
    names = starter_names()
    if like in names:
        return like
    close = get_close_matches(like, names, n=1)
    hint = f": did you mean {close[0]}?" if close else ""
    raise SoftctlError(f"expected one of {', '.join(names)}, got {like}{hint}")


def _require_new(target: Path) -> None:
    if target.is_dir() and not any(target.iterdir()):
        return
    if target.exists() or target.is_symlink():
        what = "a folder with files in it" if target.is_dir() else "a file"
        message = f"expected a new or an empty folder, got {shown_path(target)}, {what}"
        raise SoftctlError(f"{message}: nothing is replaced")


def _renamed(text: str, name: str) -> str:
    """The machine's name is the folder's, unless that has letters that a name has not."""
    if not _IDENTIFIER.fullmatch(name):
        return text
    return _NAME.sub(f"name: {name}", text, count=1)


def _write(path: Path, text: str) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        message = f"expected a folder that can be written, got {shown_path(path.parent)}"
        raise SoftctlError(f"{message}: {error.strerror}") from None
    return path
