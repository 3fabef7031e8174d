"""Sparkplug B payloads as bytes, through google.protobuf and a description of our own.

The message, its field numbers and the codes of data types are those that the Eclipse
Sparkplug 3.0 specification publishes (chapter 6, payloads). What this package never sends
(data sets, templates, files) is left out of the description; protobuf keeps such fields of
others' messages apart as unknown ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from softctl.errors import SoftctlError

_PACKAGE: Final = "softctl.sparkplug"

# name: (number, type, repeated); the types of the fields as protobuf calls them.
_MESSAGES: Final[Mapping[str, Mapping[str, tuple[int, str, bool]]]] = {
    "Payload": {
        "timestamp": (1, "uint64", False),
        "metrics": (2, "Metric", True),
        "seq": (3, "uint64", False),
        "uuid": (4, "string", False),
        "body": (5, "bytes", False),
    },
    "Metric": {
        "name": (1, "string", False),
        "alias": (2, "uint64", False),
        "timestamp": (3, "uint64", False),
        "datatype": (4, "uint32", False),
        "is_historical": (5, "bool", False),
        "is_transient": (6, "bool", False),
        "is_null": (7, "bool", False),
        "properties": (9, "PropertySet", False),
        "int_value": (10, "uint32", False),
        "long_value": (11, "uint64", False),
        "float_value": (12, "float", False),
        "double_value": (13, "double", False),
        "boolean_value": (14, "bool", False),
        "string_value": (15, "string", False),
        "bytes_value": (16, "bytes", False),
    },
    "PropertySet": {
        "keys": (1, "string", True),
        "values": (2, "PropertyValue", True),
    },
    "PropertyValue": {
        "type": (1, "uint32", False),
        "is_null": (2, "bool", False),
        "int_value": (3, "uint32", False),
        "long_value": (4, "uint64", False),
        "float_value": (5, "float", False),
        "double_value": (6, "double", False),
        "boolean_value": (7, "bool", False),
        "string_value": (8, "string", False),
    },
}


class DataType(IntEnum):
    """The codes of the basic data types."""

    UNKNOWN = 0
    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13
    TEXT = 14

    @property
    def field(self) -> str:
        """The field of a metric or property that holds a value of this type."""
        return _FIELDS[self]


_FIELDS: Final = {
    **dict.fromkeys(
        (
            DataType.INT8,
            DataType.INT16,
            DataType.INT32,
            DataType.UINT8,
            DataType.UINT16,
            DataType.UINT32,
        ),
        "int_value",
    ),
    **dict.fromkeys(
        (DataType.INT64, DataType.UINT64, DataType.DATETIME),
        "long_value",
    ),
    DataType.FLOAT: "float_value",
    DataType.DOUBLE: "double_value",
    DataType.BOOLEAN: "boolean_value",
    DataType.STRING: "string_value",
    DataType.TEXT: "string_value",
}
_SIGNED_BITS: Final = {
    DataType.INT8: 8,
    DataType.INT16: 16,
    DataType.INT32: 32,
    DataType.INT64: 64,
}

Value = bool | int | float | str | None
"""A metric's value; None for null."""


class Metric(NamedTuple):
    """One metric; None is left out.

    A birth gives name, type and alias, data only the alias: `type` is not told without a
    name. A named tuple, because a thousand of them may be made ten times a second.
    """

    type: DataType
    value: Value
    name: str = ""
    alias: int | None = None
    at_ms: int | None = None
    is_historical: bool = False
    properties: Mapping[str, tuple[DataType, Value]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Payload:
    """Metrics with the time at which they are sent; `seq` None is left out."""

    at_ms: int
    metrics: tuple[Metric, ...] = ()
    seq: int | None = None


def encode(payload: Payload) -> bytes:
    """The bytes of a payload; raises SoftctlError without the package protobuf."""
    message = _classes()["Payload"]()
    message.timestamp = payload.at_ms
    if payload.seq is not None:
        message.seq = payload.seq
    for metric in payload.metrics:
        _put_metric(message.metrics.add(), metric)
    data: bytes = message.SerializeToString()
    return data


def decode(data: bytes) -> Payload:
    """The payload in these bytes; raises ValueError for bytes that are none."""
    from google.protobuf.message import DecodeError

    message = _classes()["Payload"]()
    try:
        message.ParseFromString(data)
    except DecodeError as error:
        raise ValueError(f"expected a Sparkplug payload: {error}") from None
    seq = message.seq if message.HasField("seq") else None
    return Payload(message.timestamp, tuple(map(_metric, message.metrics)), seq)


def _put_metric(message: Any, metric: Metric) -> None:
    if metric.name:
        message.name = metric.name
        message.datatype = metric.type
    if metric.alias is not None:
        message.alias = metric.alias
    if metric.at_ms is not None:
        message.timestamp = metric.at_ms
    if metric.is_historical:
        message.is_historical = True
    _put_value(message, metric.type, metric.value)
    for key, (type_, value) in metric.properties.items():
        message.properties.keys.append(key)
        one = message.properties.values.add()
        one.type = type_
        _put_value(one, type_, value)


def _put_value(message: Any, type_: DataType, value: Value) -> None:
    if value is None:
        message.is_null = True
        return
    if type_ in _SIGNED_BITS:
        # A negative number travels as its two's complement, in the width of the field.
        assert isinstance(value, int)
        value &= 0xFFFF_FFFF_FFFF_FFFF if type_ is DataType.INT64 else 0xFFFF_FFFF
    setattr(message, type_.field, value)


def _metric(message: Any) -> Metric:
    """A metric that came. Data of one known by its alias need not tell its type."""
    return Metric(
        _type_of(message),
        _value_of(message),
        message.name,
        message.alias if message.HasField("alias") else None,
        message.timestamp if message.HasField("timestamp") else None,
        message.is_historical,
    )


def _type_of(message: Any) -> DataType:
    code = message.datatype
    return DataType(code) if code in list(DataType) else DataType.UNKNOWN


def _value_of(message: Any) -> Value:
    """The value in whichever field holds one."""
    type_ = _type_of(message)
    for name in dict.fromkeys(_FIELDS.values()):
        if message.HasField(name):
            value: Value = getattr(message, name)
            return signed(value, type_)
    return None


def signed(value: Value, type_: DataType) -> Value:
    """A whole number as its data type has it: of the fields, none knows a sign."""
    bits = _SIGNED_BITS.get(type_)
    if bits is None or not isinstance(value, int):
        return value
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


@cache
def _classes() -> Mapping[str, Any]:
    """The classes of the messages, in a pool of our own, so that no other package's
    description of the same messages is in the way."""
    try:
        from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
    except ImportError:
        raise SoftctlError(
            "expected the package protobuf for Sparkplug, got none: pip install '.[sparkplug]'"
        ) from None
    file = descriptor_pb2.FileDescriptorProto(
        name="softctl_sparkplug.proto", package=_PACKAGE, syntax="proto2"
    )
    for name, fields in _MESSAGES.items():
        _describe(file.message_type.add(name=name), fields.items())
    pool = descriptor_pool.DescriptorPool()
    pool.AddSerializedFile(file.SerializeToString())
    return {
        name: message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.{name}"))
        for name in _MESSAGES
    }


def _describe(message: Any, fields: Iterable[tuple[str, tuple[int, str, bool]]]) -> None:
    from google.protobuf.descriptor_pb2 import FieldDescriptorProto

    for name, (number, type_, is_repeated) in fields:
        added = message.field.add(name=name, number=number)
        added.label = (
            FieldDescriptorProto.LABEL_REPEATED
            if is_repeated
            else FieldDescriptorProto.LABEL_OPTIONAL
        )
        if type_ in _MESSAGES:
            added.type = FieldDescriptorProto.TYPE_MESSAGE
            added.type_name = f".{_PACKAGE}.{type_}"
        else:
            added.type = FieldDescriptorProto.Type.Value(f"TYPE_{type_.upper()}")
