"""Writes the ST program that wires the equipment of a machine."""

from __future__ import annotations

from collections.abc import Iterator
from zlib import crc32

from softctl.machine import Machine
from softctl.plant.blocks import Input, Wire
from softctl.plant.values import format_real
from softctl.plant.wiring import Piece, Wiring, wired_port

PROGRAM = "Plant"
_TIME = "plant_time_s"
_WIDEST = 16
_HEAD = """\
(* The plant of {name}, wired. Generated from {file}.

   One call is one step of {milliseconds:g} ms; the first call sets the initial state. Drives and
   lines are called first, from the state at the step's start; then what moves parts, and
   the vessels, which take what the lines moved; then the instruments.

   A simulation, and no safety function. *)

PROGRAM {program}
VAR
    plant_started : BOOL;
    plant_steps : LREAL;
    {time} : LREAL;                 // at the start of the step
"""
_CLOCK = """\
END_VAR

IF plant_started THEN
    {time} := plant_steps * {step};
    plant_steps := plant_steps + 1.0;
{once}END_IF;
plant_started := TRUE;
"""


def generate(machine: Machine, wiring: Wiring, *, with_values: bool = True) -> str:
    """The wired program's text; without the values, that of all machines which differ in those."""
    step_s = machine.plant_step_ns / 1e9
    lines = [
        _HEAD.format(
            name=machine.name,
            file=machine.file,
            milliseconds=machine.plant_step_ns / 1e6,
            program=PROGRAM,
            time=_TIME,
        ).rstrip("\n")
    ]
    order = wiring.order
    lines += [_declaration(machine, wiring, piece, with_values) for piece in order]
    once = _once(wiring)
    lines.append(_CLOCK.format(time=_TIME, step=format_real(step_s), once=once))
    for piece in order:
        lines += _gathered(wiring, piece, stays=False)
        lines.append(_call(wiring, piece))
    lines.append("END_PROGRAM\n")
    return "\n".join(lines)


def drawn_seed(seed: int, name: str) -> int:
    """Where the generator of a piece starts: a number of its own for each name and seed."""
    return crc32(f"{seed} {name.lower()}".encode())


def initial_values(machine: Machine, wiring: Wiring) -> Iterator[tuple[str, str]]:
    """Terminal and ST literal of every value that the program's text declares."""
    for piece in wiring.order:
        for name, text in _constants(machine, wiring, piece).items():
            yield f"{piece.name}.{name}", text


def _declaration(machine: Machine, wiring: Wiring, piece: Piece, with_values: bool) -> str:
    constants = _constants(machine, wiring, piece)
    values = (f"{name} := {text}" if with_values else name for name, text in constants.items())
    initial = ", ".join(values)
    tail = f" := ({initial})" if initial else ""
    return f"    {piece.name} : {piece.block.name}{tail};"


def _constants(machine: Machine, wiring: Wiring, piece: Piece) -> dict[str, str]:
    constants = dict(piece.constants)
    for port in piece.block.inputs.values():
        if port.is_step:
            constants[port.name] = format_real(machine.plant_step_ns / 1e9)
        elif port.number:
            constants[port.name] = str(len(wiring.naming(piece, port.number)))
        elif port.rise and port.rise <= len(machine.species):
            rise = machine.density_rise.get(machine.species[port.rise - 1], 0.0)
            constants[port.name] = format_real(rise)
        elif port.is_seed:
            constants[port.name] = str(drawn_seed(machine.seed, piece.name))
        elif port.wire and not piece.sets(port.name):
            constants.update(_copied(piece, port))
    return constants


def _copied(piece: Piece, port: Input) -> dict[str, str]:
    """A neighbour's required parameter, such as a diameter, is copied once: it stays."""
    assert port.wire is not None
    end = wired_port(piece, port.wire)
    if end is None or not _stays(*end):
        return {}
    other, name = end
    return {port.name: other.constants[other.block.inputs[name].name]}


def _stays(piece: Piece, name: str) -> bool:
    port = piece.block.inputs.get(name)
    return port is not None and port.required and port.name in piece.constants


def _once(wiring: Wiring) -> str:
    """What stays as it is, handed over at the first call: an ELSE, or nothing."""
    lines = [line for piece in wiring.order for line in _gathered(wiring, piece, stays=True)]
    return "".join(["ELSE\n", *(f"    {line}\n" for line in lines)]) if lines else ""


def _gathered(wiring: Wiring, piece: Piece, *, stays: bool) -> Iterator[str]:
    """What a block takes from each of its neighbours: an item of an array each."""
    for port in piece.block.inputs.values():
        if port.each is None:
            continue
        name = port.each.port
        for i, other in enumerate(wiring.naming(piece, port.each.key), 1):
            if other.block.has_port(name) and _stays(other, name) == stays:
                yield f"{piece.name}.{port.name}[{i}] := {other.name}.{_port_name(other, name)};"


def _call(wiring: Wiring, piece: Piece) -> str:
    arguments = list(_arguments(wiring, piece))
    if not arguments:
        return f"{piece.name}();"
    text = ", ".join(f"{name} := {value}" for name, value in arguments)
    if len(text) < 80:
        return f"{piece.name}({text});"
    body = ",\n".join(f"    {name} := {value}" for name, value in arguments)
    return f"{piece.name}(\n{body});"


def _arguments(wiring: Wiring, piece: Piece) -> Iterator[tuple[str, str]]:
    for port in piece.block.inputs.values():
        value = _argument(wiring, piece, port)
        if value:
            yield port.name, value


def _argument(wiring: Wiring, piece: Piece, port: Input) -> str:
    if port.name in piece.references:
        other, terminal = piece.references[port.name]
        return f"{other.name}.{terminal}"
    if piece.sets(port.name):
        return ""
    if port.is_time:
        return _TIME
    if port.sum:
        return _sum(wiring, piece, port)
    return _wired(wiring, piece, port) if port.wire else ""


def _sum(wiring: Wiring, piece: Piece, port: Input) -> str:
    assert port.sum is not None
    terms = list(_moved(wiring, piece, port.sum, "" if port.back is None else "MAX({}, 0.0)"))
    if port.back is not None:
        terms += _moved(wiring, piece, port.back, "MAX(-{}, 0.0)", only_reversing=True)
    return _added(terms)


def _moved(
    wiring: Wiring, piece: Piece, source: Wire, part: str, *, only_reversing: bool = False
) -> Iterator[str]:
    """A port of all that name a piece: `part` of it where a line can reverse."""
    for other in wiring.naming(piece, source.key):
        output = other.block.outputs.get(source.port)
        reverses = _reverses(other)
        if output is not None and (reverses or not only_reversing):
            text = f"{other.name}.{output.name}"
            yield part.format(text) if part and reverses else text


def _reverses(line: Piece) -> bool:
    """True where liquid may run back: there is a vessel to draw from at the far end."""
    ends = [port.wire for port in line.block.draws() if port.wire]
    return len(ends) > 1 and all(wired_port(line, end) for end in ends)


def _added(terms: list[str]) -> str:
    """Terms added in groups: a compiler follows each + one level deeper."""
    while len(terms) > _WIDEST:
        groups = (terms[i : i + _WIDEST] for i in range(0, len(terms), _WIDEST))
        terms = [f"({' + '.join(group)})" for group in groups]
    return " + ".join(terms)


def _wired(wiring: Wiring, piece: Piece, port: Input) -> str:
    assert port.wire is not None
    end = wired_port(piece, port.wire)
    if end is None:
        return ""
    other, name = end
    if _stays(other, name):
        return ""
    text = f"{other.name}.{_port_name(other, name)}"
    if name in other.block.outputs and other.block.outputs[name].is_array:
        text += f"[{wiring.naming(other, port.wire.key).index(piece) + 1}]"
    return text + (_already_drawn(wiring, piece, other) if port.less else "")


def _port_name(piece: Piece, name: str) -> str:
    ports = piece.block.outputs if name in piece.block.outputs else piece.block.inputs
    return ports[name].name


def _already_drawn(wiring: Wiring, piece: Piece, vessel: Piece) -> str:
    """What earlier lines have drawn from a vessel in the same step."""
    terms = [
        _drawn(line, port, can_reverse=len(line.block.draws()) > 1)
        for line, port in wiring.drawing_before(piece, vessel)
    ]
    return f" - ({_added(terms)})" if len(terms) > 1 else "".join(f" - {one}" for one in terms)


def _drawn(line: Piece, port: Input, can_reverse: bool) -> str:
    sign = "-" if port.less.startswith("-") else ""
    moved = f"{line.name}.{port.less.removeprefix('-')}"
    if can_reverse:
        return f"MAX({sign}{moved}, 0.0)"
    return f"({sign}{moved})" if sign else moved
