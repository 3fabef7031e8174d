"""What there is: the types of equipment that come with softctl, from their blocks' pragmas."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import groupby

from softctl.logic import Source, compile_application
from softctl.plant.blocks import ROLES, BlockType, Input, Output, block_type
from softctl.plant.library import every_standard_name, standard_names, standard_text

_FEW = 4
_INNER = re.compile(r".*_(?:[2-9]|1[0-2]|h|p)$")


@dataclass(frozen=True, slots=True)
class TypeRow:
    """One type: `needed` and `possible` keys of the machine file, `inputs` and `outputs`."""

    name: str
    role: str
    what: str
    needed: tuple[str, ...]
    possible: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    faults: tuple[str, ...]


@cache
def standard_types() -> tuple[BlockType, ...]:
    """Every type that comes with softctl, by role and name, with all that it can have."""
    sources = [Source(f"{name}.st", standard_text(name)) for name in every_standard_name()]
    blocks = compile_application([], library=sources).blocks.values()
    found = [block_type(block, []) for block in blocks if block.name.lower() in standard_names()]
    return tuple(sorted(found, key=lambda block: (ROLES.index(block.role), block.name)))


def type_rows(types: Iterable[BlockType]) -> list[TypeRow]:
    """The types as a user sees them."""
    return [_row(block) for block in types]


def to_markdown(rows: Iterable[TypeRow]) -> str:
    """A table of the types for a document."""
    lines = [
        "| type | what it is | needs | may have | inputs | outputs |",
        "|---|---|---|---|---|---|",
    ]
    for row in rows:
        cells = [_listed(part) for part in (row.needed, row.possible, row.inputs, row.outputs)]
        lines.append(f"| `{row.name}` | {row.what} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def _listed(items: Iterable[str]) -> str:
    return ", ".join(items)


def _row(block: BlockType) -> TypeRow:
    settings = [port for port in block.inputs.values() if _is_setting(port)]
    among = {key for keys in block.one_of for key in keys}
    needed = {port.key for port in settings if port.required}
    parameters = [
        (key, _described(key, list(ports)))
        for key, ports in groupby((p for p in settings if not p.is_command), lambda port: port.key)
    ]
    choice = " or ".join(" with ".join(keys) for keys in block.one_of)
    return TypeRow(
        block.name,
        block.role,
        _what(block.name),
        (
            *block.keys,
            *(text for key, text in parameters if key in needed),
            *([choice] if choice else []),
        ),
        tuple(
            text if key not in among else f"({text})"
            for key, text in parameters
            if key not in needed
        ),
        tuple(_input(port) for port in settings if port.is_command),
        tuple(_output(port) for port in block.outputs.values() if not _INNER.match(port.name)),
        tuple(block.faults()),
    )


def _is_setting(port: Input) -> bool:
    return port.is_open and not port.fault and not port.wire and port.species < 2


def _described(key: str, ports: list[Input]) -> str:
    """A key with what it takes: a unit, words, a list or figures by species."""
    first = ports[0]
    if first.species:
        return f"{key} {{species: {_unit(first.unit)}}}"
    if len(ports) > 1:
        units = [_unit(port.unit) for port in ports]
        return f"{key} [{', '.join(units) if len(units) < 4 else f'{len(units)} × {units[0]}'}]"
    words = [word for word in first.choices if word not in ("true", "false")]
    return " ".join(filter(None, (key, "/".join(words) or _unit(first.unit, ""))))


def _unit(unit: str | None, plain: str = "1") -> str:
    return plain if unit in (None, "1") else str(unit)


def _input(port: Input) -> str:
    return f"{port.name} {_unit(port.unit, '')}".strip()


def _output(port: Output) -> str:
    name = re.sub(r"_1$", "_k", port.name)
    return f"{name} {_unit(port.unit, '')}".strip()


def _what(name: str) -> str:
    """The first sentence of a block's head comment, or what stands before its colon."""
    text = " ".join(standard_text(name).removeprefix("(*").split())
    sentence = re.split(r"\.(?:\s|$)", text, maxsplit=1)[0]
    words = sentence.partition(": ")[0]
    return words if len(words.split()) > _FEW else sentence
