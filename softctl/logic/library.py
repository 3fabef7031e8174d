"""The text of the standard library: the prelude, and its blocks again for other types."""

from __future__ import annotations

import re
from importlib.resources import files

from softctl.values.types import ELEMENTARY_TYPES

_COUNTED = ("INT", "DINT", "LINT", "UINT", "UDINT", "ULINT", "SINT", "USINT")
_BLOCK = r"FUNCTION_BLOCK {}\n.*?END_FUNCTION_BLOCK\n"


def library_text() -> str:
    """All of the library in Structured Text; counters and timers in each of their types."""
    text = files("softctl.logic").joinpath("prelude.st").read_text("utf-8")
    parts = [text]
    parts += [_counter(text, name, t) for name in ("CTU", "CTD", "CTUD") for t in _COUNTED]
    parts += [_timer(text, name, t) for name in ("TP", "TON", "TOF") for t in ("TIME", "LTIME")]
    return "\n".join(parts)


def _block(text: str, name: str) -> str:
    found = re.search(_BLOCK.format(name), text, re.DOTALL)
    assert found is not None
    return found.group()


def _counter(text: str, name: str, type_name: str) -> str:
    """A counter whose value stops at the limits of another type (table 45)."""
    type_ = ELEMENTARY_TYPES[type_name]
    body = _block(text, name).replace(f"BLOCK {name}", f"BLOCK {name}_{type_name}")
    body = body.replace(": INT;", f": {type_name};")
    return body.replace("-32768", str(type_.low)).replace("32767", str(type_.high))


def _timer(text: str, name: str, type_name: str) -> str:
    """A timer by its typed name (table 46)."""
    body = _block(text, name).replace(f"BLOCK {name}", f"BLOCK {name}_{type_name}")
    return body.replace(": TIME;", f": {type_name};").replace("T#0s", f"{type_name}#0s")
