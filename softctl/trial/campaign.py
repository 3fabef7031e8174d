"""Campaigns: many trials of one machine, each with its own draw of what happens.

A campaign's file says what is given, what has to hold throughout, and which events can
come when. A run is a trial made from that with one draw, so whatever a campaign finds is a
trial that can be kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random

from softctl.errors import Place, ProblemsError
from softctl.machine.document import Entry, Plain, describe, read_document
from softctl.machine.reader import in_file_order
from softctl.trial.draws import drawn
from softctl.trial.fields import FieldReader
from softctl.trial.names import Names
from softctl.trial.parse import Surroundings, TrialFile, read_trial
from softctl.trial.rows import VERBS
from softctl.values.units import parse_duration

_KEYS = ("text", "given", "throughout", "events", "duration")
EVENT_KEYS = ("at", "every", "chance")
WAITING = ("wait", "wait until", "expect", "compare", "sequence", "never", "always", "alarm")
_S = 1_000_000_000
_NUMBER = re.compile(r"\d+\.?\d*")
_MOST_EVENTS = 1_000


@dataclass(frozen=True, slots=True)
class Happening:
    """An event of one run: when, and the row that it is."""

    at_ns: int
    row: Entry


@dataclass(frozen=True, slots=True)
class Draw:
    """One run of a campaign before it is a trial: what was drawn."""

    campaign: str
    number: int
    given: Entry | None
    happenings: tuple[Happening, ...]
    duration_ns: int


class Campaign:
    """One campaign of a file."""

    def __init__(self, name: str, entry: Entry, place: Place, fields: FieldReader) -> None:
        self.name = name
        self.place = place
        self._fields = fields
        self._parts: Mapping[str, Entry] = fields.mapping(entry, "a campaign")
        if self._parts:
            fields.check_keys(entry, _KEYS, "a key of a campaign")
        self.text = fields.text(self._parts["text"]) if "text" in self._parts else ""
        self.duration_ns = 0
        if "duration" in self._parts:
            self.duration_ns = fields.duration(self._parts["duration"])
        elif self._parts:
            fields.complain(f"expected the key 'duration' in {name}, got none", place)
        events = self._parts.get("events")
        self._events = fields.items(events, "a list of events") if events else ()
        for event in self._events:
            self._check(event)

    def draw(self, number: int, seed: int, *, everything: bool = False) -> Draw:
        """What happens in the run of a number; the same for the same seed, whoever runs it.

        With `everything` each event comes, whatever its chance: for checks.
        """
        dice = Random(f"{seed} {self.name} {number}")
        complain = self._fields.complain
        given = self._parts.get("given")
        happenings = [
            happening
            for event in self._events
            for happening in self._happenings(event, dice, everything)
        ]
        happenings.sort(key=lambda one: one.at_ns)
        return Draw(
            self.name,
            number,
            drawn(given, dice, complain) if given is not None else None,
            tuple(happenings),
            self.duration_ns,
        )

    def trial(self, draw: Draw) -> Entry:
        """A draw as the text of a trial would have it."""
        place = self.place
        rows: list[Entry] = []
        now_ns = 0
        for happening in draw.happenings:
            if happening.at_ns > now_ns:
                rows.append(_mapping({"wait": _seconds(happening.at_ns - now_ns)}, place))
                now_ns = happening.at_ns
            rows.append(happening.row)
        if draw.duration_ns > now_ns:
            rows.append(_mapping({"wait": _seconds(draw.duration_ns - now_ns)}, place))
        text = f"Run {draw.number} of {self.name}: {self.text}".rstrip(": ")
        own = {"given": draw.given, "throughout": self._parts.get("throughout")}
        parts: dict[str, Entry] = {
            "text": Entry(text, place),
            **{key: part for key, part in own.items() if part is not None},
            "procedure": Entry(tuple(rows), place),
        }
        return Entry(parts, place, dict.fromkeys(parts, place))

    def _happenings(self, event: Entry, dice: Random, everything: bool) -> Iterator[Happening]:
        parts = event.value
        assert isinstance(parts, Mapping)
        chance = 1.0 if everything else self._chance(parts.get("chance"))
        if dice.random() >= chance:
            return
        for at_ns in self._times(parts, dice, everything):
            row = drawn(_without(event, EVENT_KEYS), dice, self._fields.complain)
            yield Happening(at_ns, row)

    def _times(self, parts: Mapping[str, Entry], dice: Random, everything: bool) -> Iterator[int]:
        if "every" not in parts:
            at = parts.get("at")
            yield 0 if at is None else self._time(at, dice)
            return
        at_ns, count = 0, 0
        while count < (1 if everything else _MOST_EVENTS):
            at_ns += max(self._time(parts["every"], dice), 1_000_000)
            if at_ns >= self.duration_ns and not everything:
                return
            yield at_ns
            count += 1

    def _time(self, entry: Entry, dice: Random) -> int:
        value = drawn(entry, dice, self._fields.complain)
        if value.value is None:
            return 0
        if not isinstance(value.value, str):
            return self._fields.duration(value)
        text = value.value
        found = self._fields.attempt(lambda: parse_duration(text), value.place)
        return max(found or 0, 0)

    def _chance(self, entry: Entry | None) -> float:
        if entry is None:
            return 1.0
        value = entry.value
        if isinstance(value, str) and value.strip().endswith("%"):
            text = value.strip()[:-1]
            value = float(text) / 100 if _NUMBER.fullmatch(text.strip()) else value
        if isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1:
            return float(value)
        message = f"expected a chance from 0 % to 100 %, got {describe(entry.value)}"
        self._fields.complain(message, entry.place)
        return 1.0

    def _check(self, event: Entry) -> None:
        fields = self._fields
        parts = fields.mapping(event, "an event such as {fault: LSH_101 stuck, at: 5 s}")
        waiting = [key for key in parts if key in WAITING]
        if waiting:
            known = ", ".join(key for key in VERBS if key not in WAITING)
            message = f"expected an event that does something ({known}), got {waiting[0]}"
            fields.complain(message, event.keys[waiting[0]])
        if "at" in parts and "every" in parts:
            fields.complain("expected 'at' or 'every', got both", event.keys["every"])
        self._chance(parts.get("chance"))


@dataclass(frozen=True, slots=True)
class CampaignFile:
    """The campaigns of one file, with what their conditions are made from."""

    file: str
    campaigns: tuple[Campaign, ...]
    fields: FieldReader
    around: Surroundings

    def trial_file(self, entry: Entry, name: str, place: Place) -> TrialFile:
        """A trial read from its parts; raises ProblemsError with everything that is wrong."""
        trial = read_trial(self.fields, self.around, name, entry, place)
        problems, self.fields.problems = self.fields.problems, []
        if problems:
            raise ProblemsError(problems)
        return TrialFile(self.file, (trial,), self.fields.names, self.fields.conditions)


def parse_campaigns(text: str, file: str, around: Surroundings) -> CampaignFile:
    """The campaigns of one file; raises ProblemsError with every error, in order of lines."""
    names = Names(around.machine, around.application, around.plant)
    fields = FieldReader(file, text, names, around.plant)
    try:
        document = read_document(text, file, fields.problems, "'about:' and 'campaigns:'")
    except ProblemsError as error:
        raise ProblemsError(in_file_order(error.problems, text)) from None
    fields.check_keys(document, ("about", "campaigns"), "a key of a file of campaigns")
    parts = fields.mapping(document, "a file of campaigns")
    entry = parts.get("campaigns")
    if entry is None:
        fields.complain("expected the key 'campaigns' in the file, got none", document.place)
    campaigns = () if entry is None else tuple(_campaigns(entry, fields))
    if not fields.problems:
        for campaign in campaigns:
            sample = campaign.trial(campaign.draw(0, 0, everything=True))
            read_trial(fields, around, campaign.name, sample, campaign.place)
    if fields.problems:
        raise ProblemsError(in_file_order(fields.problems, text))
    return CampaignFile(file, campaigns, fields, around)


def plain_trial(name: str, entry: Entry) -> dict[str, Plain]:
    """A trial as a document to be written."""
    return {"trials": {name: entry.plain()}}


def _campaigns(entry: Entry, fields: FieldReader) -> Iterator[Campaign]:
    for name, part in fields.mapping(entry, "campaigns by name").items():
        yield Campaign(name, part, entry.keys[name], fields)


def _without(entry: Entry, keys: Sequence[str]) -> Entry:
    assert isinstance(entry.value, Mapping)
    parts = {key: one for key, one in entry.value.items() if key not in keys}
    return replace(entry, value=parts)


def _mapping(parts: Mapping[str, str], place: Place) -> Entry:
    entries = {key: Entry(value, place) for key, value in parts.items()}
    return Entry(entries, place, dict.fromkeys(entries, place))


def _seconds(time_ns: int) -> str:
    return f"{time_ns / _S:.9g} s"
