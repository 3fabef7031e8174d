"""Payloads against the schema that the package sparkplug-b-packets brings, compiled by others."""

from __future__ import annotations

import math
from typing import Any

import pytest
from sparkplub_b_packets.core import sparkplug_b_pb2 as published

from softctl.machine import Point, Role
from softctl.mqtt import sparkplug_payload
from softctl.mqtt.sparkplug_metrics import data_type
from softctl.mqtt.sparkplug_payload import DataType, Metric, Payload, decode, encode
from softctl.values.texts import text_type
from softctl.values.types import ELEMENTARY_TYPES

NESTED = {
    "Payload": published.Payload,
    "Metric": published.Payload.Metric,
    "PropertySet": published.Payload.PropertySet,
    "PropertyValue": published.Payload.PropertyValue,
}
ROWS = [
    (message, name) for message, fields in sparkplug_payload._MESSAGES.items() for name in fields
]


@pytest.mark.parametrize(("message", "name"), ROWS, ids="-".join)
def test_a_field_is_as_published(message: str, name: str) -> None:
    """Number, type and repetition are those of the published schema."""
    ours = sparkplug_payload._classes()[message].DESCRIPTOR.fields_by_name[name]
    theirs = NESTED[message].DESCRIPTOR.fields_by_name[name]
    assert (ours.number, ours.type, ours.is_repeated) == (
        theirs.number,
        theirs.type,
        theirs.is_repeated,
    )


@pytest.mark.parametrize("type_", DataType)
def test_a_code_of_a_data_type_is_as_published(type_: DataType) -> None:
    """The published enumeration has the same name with the same number."""
    codes = {name.upper(): code for name, code in published.DataType.items()}
    assert codes[type_.name] == type_


VALUES = [
    (DataType.INT8, -128, "int_value", 0xFFFF_FF80),
    (DataType.INT16, -3, "int_value", 0xFFFF_FFFD),
    (DataType.INT32, -(2**31), "int_value", 2**31),
    (DataType.INT64, -1, "long_value", 2**64 - 1),
    (DataType.UINT8, 255, "int_value", 255),
    (DataType.UINT16, 65_535, "int_value", 65_535),
    (DataType.UINT32, 2**32 - 1, "int_value", 2**32 - 1),
    (DataType.UINT64, 2**64 - 1, "long_value", 2**64 - 1),
    (DataType.FLOAT, 0.25, "float_value", 0.25),
    (DataType.FLOAT, math.inf, "float_value", math.inf),
    (DataType.DOUBLE, 0.1, "double_value", 0.1),
    (DataType.BOOLEAN, False, "boolean_value", False),
    (DataType.STRING, "Süd °C", "string_value", "Süd °C"),
    (DataType.DATETIME, 1_764_000_000_000, "long_value", 1_764_000_000_000),
]


@pytest.mark.parametrize(("type_", "value", "field", "wire"), VALUES)
def test_a_value_is_where_others_look_for_it(
    type_: DataType, value: Any, field: str, wire: Any
) -> None:
    """Another decoder finds it in its field; our own gives it back with its sign."""
    data = encode(Payload(7, (Metric(type_, value, "x", 3, 6),), 5))
    read = published.Payload()
    read.ParseFromString(data)
    (metric,) = read.metrics
    assert (read.timestamp, read.seq) == (7, 5)
    assert (metric.name, metric.alias, metric.timestamp) == ("x", 3, 6)
    assert metric.WhichOneof("value") == field
    assert getattr(metric, field) == wire
    assert decode(data) == Payload(7, (Metric(type_, value, "x", 3, 6),), 5)


def test_no_value_is_null() -> None:
    """is_null says so, and no field holds one."""
    read = published.Payload()
    read.ParseFromString(encode(Payload(1, (Metric(DataType.FLOAT, None, "x"),))))
    assert read.metrics[0].is_null
    assert read.metrics[0].WhichOneof("value") is None


def test_what_others_may_send_is_read_over() -> None:
    """Fields that we do not know, such as a data set, do not keep the rest from being read."""
    theirs = published.Payload(timestamp=1, seq=2, uuid="u", body=b"x")
    theirs.metrics.add(name="table", datatype=published.DataSet).dataset_value.num_of_columns = 2
    theirs.metrics.add(name="n", datatype=published.Int8, int_value=0xFF)
    theirs.metrics.add(name="odd", datatype=99, int_value=1)
    found = decode(theirs.SerializeToString())
    assert [(one.name, one.value) for one in found.metrics] == [
        ("table", None),
        ("n", -1),
        ("odd", 1),
    ]


def test_what_is_no_payload_is_refused() -> None:
    """A clear ValueError."""
    with pytest.raises(ValueError, match="expected a Sparkplug payload"):
        decode(b"\xff\xff\xff\xff")


@pytest.mark.parametrize("name", [name for name, t in ELEMENTARY_TYPES.items() if t.bits])
def test_every_type_of_a_point_has_a_metric(name: str) -> None:
    """Numbers keep width and sign."""
    type_ = ELEMENTARY_TYPES[name]
    found = data_type(type_)
    if type_.is_integer:
        sign = "U" if type_.low == 0 else ""
        assert found.name == f"{sign}INT{type_.bits}"
    assert found is not DataType.UNKNOWN


def test_a_text_is_a_string() -> None:
    """Whatever its length."""
    point = Point("T", Role.STATE, text_type("STRING", 8), None)  # type: ignore[arg-type]
    assert data_type(point.type) is DataType.STRING
