"""What a machine file says, checked and frozen.

Quantities are SI floats except the limits and values of points, which are in the point's
own unit; durations are integer nanoseconds; addresses are zero-based wire addresses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from softctl.alarms import AlarmRule
from softctl.errors import Place
from softctl.values.registers import WordOrder
from softctl.values.tables import Table
from softctl.values.types import ElementaryType, Kind

Number = bool | int | float
Value = Number | str


class Role(Enum):
    """What a point is for, seen from the program."""

    INPUT = "input"
    OUTPUT = "output"
    COMMAND = "command"
    SETPOINT = "setpoint"
    STATE = "state"
    STEP = "step"
    ALARM = "alarm"
    SYSTEM = "system"

    @property
    def is_written_by_hmi(self) -> bool:
        """True for what an operator may write."""
        return self in (Role.COMMAND, Role.SETPOINT)


class CardKind(Enum):
    """The four kinds of cards; the value is the word used in machine files."""

    DIGITAL_INPUT = "digital input"
    DIGITAL_OUTPUT = "digital output"
    ANALOG_INPUT = "analog input"
    ANALOG_OUTPUT = "analog output"

    @property
    def is_digital(self) -> bool:
        """True for channels of one bit."""
        return self in (CardKind.DIGITAL_INPUT, CardKind.DIGITAL_OUTPUT)

    @property
    def is_input(self) -> bool:
        """True for channels that the controller reads."""
        return self in (CardKind.DIGITAL_INPUT, CardKind.ANALOG_INPUT)

    @property
    def table(self) -> Table:
        """The table of the field server that holds the card's channels."""
        if self.is_digital:
            return Table.DISCRETE_INPUTS if self.is_input else Table.COILS
        return Table.INPUT_REGISTERS if self.is_input else Table.HOLDING_REGISTERS


@dataclass(frozen=True, slots=True)
class Address:
    """A place in one server's tables: `count` registers, or one bit, from `address` on.

    `bit` is the number of a bit inside one register (0 is the least significant one) for
    a BOOL that shares the register with others, and None otherwise.
    """

    table: Table
    address: int
    count: int = 1
    bit: int | None = None

    @property
    def end(self) -> int:
        """The first address after it."""
        return self.address + self.count


@dataclass(frozen=True, slots=True)
class Scalar:
    """A value of the file as it was written, with its position.

    `value` is text, a number, a truth value or None; a YAML list is a tuple of scalars
    and a YAML mapping a mapping of names to scalars.
    """

    value: str | int | float | bool | tuple[Scalar, ...] | Mapping[str, Scalar] | None
    place: Place


@dataclass(frozen=True, slots=True)
class Equipment:
    """A piece of equipment; its parameters are checked by the plant, which knows its type."""

    name: str
    type: str
    parameters: Mapping[str, Scalar]
    place: Place
    type_place: Place


@dataclass(frozen=True, slots=True)
class PlannedFault:
    """Something that is to break; what a type of equipment offers is the plant's to check."""

    equipment: Scalar
    fault: Scalar
    at_ns: int
    for_ns: int | None
    ramp_ns: int
    size: Scalar | None


@dataclass(frozen=True, slots=True)
class Card:
    """A group of channels with a range of addresses, the first of which is `first`.

    `raw` holds the counts at the ends of an analog range (signed 16 bit). `unit` is the unit
    id it answers at: the cards of one unit share its four tables. `filter_ns` is how long a
    change of a digital input has to hold until it shows.
    """

    name: str
    kind: CardKind
    channels: int
    order_code: str
    description: str
    first: int
    raw: tuple[int, int]
    place: Place
    unit: int
    filter_ns: int = 0

    @property
    def table(self) -> Table:
        """The table of the field server that holds the card's channels."""
        return self.kind.table


@dataclass(frozen=True, slots=True)
class Scale:
    """A real value on the HMI map as counts: `raw` stands for the two ends of its range."""

    type: ElementaryType
    raw: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Point:
    """One named signal or value.

    `low`, `high`, `initial` and `fail_safe` are values of `type` in `unit`; a TIME's are
    nanoseconds. SI = value * si_scale + si_offset. `inverted` means that the point is
    TRUE when its contact is open. `terminal` names the plant's side, such as
    `T_101.level`, and `source` a program's variable. `word_order` is its own order on the
    HMI map, None for the server's; `scale` makes it counts there, and `in_register` names
    the register in which it is one bit among others. `refresh_ns` is how often an HMI has to
    read it, None for the server's.
    """

    name: str
    role: Role
    type: ElementaryType
    place: Place
    description: str = ""
    unit: str = ""
    low: Number | None = None
    high: Number | None = None
    initial: Value = False
    fail_safe: Value | None = None
    inverted: bool = False
    hold: bool = False
    source: str = ""
    chart: str = ""
    card: str = ""
    channel: int | None = None
    terminal: str = ""
    terminal_place: Place | None = None
    raw: tuple[int, int] | None = None
    si_scale: float = 1.0
    si_offset: float = 0.0
    field: Address | None = None
    hmi: Address | None = None
    word_order: WordOrder | None = None
    scale: Scale | None = None
    in_register: str = ""
    refresh_ns: int | None = None

    @property
    def hmi_type(self) -> ElementaryType:
        """The type that its registers on the HMI map hold."""
        return self.type if self.scale is None else self.scale.type

    @property
    def safe_value(self) -> Value:
        """An output's declared fail-safe value; the loader gives every output one."""
        assert self.fail_safe is not None, f"{self.name} is no output"
        return self.fail_safe


@dataclass(frozen=True, slots=True)
class Rights:
    """The names of the points that a role may read and write at one server."""

    read: frozenset[str] = frozenset()
    write: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class KeyFiles:
    """The files of a certificate and its private key, relative to the machine's folder."""

    certificate: Scalar
    key: Scalar


@dataclass(frozen=True, slots=True)
class Security:
    """Modbus/TCP Security of one server: its own files, whom it trusts, who may do what.

    `no_role` holds for a client whose certificate has no role. `controller` holds the
    files that the controller shows to the field, `controller_role` the role in them
    (empty for none), and `server_name` the name in the field's certificate where it is
    not the host; all three are the field's alone.
    """

    own: KeyFiles
    authority: Scalar
    roles: Mapping[str, Rights]
    no_role: Rights
    place: Place
    controller: KeyFiles | None = None
    controller_role: str = ""
    server_name: str = ""


class UnknownUnit(Enum):
    """What a request to a unit id that nobody has is answered with."""

    EXCEPTION = "exception"
    SILENCE = "silence"


class Overrun(Enum):
    """What a controller does when a scan is not done at the next one's planned instant."""

    SKIP = "skip"
    STRETCH = "stretch"
    STOP = "stop"


class WhenFull(Enum):
    """What happens to a connection beyond the limit."""

    CLOSE_OLDEST = "close oldest"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Connections:
    """Who may connect to a server, how many, and for how long without a request.

    `idle_ns` None is for ever. `allow` and `read_only` are networks or single addresses;
    an empty `allow` is everybody, and clients of `read_only` may change nothing.
    """

    limit: int = 256
    when_full: WhenFull = WhenFull.CLOSE_OLDEST
    idle_ns: int | None = None
    allow: tuple[str, ...] = ()
    read_only: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Identification:
    """What a server says about itself when asked (function 43/14); empty for the default."""

    vendor: str = ""
    product_code: str = ""
    revision: str = ""
    vendor_url: str = ""
    product_name: str = ""
    model_name: str = ""
    application_name: str = ""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where a Modbus/TCP server listens, and how it orders the registers of wide values.

    `security` None is Modbus/TCP in the clear, `refresh_ns` None asks an HMI for nothing.
    """

    host: str
    port: int
    unit: int
    word_order: WordOrder
    security: Security | None = None
    unknown_unit: UnknownUnit = UnknownUnit.EXCEPTION
    connections: Connections = Connections()
    identification: Identification = Identification()
    refresh_ns: int | None = None


@dataclass(frozen=True, slots=True)
class WatchedAlarm:
    """An alarm with its conditions, which are ST expressions.

    `raised` brings it, `stays` keeps it then (None: as long as `raised`), and while
    `suppressed` holds it is not announced (None: never).
    """

    rule: AlarmRule
    raised: Scalar
    stays: Scalar | None
    suppressed: Scalar | None
    place: Place


@dataclass(frozen=True, slots=True)
class WatchedGuard:
    """What must not be: `condition`, or `condition` for `within_ns` without `expected`."""

    name: str
    text: str
    condition: Scalar
    expected: Scalar | None
    within_ns: int
    place: Place


class MqttVersion(Enum):
    """The versions of MQTT; the value is the word used in machine files."""

    V311 = "3.1.1"
    V5 = "5"


class MqttLayout(Enum):
    """Whether each point has a JSON topic of its own, or all that changed share one."""

    SINGLE = "single"
    TOGETHER = "together"


@dataclass(frozen=True, slots=True)
class MqttBroker:
    """Where the broker is, and how to get in; all files are relative to the machine's folder.

    `client_id` and `user` are empty for none. `own` is the client's certificate, `authority`
    whoever signed the broker's (None: whom the system trusts). The password stands in a file
    or in an environment variable, never in the machine file.
    """

    host: str
    port: int
    version: MqttVersion = MqttVersion.V311
    client_id: str = ""
    user: str = ""
    password_file: Scalar | None = None
    password_env: str = ""
    has_tls: bool = False
    authority: Scalar | None = None
    own: KeyFiles | None = None


@dataclass(frozen=True, slots=True)
class SparkplugNames:
    """The elements of Sparkplug topics; `primary_host` is empty where none is waited for."""

    group: str
    node: str
    device: str
    primary_host: str = ""


@dataclass(frozen=True, slots=True)
class MqttWrites:
    """The names of the points that may be written from MQTT, and in which role."""

    allow: frozenset[str]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Mqtt:
    """What a broker gets of a machine: `points` by name, in the file's order.

    `json_topic` is empty where no plain JSON is published, `sparkplug` None where no
    Sparkplug is. `deadband` is a share of a point's range. `queue` is how many values and
    events are kept while the broker is away; `writes` None allows none.
    """

    broker: MqttBroker
    points: tuple[str, ...]
    interval_ns: int
    deadband: float
    statistics_ns: int
    queue: int
    json_topic: str
    json_layout: MqttLayout
    sparkplug: SparkplugNames | None
    writes: MqttWrites | None
    place: Place


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine file in full; mappings keep the file's order, system points come first."""

    name: str
    title: str
    description: str
    species: tuple[str, ...]
    scan_ns: int
    fail_safe_after_ns: int
    overrun: Overrun
    watchdog_ns: int | None
    plant_step_ns: int
    seed: int
    density_rise: Mapping[str, float]
    field: Endpoint
    hmi: Endpoint
    drives: tuple[str, ...]
    programs: tuple[Scalar, ...]
    cards: Mapping[str, Card]
    equipment: Mapping[str, Equipment]
    points: Mapping[str, Point]
    faults: tuple[PlannedFault, ...]
    alarms: Mapping[str, WatchedAlarm]
    guards: Mapping[str, WatchedGuard]
    mqtt: Mqtt | None
    file: str

    @property
    def field_units(self) -> tuple[int, ...]:
        """The unit ids of the field server: its own, then those of its cards."""
        others = (card.unit for card in self.cards.values())
        return tuple(dict.fromkeys((self.field.unit, *others)))

    def field_unit(self, point: Point) -> int:
        """The unit id at which the field server has a point."""
        card = self.cards.get(point.card)
        return self.field.unit if card is None else card.unit

    def hmi_order(self, point: Point) -> WordOrder:
        """The order of a point's registers on the HMI map.

        Texts are high byte first unless the point itself says otherwise: the server's
        order is one of numbers.
        """
        if point.word_order is not None:
            return point.word_order
        return WordOrder.ABCD if point.type.kind is Kind.STRING else self.hmi.word_order

    def refresh_ns(self, point: Point) -> int | None:
        """How often an HMI has to read a point at least, None for as it likes."""
        return self.hmi.refresh_ns if point.refresh_ns is None else point.refresh_ns
