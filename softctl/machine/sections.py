"""The sections of a machine file as pydantic models, and the file's JSON Schema.

The parser validates section by section, so that one mistake hides no other; the model of
the whole file exists for the schema and for the names of its keys.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import ConfigDict, Field

from softctl.alarms import Ending, Priority
from softctl.machine.fields import (
    SCHEMA_DIALECT,
    AnyValue,
    Bit,
    CardKindWord,
    Checked,
    Contact,
    CountType,
    Host,
    Identifier,
    Names,
    Network,
    Order,
    Pair,
    Port,
    Program,
    RegisterType,
    ShortText,
    Text,
    Truth,
    Unit,
    WireAddress,
    choice,
    duration,
    refuse,
    shares,
    whole,
)
from softctl.machine.model import Overrun, Role, UnknownUnit, WhenFull
from softctl.machine.mqtt_section import MqttSection
from softctl.machine.section import Section
from softctl.values.registers import WordOrder
from softctl.values.scaling import INT_LIMITS

COUNTS_LIMITS = INT_LIMITS
DEFAULT_COUNTS = (4_000, 20_000)
"""Microamperes at the ends of a 4–20 mA signal."""


def _ends(low: int, high: int, expected: str) -> Checked:
    """The check of the counts at the two ends of a range."""

    def check(value: object) -> object:
        if isinstance(value, list) and len(value) == 2 and value[0] != value[1]:
            whole_numbers = [v for v in value if isinstance(v, int) and not isinstance(v, bool)]
            if len(whole_numbers) == 2 and all(low <= v <= high for v in whole_numbers):
                return tuple(value)
        return refuse(expected, value)

    item = {"type": "integer", "minimum": low, "maximum": high}
    return Checked(check, {"type": "array", "items": item, "minItems": 2, "maxItems": 2})


Counts = Annotated[
    tuple[int, int],
    _ends(*COUNTS_LIMITS, "two different whole numbers from {} to {}".format(*COUNTS_LIMITS)),
]
Ends = Annotated[
    tuple[int, int], _ends(-(2**63), 2**64 - 1, "two different whole numbers such as [0, 1000]")
]


UnitId = Annotated[int, whole(0, 255)]
Refresh = Annotated[int, duration("10 ms", "3600 s")]


class ControlSection(Section):
    """The controller's periods."""

    scan: Annotated[int, duration("1 ms", "10 s")] = Field(
        default=50_000_000, description="period of the scan"
    )
    fail_safe_after: Annotated[int, duration("1 ms", "600 s")] = Field(
        default=500_000_000, description="time without the field link until outputs are fail-safe"
    )
    overrun: Annotated[Overrun, choice(Overrun)] = Field(
        default=Overrun.SKIP, description="what happens when a scan is not done in its period"
    )
    watchdog: Annotated[int, duration("1 ms", "600 s")] | None = Field(
        default=None, description="wall time after which a scan that hangs is a fault"
    )


class PlantSection(Section):
    """The simulated plant."""

    step: Annotated[int, duration("100 us", "1 s")] = Field(
        default=10_000_000, description="fixed step of the physics"
    )
    seed: Annotated[int, whole(0, 2**63 - 1)] = Field(
        default=1, description="seed of everything drawn at random"
    )
    density_rise: Annotated[dict[str, float], shares(-1, 1)] = Field(
        default={},
        description="by how much 1 kg/m3 of a species raises the density of water, in kg/m3",
    )


class RightsSection(Section):
    """What a role may do: `all`, kinds of points, groups of points or single points."""

    read: Names = Field(default=(), description="what it may read")
    write: Names = Field(default=(), description="what it may write")


class ControllerSection(Section):
    """What the controller shows to a field that speaks Modbus/TCP Security."""

    role: Text | None = Field(default=None, description="the role in its certificate")
    certificate: Text = Field(description="PEM file of its certificate")
    key: Text = Field(description="PEM file of its private key")


class TlsSection(Section):
    """Modbus/TCP Security: TLS with certificates on both sides, and roles."""

    certificate: Text = Field(description="PEM file of the server's certificate")
    key: Text = Field(description="PEM file of its private key")
    authority: Text = Field(description="PEM file of whoever signed the clients' certificates")
    groups: dict[str, Names] = Field(default={}, description="names for groups of points")
    roles: dict[str, RightsSection] = Field(default={}, description="what each role may do")
    no_role: RightsSection = Field(
        default=RightsSection(), description="what a client may do whose certificate has no role"
    )


class FieldTlsSection(TlsSection):
    """The same at the field, with what the controller needs to be its client."""

    server_name: Host | None = Field(
        default=None, description="name in the server's certificate, if not the host"
    )
    controller: ControllerSection | None = Field(
        default=None, description="what the controller shows to the field"
    )


class ConnectionsSection(Section):
    """Who may connect to a server."""

    limit: Annotated[int, whole(1, 10_000)] = Field(
        default=256, description="most clients at a time"
    )
    when_full: Annotated[WhenFull, choice(WhenFull)] = Field(
        default=WhenFull.CLOSE_OLDEST,
        description="what happens at one client more: the longest idle one goes, or it is refused",
    )
    idle: Annotated[int, duration("1 s", "86400 s")] | None = Field(
        default=None, description="closes a connection after so long without a request"
    )
    allow: list[Network] = Field(default=[], description="who may connect; else everybody")
    read_only: list[Network] = Field(default=[], description="who may change nothing")


class IdentificationSection(Section):
    """What a server says about itself (function 43/14)."""

    vendor: ShortText | None = Field(default=None, description="object 0; else softctl")
    product_code: ShortText | None = Field(default=None, description="object 1; else the name")
    revision: ShortText | None = Field(default=None, description="object 2; else softctl's")
    vendor_url: ShortText | None = Field(default=None, description="object 3")
    product_name: ShortText | None = Field(default=None, description="object 4; else the title")
    model_name: ShortText | None = Field(default=None, description="object 5")
    application_name: ShortText | None = Field(
        default=None, description="object 6; else which server it is"
    )


class EndpointSection(Section):
    """A Modbus/TCP server."""

    host: Host = Field(default="127.0.0.1", description="address to listen at or connect to")
    port: Port = Field(description="TCP port; 0 takes a free one")
    unit: UnitId = Field(default=1, description="unit identifier")
    word_order: Order = Field(
        default=WordOrder.ABCD, description="order of the bytes of values wider than a register"
    )
    unknown_unit: Annotated[UnknownUnit, choice(UnknownUnit)] = Field(
        default=UnknownUnit.EXCEPTION,
        description="answer to a unit identifier that nobody has: exception 0B, or silence",
    )
    connections: ConnectionsSection = Field(
        default=ConnectionsSection(), description="who may connect"
    )
    identification: IdentificationSection = Field(
        default=IdentificationSection(), description="what it says about itself"
    )


class FieldServerSection(EndpointSection):
    """The server of the I/O cards."""

    tls: FieldTlsSection | None = Field(default=None, description="Modbus/TCP Security")


class HmiServerSection(EndpointSection):
    """The server of the controller."""

    refresh: Refresh | None = Field(
        default=None, description="how often an HMI has to read each point that says nothing else"
    )
    tls: TlsSection | None = Field(default=None, description="Modbus/TCP Security")


class CardSection(Section):
    """A group of channels."""

    kind: CardKindWord = Field(description="what its channels are")
    channels: Annotated[int, whole(1, 1_024)] = Field(
        description="number of channels, counted from 0"
    )
    order_code: Text = Field(default="", description="order code to match against what is built")
    description: Text = Field(default="", description="what the card is for")
    address: WireAddress | None = Field(
        default=None, description="pins the wire address of channel 0"
    )
    raw: Counts | None = Field(default=None, description="counts at the ends of an analog range")
    filter: Annotated[int, duration("0 s", "10 s")] = Field(
        default=0, description="time that a change of a digital input has to hold"
    )
    unit: UnitId | None = Field(
        default=None, description="unit identifier it answers at; else the field server's"
    )


class ScaleSection(Section):
    """Counts on the HMI map in the place of a real value."""

    type: CountType = Field(description="whole-number type of the counts")
    raw: Ends = Field(description="counts at the ends of the point's range")


_HMI_ADDRESS = Field(default=None, description="pins its HMI wire address")
_WORD_ORDER = Field(default=None, description="its own order; else the HMI server's")
_SCALE = Field(default=None, description="shows a real value as counts")
_IN_REGISTER = Field(default=None, description="names the register in which it is one bit")
_BIT = Field(default=None, description="pins its bit of that register, 0 the least significant")
_REFRESH = Field(default=None, description="how often an HMI has to read it; else the HMI server's")


class FieldPointSection(Section):
    """A point wired to a channel of a card."""

    description: Text = Field(
        default="", description="what the point means when it is TRUE or high"
    )
    card: Text = Field(description="the card it is wired to")
    channel: Annotated[int, whole(0, 1_023)] | None = Field(
        default=None, description="pins its channel, from 0"
    )
    role: Annotated[Role, choice(Role, Role.INPUT, Role.OUTPUT)] | None = Field(
        default=None, description="follows from the card"
    )
    wired: Text = Field(default="", description="the plant's side, EQUIPMENT.TERMINAL")
    true_when: Contact | None = Field(
        default=None, description="state of a digital input's contact in which the point is TRUE"
    )
    fail_safe: AnyValue | None = Field(
        default=None, description="an output's value without the link"
    )
    unit: Unit | None = Field(default=None, description="unit of an analog value")
    range: Pair | None = Field(default=None, description="analog values at the ends of the counts")
    hmi: Truth = Field(default=True, description="whether the HMI sees it")
    hmi_address: WireAddress | None = _HMI_ADDRESS
    word_order: Order | None = _WORD_ORDER
    scale: ScaleSection | None = _SCALE
    in_register: Identifier | None = _IN_REGISTER
    bit: Bit | None = _BIT
    refresh: Refresh | None = _REFRESH


class CommandSection(Section):
    """A BOOL that an operator sets."""

    role: Annotated[Role, choice(Role, Role.COMMAND)]
    description: Text = Field(default="", description="what it asks for")
    hold: Truth = Field(default=False, description="keeps it set; else one scan sees it")
    hmi_address: WireAddress | None = _HMI_ADDRESS
    in_register: Identifier | None = _IN_REGISTER
    bit: Bit | None = _BIT
    refresh: Refresh | None = _REFRESH


class SetpointSection(Section):
    """A value that an operator sets."""

    role: Annotated[Role, choice(Role, Role.SETPOINT)]
    description: Text = Field(default="", description="what it sets")
    type: RegisterType = Field(description="elementary type")
    unit: Unit | None = Field(default=None, description="unit of a number")
    initial: AnyValue | None = Field(default=None, description="value at the start")
    range: Pair | None = Field(default=None, description="least and greatest value")
    hmi_address: WireAddress | None = _HMI_ADDRESS
    word_order: Order | None = _WORD_ORDER
    scale: ScaleSection | None = _SCALE
    in_register: Identifier | None = _IN_REGISTER
    bit: Bit | None = _BIT
    refresh: Refresh | None = _REFRESH


class StateSection(Section):
    """A value of the program that the HMI shows."""

    role: Annotated[Role, choice(Role, Role.STATE)]
    description: Text = Field(default="", description="what it shows")
    type: RegisterType = Field(description="elementary type")
    unit: Unit | None = Field(default=None, description="unit of a number")
    source: Text = Field(default="", description="path of a variable of a program; else its own")
    initial: AnyValue | None = Field(default=None, description="value at the start")
    range: Pair | None = Field(default=None, description="values at the ends, for the HMI")
    hmi_address: WireAddress | None = _HMI_ADDRESS
    word_order: Order | None = _WORD_ORDER
    scale: ScaleSection | None = _SCALE
    in_register: Identifier | None = _IN_REGISTER
    bit: Bit | None = _BIT
    refresh: Refresh | None = _REFRESH


class StepSection(Section):
    """The active step of a chart, as its index in the order of declaration."""

    role: Annotated[Role, choice(Role, Role.STEP)]
    description: Text = Field(default="", description="what the chart does")
    chart: Text = Field(description="name of the program that holds the chart")
    hmi_address: WireAddress | None = _HMI_ADDRESS
    refresh: Refresh | None = _REFRESH


class EquipmentSection(Section):
    """A piece of equipment; the keys besides its type are its block's."""

    model_config = ConfigDict(extra="allow")

    type: Text = Field(description="the block that simulates it")


class FaultSection(Section):
    """Something that breaks in the plant."""

    equipment: Text = Field(description="its name, or '*' for all that can have the fault")
    fault: Text = Field(description="one of those that its type offers")
    at: Annotated[int, duration("0 s", "100000000 s")] = Field(default=0, description="when")
    for_: Annotated[int, duration("1 us", "100000000 s")] | None = Field(
        default=None, alias="for", description="how long; for good without it"
    )
    ramp: Annotated[int, duration("0 s", "100000000 s")] = Field(
        default=0, description="how long it takes to grow to its size"
    )
    size: AnyValue = Field(default=None, description="how large, with its unit")


class AlarmSection(Section):
    """An alarm: a condition or a limit of a point, and how it is announced."""

    text: Text = Field(default="", description="what an operator reads")
    when: Text | None = Field(default=None, description="ST expression that raises it")
    point: Identifier | None = Field(default=None, description="the point whose limit it is")
    above: AnyValue | None = Field(default=None, description="raised while the point is above")
    below: AnyValue | None = Field(default=None, description="raised while the point is below")
    deadband: AnyValue | None = Field(
        default=None, description="how far the point has to come back to clear it"
    )
    on_delay: Annotated[int, duration("0 ms", "86400 s")] = Field(
        default=0, description="how long the condition has to hold without a break"
    )
    off_delay: Annotated[int, duration("0 ms", "86400 s")] = Field(
        default=0, description="how long it has to be gone without a break"
    )
    priority: Annotated[Priority, choice(Priority)] = Field(
        default=Priority.LOW, description="how soon somebody has to respond"
    )
    ending: Annotated[Ending, choice(Ending)] = Field(
        default=Ending.NONE, description="what it needs after its acknowledgement to be normal"
    )
    group: Text = Field(default="", description="alarms among which the first one out is kept")
    suppressed_when: Text | None = Field(
        default=None, description="ST expression during which it is not announced"
    )
    cause: Text = Field(default="", description="what may be wrong")
    consequence: Text = Field(default="", description="what happens if nobody responds")
    response: Text = Field(default="", description="what the operator does")


class GuardSection(Section):
    """A condition that must never be, or an answer that must come in time."""

    text: Text = Field(default="", description="what it protects")
    never: Text | None = Field(default=None, description="ST expression that must stay FALSE")
    within: Annotated[int, duration("1 ms", "86400 s")] | None = Field(
        default=None, description="how long `of` may hold before `expect` does"
    )
    of: Text | None = Field(default=None, description="ST expression that starts the time")
    expect: Text | None = Field(default=None, description="ST expression that has to follow")


PointSection = FieldPointSection | CommandSection | SetpointSection | StateSection | StepSection


class HeadSection(Section):
    """The plain keys at the top of a machine file."""

    name: Identifier = Field(description="short name, as an identifier")
    title: Text = Field(default="", description="one line")
    description: Text = Field(default="", description="what the machine does")
    species: list[Text] = Field(default=[], description="substances that the plant accounts for")
    drives: list[Host] = Field(default=[], description="hosts besides loopback that may be driven")
    programs: list[Program] = Field(min_length=1, description="the .st files of the controller")


class MachineFile(HeadSection):
    """A machine: signals, cards, equipment, servers and programs."""

    model_config = ConfigDict(defer_build=True)

    control: ControlSection = ControlSection()
    plant: PlantSection = PlantSection()
    field: FieldServerSection = FieldServerSection(port=15_020)
    hmi: HmiServerSection = HmiServerSection(port=15_021)
    cards: dict[str, CardSection] = Field(default={}, description="groups of channels")
    equipment: dict[str, EquipmentSection] = Field(default={}, description="the plant")
    points: dict[str, PointSection] = Field(default={}, description="named signals and values")
    faults: list[FaultSection] = Field(default=[], description="what breaks, and when")
    alarms: dict[str, AlarmSection] = Field(default={}, description="what is announced")
    guards: dict[str, GuardSection] = Field(default={}, description="what must never be")
    mqtt: MqttSection | None = Field(default=None, description="what an MQTT broker gets")


def machine_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a machine file, for editors.

    It knows the words and shapes of the file; ranges of quantities, addresses and names
    that refer to one another are beyond it and are checked by `parse_machine`.
    """
    schema = MachineFile.model_json_schema()
    return {"$schema": SCHEMA_DIALECT, **schema}
