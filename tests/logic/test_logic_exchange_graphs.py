"""Charts in exchanged documents, walked from connection point to connection point.

A reader of its own, on the standard library's parser, that knows of IEC 61131-10 (from
memory) only this: an object's inlets name the outlets they hang on, every outlet has a number
of its own, and steps and transitions alternate with divergences and convergences between.
"""

from __future__ import annotations

import random
from xml.etree import ElementTree

import pytest
from mutations import FILES
from random_charts import random_chart

from softctl.logic import Application, Source, compile_application
from softctl.logic.exchange import st_to_xml

NS = "{www.iec.ch/public/TC65SC65BWG7TF10}"
KIND = "{http://www.w3.org/2001/XMLSchema-instance}type"
FORKS = {"SelectionDivergence", "SelectionConvergence"}
BARS = {"SimultaneousDivergence", "SimultaneousConvergence"}


class Network:
    """The objects of one chart and how they hang together."""

    def __init__(self, element: ElementTree.Element) -> None:
        self.objects = element.findall(f"{NS}SfcObject")
        self.owner: dict[str, ElementTree.Element] = {}
        for item in self.objects:
            for point in self.outlets(item):
                assert point not in self.owner, f"outlet {point} is there twice"
                self.owner[point] = item
        self.hangs: dict[str, list[ElementTree.Element]] = {}
        for item in self.objects:
            for point in self.inlets(item):
                assert point in self.owner, f"outlet {point} is nobody's"
                self.hangs.setdefault(point, []).append(item)

    @staticmethod
    def outlets(item: ElementTree.Element) -> list[str]:
        """The numbers of an object's outlets, that of a step's actions too."""
        names = ("ConnectionPointOut", "ConnectionPointOutAction")
        return [e.attrib["connectionPointOutId"] for n in names for e in item.findall(NS + n)]

    @staticmethod
    def inlets(item: ElementTree.Element) -> list[str]:
        """The outlets that an object hangs on."""
        path = f"{NS}ConnectionPointIn/{NS}Connection"
        return [e.attrib["refConnectionPointOutId"] for e in item.findall(path)]

    def before(self, item: ElementTree.Element) -> set[str]:
        """The steps that a transition leaves."""
        found: set[str] = set()
        for point in self.inlets(item):
            owner = self.owner[point]
            kind = owner.attrib[KIND]
            assert kind != "Transition", "two transitions without a step between"
            found |= {owner.attrib["name"]} if kind == "Step" else self.before(owner)
        return found

    def behind(self, points: list[str]) -> set[str]:
        """The steps that follow on some outlets."""
        found: set[str] = set()
        for point in points:
            (item,) = self.hangs[point]
            kind = item.attrib[KIND]
            assert kind not in ("Transition", "ActionBlock"), f"{kind} behind a transition"
            if kind == "Step":
                found.add(item.attrib["name"])
            elif kind == "JumpStep":
                found.add(item.attrib["targetName"])
            else:
                found |= self.behind(self.outlets(item))
        return found

    def transitions(self) -> list[tuple[frozenset[str], frozenset[str], str]]:
        """Each transition: steps before and behind, and its condition."""
        return [
            (
                frozenset(self.before(item)),
                frozenset(self.behind(self.outlets(item))),
                "".join(item.find(f"{NS}Condition").itertext()).strip(),
            )
            for item in self.objects
            if item.attrib[KIND] == "Transition"
        ]

    def steps(self) -> list[tuple[str, bool]]:
        """Name and whether initial."""
        return [
            (item.attrib["name"], item.attrib.get("initialStep") == "true")
            for item in self.objects
            if item.attrib[KIND] == "Step"
        ]


def judge(text: str) -> int:
    """Compare what is walked with what the compiler says of its charts; gives how many."""
    application: Application = compile_application([Source("p.st", text)])
    document = ElementTree.fromstring(st_to_xml([Source("p.st", text)], title="t").text)
    networks = [
        Network(element)
        for element in document.iter(f"{NS}Network")
        if element.find(f"{NS}SfcObject") is not None
    ]
    for network in networks:
        for item in network.objects:
            kind, count = item.attrib[KIND], len(network.inlets(item))
            outlets = len(network.outlets(item))
            if kind in FORKS | BARS:
                assert (count > 1) is kind.endswith("Convergence")
                assert (outlets > 1) is kind.endswith("Divergence")
    charts = [
        ([(s.name, s.initial) for s in chart.steps], chart.transitions)
        for chart in application.block_charts.values()
    ]
    for steps, transitions in charts:
        wanted = sorted((sorted(t.sources), sorted(t.targets), t.text) for t in transitions)
        network = next(n for n in networks if dict(n.steps()) == dict(steps))
        walked = sorted((sorted(a), sorted(b), text) for a, b, text in network.transitions())
        assert walked == wanted
    return len(charts)


CHARTS = [path for path in FILES if "INITIAL_STEP" in path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", CHARTS, ids=lambda path: path.stem)
def test_charts_of_programs_hang_together(path):
    """Every step and transition of a program file is found by walking."""
    assert judge(path.read_text(encoding="utf-8")) >= 1


def test_random_charts_hang_together():
    """So it is with branches, joins and loops of any shape."""
    assert sum(judge(random_chart(random.Random(seed)).text()) for seed in range(60)) == 60


def test_there_are_charts():
    """The walk cannot pass on nothing."""
    assert len(CHARTS) >= 4
