"""What the pragmas of a FUNCTION_BLOCK say about it as a piece of equipment.

Before FUNCTION_BLOCK:

- `role: drive | line | tool | carrier | vessel | instrument` sets its place in the step:
  all drives and lines from the state at the step's start, then the tools that act on
  parts, the carriers (a giver before what its key `to` names), the vessels, and the
  instruments. A block without a role is an instrument.
- `keys: from to` are the machine file's keys that name its neighbours.
- `holds: parts pushed` are the variables, each a part or an array of them, in which it
  keeps the parts that it has.
- `one_of: kv | bore` are sets of parameters of which one, and no other, must be given.

Before an input (LREAL in the unit of the pragma, BOOL, a whole number or TIME):

- `unit`, `min`, `max`, `required`: a parameter; `above: other`, `below: other` compare it;
  `at_most: height diameter` limits it to the first of these that the machine file gives,
  `at_most: in.height in.diameter` to that of the neighbour that the key `in` names.
- `choice: closes=FALSE opens=TRUE`: words of the machine file, and what they stand for;
  `asks: depth cone dished`: the words cone and dished ask for the key `depth` as well.
- `with: diameter height`: a key that says nothing without these others.
- `key: range`, `item: 1`, `species: 1`: another key of the machine file than the input's
  name; one item of a list; the figure of the first species in a mapping.
- `command`: what the machine's points drive; any other parameter may be driven too.
- `wire: from.surface`: the port `surface` of the neighbour that the key `from` names;
  `optional` where a neighbour without it will do; `less: moved` takes off what earlier
  lines have already drawn there in this step (`-moved` under a key against their flow).
- `sum: to.moved`: the sum of `moved` over all equipment whose key `to` names this one; with
  `back: from.moved` what runs back is not taken off, but added to the other sum.
- `each: to.out`: an array; item k is the port `out` of the k-th equipment whose key `to`
  names this one. `number: to` says how many there are. A `wire` to an array takes the
  item with this one's own number.
- `step`, `time`: the length of a step, and the time at its start, in seconds.
- `rise: 1`: by how much 1 kg/m3 of the first species raises the density of water, in kg/m3.
- `seed`: where a generator of noise starts, a number of its own for each equipment.
- `fault: broken wire`: TRUE breaks it; `fault: lost supply=FALSE` where FALSE does. A
  fault with a `unit` has a size; with `size: 1` that is the one it has if none is given.

Before an output: `unit`; `range: low high` names the inputs that hold a signal's range.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from softctl.errors import Place, Problem
from softctl.logic import BlockInterface, VariableInfo

ROLES = ("drive", "line", "tool", "carrier", "vessel", "instrument")
_ARRAY = re.compile(r"ARRAY\[1\.\.(\d+)\]")
_FLAGS = frozenset({"required", "optional", "command", "step", "time", "seed"})
_BLOCK_WORDS = frozenset({"role", "keys", "holds", "one_of"})
_INPUT_WORDS = frozenset(
    {
        "unit",
        "min",
        "max",
        "above",
        "below",
        "at_most",
        "choice",
        "asks",
        "with",
        "key",
        "item",
        "species",
        "rise",
    }
    | {"wire", "less", "sum", "back", "each", "number", "fault", "size"}
)
_OUTPUT_WORDS = frozenset({"unit", "range"})


@dataclass(frozen=True, slots=True)
class Wire:
    """A port of the neighbour that a key names."""

    key: str
    port: str


@dataclass(frozen=True, slots=True)
class Input:
    """An input of a block; `unit` None means that no pragma gives one."""

    name: str
    type: str
    key: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    above: str = ""
    below: str = ""
    at_most: tuple[str, ...] = ()
    choices: Mapping[str, str] = field(default_factory=dict)
    asks: tuple[str, ...] = ()
    goes_with: tuple[str, ...] = ()
    item: int = 0
    species: int = 0
    rise: int = 0
    required: bool = False
    is_command: bool = False
    wire: Wire | None = None
    optional: bool = False
    less: str = ""
    sum: Wire | None = None
    back: Wire | None = None
    each: Wire | None = None
    number: str = ""
    is_step: bool = False
    is_time: bool = False
    is_seed: bool = False
    fault: str = ""
    fault_value: bool | None = None
    fault_size: float | None = None

    @property
    def is_open(self) -> bool:
        """True when the machine file, or a point, may say what goes in."""
        gathered = self.sum or self.each or self.number or self.rise
        return not (gathered or self.is_step or self.is_time or self.is_seed)

    @property
    def size(self) -> int:
        """How many items an array from 1 on has; 1 for anything else."""
        found = _ARRAY.match(self.type)
        return int(found[1]) if found else 1


@dataclass(frozen=True, slots=True)
class Output:
    """An output of a block; `range` names the inputs with the limits of a signal."""

    name: str
    type: str
    unit: str | None = None
    range: tuple[str, ...] = ()

    @property
    def is_array(self) -> bool:
        """True when each neighbour has an item of its own."""
        return self.type.startswith("ARRAY")


@dataclass(frozen=True, slots=True)
class BlockType:
    """A FUNCTION_BLOCK as a type of equipment; ports by lower-case name."""

    name: str
    role: str
    keys: tuple[str, ...]
    holds: tuple[str, ...]
    one_of: tuple[tuple[str, ...], ...]
    inputs: Mapping[str, Input]
    outputs: Mapping[str, Output]

    def has_port(self, name: str) -> bool:
        """True when a neighbour can read the port: an output or a parameter."""
        return name in self.outputs or (name in self.inputs and self.inputs[name].is_open)

    def parameter_keys(self) -> list[str]:
        """Every key that the machine file may use."""
        own = [port.key for port in self.inputs.values() if port.is_open]
        return list(dict.fromkeys([*self.keys, *own]))

    def faults(self) -> dict[str, Input]:
        """The inputs that break it, by the fault's name."""
        return {port.fault: port for port in self.inputs.values() if port.fault}

    def draws(self) -> list[Input]:
        """The inputs through which it draws from its neighbours: more than one can reverse."""
        return [port for port in self.inputs.values() if port.less]


def block_type(interface: BlockInterface, problems: list[Problem]) -> BlockType:
    """Read the pragmas of one block; what they get wrong is added to `problems`."""
    reader = _Reader(Place(interface.name), problems)
    words = reader.words(interface.pragma, _BLOCK_WORDS)
    role = words.get("role", "instrument")
    if role not in ROLES:
        reader.fail(f"expected a role of {', '.join(ROLES)}, got {role}")
        role = "instrument"
    inputs = [_input(info, problems) for info in interface.inputs]
    outputs = [_output(info, problems) for info in interface.outputs]
    return BlockType(
        interface.name,
        role,
        tuple(words.get("keys", "").split()),
        tuple(words.get("holds", "").split()),
        tuple(tuple(part.split()) for part in words.get("one_of", "").split("|") if part.strip()),
        {port.name.lower(): port for port in inputs},
        {port.name.lower(): port for port in outputs},
    )


class _Reader:
    """Reads pragmas that stand at one place."""

    def __init__(self, place: Place, problems: list[Problem]) -> None:
        self.place = place
        self.problems = problems

    def fail(self, message: str) -> None:
        self.problems.append(Problem(message, self.place))

    def words(self, pragma: str, known: Iterable[str]) -> dict[str, str]:
        """`a: b, c` as a mapping; unknown words are errors, pragmas of others are not ours."""
        found: dict[str, str] = {}
        for item in filter(None, (part.strip() for part in pragma.split(","))):
            word, colon, text = (part.strip() for part in item.partition(":"))
            if (word in known) if colon else (word in _FLAGS):
                found[word] = text
            else:
                expected = ", ".join([*sorted(known), *sorted(_FLAGS)])
                self.fail(f"expected one of {expected} in a pragma, got '{item}'")
        return found

    def number(self, text: str | None) -> float | None:
        if text is None:
            return None
        try:
            return float(text)
        except ValueError:
            self.fail(f"expected a number in a pragma, got '{text}'")
            return None

    def count(self, text: str | None) -> int:
        return int(self.number(text) or 0)

    def wire(self, text: str | None) -> Wire | None:
        if text is None:
            return None
        key, dot, port = text.partition(".")
        if not (key and dot and port):
            self.fail(f"expected KEY.PORT in a pragma, got '{text}'")
            return None
        return Wire(key, port.lower())


def _input(info: VariableInfo, problems: list[Problem]) -> Input:
    reader = _Reader(info.place, problems)
    words = reader.words(info.pragma, _INPUT_WORDS)
    type_ = str(info.type)
    return Input(
        info.name,
        type_,
        words.get("key", info.name),
        words.get("unit"),
        reader.number(words.get("min")),
        reader.number(words.get("max")),
        words.get("above", ""),
        words.get("below", ""),
        tuple(words.get("at_most", "").split()),
        _choices(words.get("choice", ""), type_),
        tuple(words.get("asks", "").split()),
        tuple(words.get("with", "").split()),
        reader.count(words.get("item")),
        reader.count(words.get("species")),
        reader.count(words.get("rise")),
        "required" in words,
        "command" in words,
        reader.wire(words.get("wire")),
        "optional" in words,
        words.get("less", ""),
        reader.wire(words.get("sum")),
        reader.wire(words.get("back")),
        reader.wire(words.get("each")),
        words.get("number", ""),
        "step" in words,
        "time" in words,
        "seed" in words,
        *_fault(words.get("fault", ""), type_),
        reader.number(words.get("size")),
    )


def _fault(text: str, type_: str) -> tuple[str, bool | None]:
    name, _, value = (part.strip() for part in text.partition("="))
    return name, value != "FALSE" if type_ == "BOOL" else None


def _choices(text: str, type_: str) -> dict[str, str]:
    if not text:
        return {"false": "FALSE", "true": "TRUE"} if type_ == "BOOL" else {}
    pairs = (item.partition("=") for item in text.split())
    return {word.lower(): value or word.upper() for word, _, value in pairs}


def _output(info: VariableInfo, problems: list[Problem]) -> Output:
    words = _Reader(info.place, problems).words(info.pragma, _OUTPUT_WORDS)
    limits = tuple(words.get("range", "").split())
    return Output(info.name, str(info.type), words.get("unit"), limits)
