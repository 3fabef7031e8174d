"""Which symbol a machine has, what shows that it works, and the words for that."""

from __future__ import annotations

from dataclasses import dataclass

from softctl.picture.boxes import SMALL, Box, around, text_width
from softctl.picture.signals import Signals, figure
from softctl.picture.sketch import LABEL_H, Item, Sketch
from softctl.plant.wiring import Piece

SIZE = 34.0
_WIDEST_STATE = "100 % open"


@dataclass(frozen=True, slots=True)
class Look:
    """How a type of equipment is drawn.

    `on` are the ports, the first that can be seen counts, that say that it works; `position`
    those of how far it is open or out; `words` what stands under it while it does, and does not.
    """

    symbol: str
    on: tuple[str, ...] = ()
    position: tuple[str, ...] = ()
    words: tuple[str, str] = ("runs", "off")


_RUNS = ("running", "run")
LOOKS = {
    "pump": Look("pump", _RUNS),
    "dosing_pump": Look("dosing pump", _RUNS),
    "inline_pump": Look("pump"),
    "valve": Look("valve", ("opened", "open"), ("position",), ("open", "shut")),
    "inline_valve": Look("control valve", ("opened", "open"), ("position",), ("open", "shut")),
    "agitator": Look("agitator", _RUNS),
    "heater": Look("heater", _RUNS, (), ("heats", "off")),
    "jacket": Look("jacket", ("opened", "open"), ("position",), ("open", "shut")),
    "motor": Look("motor", _RUNS),
    "cylinder": Look("cylinder", ("extended", "extend"), ("position",), ("out", "back")),
    "pusher": Look("pusher"),
    "stopper": Look("stopper"),
    "gripper": Look("gripper", ("closed", "close"), (), ("closed", "open")),
}
_ANY = Look("machine", ("running", "run", "opened", "open"))
_STROKE = 0.2  # m, what a cylinder has that is given none (plant/cylinder.st)
_ALERTS = ("tripped",)


def look_of(piece: Piece) -> Look:
    """The look of a piece; one with a type of its own folder is a plain box."""
    return LOOKS.get(piece.block.name.lower(), _ANY)


def driver(piece: Piece) -> Piece | None:
    """The motor or cylinder that moves it."""
    for key in ("motor", "drive", "cylinder", "carried_by"):
        if key in piece.neighbours:
            return piece.neighbours[key]
    return None


def machine_item(signals: Signals, piece: Piece, box: Box, mirrored: bool = False) -> Item:
    """A machine with its channels; what a motor moves works while the motor does."""
    look, moving = look_of(piece), driver(piece)
    on, position = signals.of(piece, *look.on), signals.of(piece, *look.position)
    words, travel = look.words, _travel(piece)
    if on is None and moving is not None:
        on = signals.of(moving, *look_of(moving).on)
        position, travel = signals.of(moving, *look_of(moving).position), _travel(moving)
        words = look_of(moving).words
    alert = signals.of(piece, *_ALERTS)
    if alert is None and moving is not None:
        alert = signals.of(moving, *_ALERTS)
    return {
        "name": piece.name,
        "type": piece.block.name,
        **box.fields(),
        "symbol": look.symbol,
        "mirrored": mirrored,
        "on": on,
        "position": position,
        "travel": travel,
        "alert": alert,
        "words": list(words),
        "points": signals.points(piece) + (signals.points(moving) if moving else []),
        "driver": moving.name if moving else None,
    }


def _travel(piece: Piece) -> float:
    """What the whole way of its position is: a cylinder's stroke in m, else 1."""
    return figure(piece, "stroke") or _STROKE if piece.block.name.lower() == "cylinder" else 1.0


def state_width(item: Item) -> float:
    """Room for the words under a machine."""
    words = [*item["words"], "tripped", *([_WIDEST_STATE] if item["position"] else [])]
    return max(text_width(word, SMALL) for word in words)


def named(sketch: Sketch, item: Item, middle: float, y: float) -> Box:
    """Put a machine into the sketch with its name, and below it its state, centred."""
    box = sketch.label(item["name"], middle, y, "middle", of=item["name"])
    if item["on"] or item["position"]:
        width = state_width(item)
        state = Box(middle - width / 2, y + LABEL_H, width, LABEL_H)
        item["state"] = {**state.fields(), "anchor": "middle"}
        box = around([box, state])
    sketch.add("machines", item)
    return box


def named_beside(sketch: Sketch, item: Item, x: float, y: float) -> Box:
    """The same with both texts to the right of the machine, from `y` on."""
    box = sketch.label(item["name"], x, y, of=item["name"])
    if item["on"] or item["position"]:
        state = Box(x, y + LABEL_H, state_width(item), LABEL_H)
        item["state"] = {**state.fields(), "anchor": "start"}
        box = around([box, state])
    sketch.add("machines", item)
    return box


def label_width(item: Item) -> float:
    """The width of a machine's name and state."""
    state = state_width(item) if item["on"] or item["position"] else 0.0
    return max(text_width(item["name"]), state)
