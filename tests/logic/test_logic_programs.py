"""Programs as they are written for real machines, each with its script of stimuli."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from softctl.logic import Source, compile_application
from softctl.logic.literals import parse_duration

PROGRAMS = sorted(Path(__file__).with_name("programs").glob("*.st"))
MS = 1_000_000
PERIOD_MS = 10
_LINE = re.compile(r"^//! *(\d+): *(.*?) *-> *(.*)$", re.MULTILINE)
_PAIR = re.compile(r"([-\w.\[\],%]+)=('[^']*'|[^\s;]+)")


def _value(text):
    if text in ("TRUE", "FALSE"):
        return text == "TRUE"
    if text.startswith("T#"):
        return parse_duration(text[2:])
    if text[0] == "'":
        return text[1:-1]
    try:
        return int(text, 0)
    except ValueError:
        return float(text)


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.stem)
def test_programs_do_what_their_scripts_say(path):
    """Each `//! ms: inputs -> outputs` holds, scanning every 10 ms on the way."""
    text = path.read_text("utf-8")
    application = compile_application([Source(path.name, text)])
    instance = application.instantiate()
    prefix = application.programs[0]
    at, lines = 0, _LINE.findall(text)
    assert lines
    for when, stimuli, expected in lines:
        while at < int(when):
            instance.scan(at * MS)
            at += PERIOD_MS
        for name, value in _PAIR.findall(stimuli):
            instance.write(_path(prefix, name), _value(value))
        instance.scan(at * MS)
        for name, value in _PAIR.findall(expected):
            got, wanted = instance.read(_path(prefix, name)), _value(value)
            assert got == (pytest.approx(wanted) if isinstance(wanted, float) else wanted), (
                f"{name} at {when} ms"
            )
        at += PERIOD_MS


def _path(prefix, name):
    return name if name[0] == "%" or name.startswith("g_") else f"{prefix}.{name}"


def test_there_are_programs_of_every_kind():
    """The set is broad, and no program needs more than warnings."""
    assert len(PROGRAMS) >= 55
