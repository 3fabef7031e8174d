"""What a checkout asks: one step is one thing to look at, or one thing to operate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from hashlib import sha256

from softctl.machine import Value


class Answer(Enum):
    """What kind of answer a step takes; the value is the word for it in JSON."""

    SWITCH = "on or off"
    NUMBER = "number"
    TIME = "time"
    DATE = "date"
    TEXT = "text"
    CHOICE = "choice"
    YES = "yes or no"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Operation:
    """What an HMI has to write when somebody operates it.

    `main` must be written exactly once, with `value`. `released` wants FALSE after it.
    `others` are points that belong to it: each has to hold one of these values in the end,
    or any value where the tuple is empty.
    """

    main: str
    value: Value
    released: bool = False
    others: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    `id` is "LT_101:50%", the point and what is done with it. `puts` are the values that the
    map has during it, where they differ from those at rest; all times are nanoseconds.
    `expected` is what the screen has to show, in the point's unit, and `shown` the same in
    words. `choices` are numbers with their names. `operation` belongs to the answer DONE.
    """

    id: str
    point: str
    instruction: str
    answer: Answer
    expected: Value
    shown: str
    puts: Mapping[str, Value] = field(default_factory=dict)
    choices: Mapping[int, str] = field(default_factory=dict)
    operation: Operation | None = None
    place: str = ""
    description: str = ""

    @property
    def mark(self) -> str:
        """Tells this step from one of the same id in another version of the machine file."""
        parts = (self.place, self.answer.value, self.shown, sorted(self.puts.items()))
        return sha256(repr((*parts, self.operation)).encode()).hexdigest()[:12]
