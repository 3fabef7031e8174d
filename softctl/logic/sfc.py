"""Charts lowered to Structured Text, so that every back end sees statements only.

The five evolution rules of IEC 60848, which the lowered statements keep:

1. Initial situation: the initial steps are active when the program starts.
2. Clearing: a transition is cleared when every step before it is active and its condition
   is true. Both are judged on the situation at the start of the scan.
3. Evolution: clearing activates all steps behind the transition and deactivates all steps
   before it, together.
4. Simultaneity: transitions that can be cleared together are cleared together. Transitions
   that leave one step are alternatives (IEC 61131-3 table 57): the first true one in order
   of priority, then of the text, excludes the others.
5. A step activated and deactivated at once stays active: its time runs on and no edge is
   seen.

A scan first evolves, then runs the actions. The first scan only runs the actions of the
initial situation, so no step passes unseen. An action's Q is true while its qualifiers ask
for it; A also in the one scan after Q has fallen, so that the action can tidy up (the final
scan). Pulses (P, P1, P0) run an action exactly once and have no final scan. R overrides
every other qualifier.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import TypeVar

from softctl.logic import tree
from softctl.logic.source import Reporter, Token, suggest
from softctl.logic.world import NOW

STEP_TYPE = "STEP_STATE"
ACTION_TYPE = "ACTION_STATE"
_TIME = "TIME"
_Element = TypeVar("_Element", tree.Step, tree.Action)


def lower(pou: tree.Pou, reporter: Reporter) -> None:
    """Give a unit with a network the body and the hidden variables that carry it out."""
    if pou.network is not None:
        lowering = _Lowering(pou, pou.network, reporter)
        if lowering.check():
            lowering.run()


@dataclass
class _Use:
    """One association, seen from its action."""

    step: str
    association: tree.Association


@dataclass
class _Lowering:
    pou: tree.Pou
    network: tree.Network
    reporter: Reporter
    hidden: list[tree.Variable] = field(default_factory=list)
    temporary: list[tree.Variable] = field(default_factory=list)

    # Soundness of the chart

    def check(self) -> bool:
        before = len(self.reporter.errors)
        steps = self._unique(self.network.steps, "step")
        self._unique(self.network.actions, "action")
        if not any(step.initial for step in steps.values()):
            self.reporter.error(
                self.pou.at, f"expected an INITIAL_STEP in {self.pou.name}, got none"
            )
        for transition in self.network.transitions:
            for token in (*transition.sources, *transition.targets):
                if token.key not in steps:
                    names = [step.name for step in steps.values()]
                    hint = suggest(token.text, names)
                    self.reporter.error(token, f"expected a step, got {token.text}", hint)
        if len(self.reporter.errors) == before:
            self._warn_unreached(steps)
        return len(self.reporter.errors) == before

    def _unique(self, elements: Sequence[_Element], what: str) -> dict[str, _Element]:
        found: dict[str, _Element] = {}
        for element in elements:
            first = found.setdefault(element.name.upper(), element)
            if first is not element:
                self.reporter.error(
                    element.at,
                    f"{what} {element.name} is declared twice",
                    f"first at {first.at.place}",
                )
        return found

    def _warn_unreached(self, steps: dict[str, tree.Step]) -> None:
        reached = {key for key, step in steps.items() if step.initial}
        grown = True
        while grown:
            grown = False
            for transition in self.network.transitions:
                targets = {token.key for token in transition.targets}
                if {t.key for t in transition.sources} <= reached and not targets <= reached:
                    reached |= targets
                    grown = True
        for key, step in steps.items():
            if key not in reached:
                self.reporter.warn(step.at, f"no transition ever reaches step {step.name}")

    # Statements

    def run(self) -> None:
        at = self.pou.at
        steps = [
            tree.Variable(step.at, step.name, tree.TypeName(step.at, STEP_TYPE), _initial(step))
            for step in self.network.steps
        ]
        self.hide(at, "__STARTED", "BOOL")
        body: list[tree.Statement] = [
            *(self._remember(step) for step in self._pulsed()),
            tree.If(at, [(tree.Name(at, "__STARTED"), self._evolution())], self._start()),
            *self._actions(),
        ]
        self.pou.body = body
        self.pou.sections.append(tree.Section(at, "STEP", steps))
        self.pou.sections.append(tree.Section(at, "VAR", self.hidden))
        self.pou.sections.append(tree.Section(at, "VAR_TEMP", self.temporary))

    def _pulsed(self) -> list[tree.Step]:
        pulses = ("P", "P0", "P1")
        return [s for s in self.network.steps if any(a.qualifier in pulses for a in s.associations)]

    def _remember(self, step: tree.Step) -> tree.Statement:
        """Keep the situation before the scan for edges; before the first scan all is off."""
        was = _join("AND", [_x(step.at, step.name), tree.Name(step.at, "__STARTED")])
        return _assign(step.at, _member(step.at, step.name, "__WAS"), was)

    def hide(self, at: Token, name: str, type_name: str) -> tree.Name:
        self.hidden.append(tree.Variable(at, name, tree.TypeName(at, type_name)))
        return tree.Name(at, name)

    def _start(self) -> list[tree.Statement]:
        statements: list[tree.Statement] = [
            _assign(self.pou.at, tree.Name(self.pou.at, "__STARTED"), _true(self.pou.at))
        ]
        for step in self.network.steps:
            if step.initial:
                statements += _restart(step.at, step.name)
        return statements

    def _evolution(self) -> list[tree.Statement]:
        statements: list[tree.Statement] = []
        for step in self.network.steps:
            at = step.at
            elapsed = tree.Binary(at, "-", tree.Name(at, NOW), _member(at, step.name, "__SINCE"))
            count = _assign(at, _member(at, step.name, "T"), elapsed)
            statements.append(tree.If(at, [(_x(at, step.name), [count])], []))
        fired: list[tuple[tree.Transition, tree.Expression]] = []
        asked, marks = self._asked(fired)
        statements += asked
        if fired:
            statements.append(
                tree.If(self.pou.at, [(_join("OR", marks), self._clearing(fired))], [])
            )
        return statements

    def _asked(
        self, fired: list[tuple[tree.Transition, tree.Expression]]
    ) -> tuple[list[tree.Statement], list[tree.Expression]]:
        """Statements that set a flag for each transition that fires, and what tells that one did.

        The transitions of a step that no join has among its sources are asked together, if
        the step is active: most steps are not.
        """
        statements: list[tree.Statement] = []
        marks: list[tree.Expression] = []
        of_step: dict[str, list[tree.Statement]] = {}
        joined = {t.key for one in self._ranked() if len(one.sources) > 1 for t in one.sources}
        for transition in self._ranked():
            at, source = transition.at, transition.sources[0]
            is_alone = len(transition.sources) == 1 and source.key not in joined
            flag = self.temporary_flag(at, f"__FIRES_{len(fired)}")
            enabled = self._enabled(transition, fired, is_asked=not is_alone)
            fired.append((transition, flag))
            if not is_alone:
                statements.append(_assign(at, flag, enabled))
                marks.append(flag)
                continue
            if source.key not in of_step:
                of_step[source.key] = []
                x = _x(at, source.text)
                statements.append(tree.If(at, [(x, of_step[source.key])], []))
            of_step[source.key].append(_assign(at, flag, enabled))
        return statements, [*marks, *self._marks_of(fired, of_step)]

    def _marks_of(
        self,
        fired: list[tuple[tree.Transition, tree.Expression]],
        of_step: dict[str, list[tree.Statement]],
    ) -> list[tree.Expression]:
        """One flag for all transitions that are asked by step, set behind those of each."""
        if not of_step:
            return []
        at = self.pou.at
        mark = self.temporary_flag(at, "__FIRES")
        for key, statements in of_step.items():
            flags = [flag for one, flag in fired if one.sources[0].key == key]
            statements.append(
                tree.If(at, [(_join("OR", flags), [_assign(at, mark, _true(at))])], [])
            )
        return [mark]

    def temporary_flag(self, at: Token, name: str) -> tree.Name:
        self.temporary.append(tree.Variable(at, name, tree.TypeName(at, "BOOL")))
        return tree.Name(at, name)

    def _ranked(self) -> list[tree.Transition]:
        """Given priorities first, lowest number first, then the order of the text."""
        indexed = list(enumerate(self.network.transitions))
        indexed.sort(key=lambda item: (item[1].priority is None, item[1].priority or 0, item[0]))
        return [transition for _, transition in indexed]

    def _enabled(
        self,
        transition: tree.Transition,
        before: list[tuple[tree.Transition, tree.Expression]],
        *,
        is_asked: bool,
    ) -> tree.Expression:
        """Whether a transition fires; `is_asked` says whether its steps have to be looked at."""
        sources = {token.key for token in transition.sources}
        terms = [_x(transition.at, token.text) for token in transition.sources if is_asked]
        for other, flag in before:
            if sources & {token.key for token in other.sources}:
                terms.append(tree.Unary(transition.at, "NOT", flag))
        condition = transition.condition
        return _join("AND", [*terms, tree.Condition(condition.at, condition)])

    def _clearing(
        self, fired: list[tuple[tree.Transition, tree.Expression]]
    ) -> list[tree.Statement]:
        passes: list[list[tree.Statement]] = [[], [], []]
        for transition, flag in fired:
            at = transition.at
            fresh: list[tree.Statement] = [
                tree.If(at, [(tree.Unary(at, "NOT", _x(at, t.text)), _restart(at, t.text))], [])
                for t in transition.targets
            ]
            off: list[tree.Statement] = [
                _assign(at, _x(at, t.text), _false(at)) for t in transition.sources
            ]
            on: list[tree.Statement] = [
                _assign(at, _x(at, t.text), _true(at)) for t in transition.targets
            ]
            if transition.mark:
                on.append(_assign(at, tree.Name(at, transition.mark), _true(at)))
            for statements, body in zip(passes, (fresh, off, on), strict=True):
                statements.append(tree.If(at, [(flag, body)], []))
        return [statement for statements in passes for statement in statements]

    # Actions

    def _actions(self) -> list[tree.Statement]:
        bodies = {action.name.upper(): action for action in self.network.actions}
        uses: dict[str, list[_Use]] = {}
        for step in self.network.steps:
            for association in step.associations:
                uses.setdefault(association.action.upper(), []).append(_Use(step.name, association))
        for key, action in bodies.items():
            if key not in uses:
                self.reporter.warn(action.at, f"no step uses action {action.name}")
        statements: list[tree.Statement] = []
        for number, (key, found) in enumerate(uses.items()):
            control = _ActionControl(self, found, number)
            statements += control.statements(bodies.get(key))
        return statements


class _ActionControl:
    """The qualifiers of one action (IEC 61131-3 table 59 and its action control block)."""

    def __init__(self, lowering: _Lowering, uses: list[_Use], number: int) -> None:
        self.lowering = lowering
        self.uses = uses
        self.number = number
        self.at = uses[0].association.at
        self.before: list[tree.Statement] = []
        self.flags: list[tree.Name] = []

    def statements(self, action: tree.Action | None) -> list[tree.Statement]:
        """What carries the action out in each scan, after evolution."""
        levels = [term for use in self.uses if (term := self._level(use)) is not None]
        pulses = [self._pulse(use) for use in self.uses if use.association.qualifier[0] == "P"]
        resets = [_x(use.association.at, use.step) for use in self._with("R")]
        if resets:
            clear: list[tree.Statement] = [
                _assign(self.at, flag, _false(self.at)) for flag in self.flags
            ]
            self.before.append(tree.If(self.at, [(_join("OR", resets), clear)], []))
        guard: list[tree.Expression] = []
        if resets:
            guard.append(tree.Unary(self.at, "NOT", _join("OR", resets)))
        if action is None:
            q = _join("AND", [*guard, _join("OR", [*levels, *pulses] or [_false(self.at)])])
            target = tree.Name(self.at, self.uses[0].association.action)
            return [*self.before, _assign(self.at, target, q)]
        return [*self.before, *self._run(action, guard, levels, pulses)]

    def _run(
        self,
        action: tree.Action,
        guard: list[tree.Expression],
        levels: list[tree.Expression],
        pulses: list[tree.Expression],
    ) -> list[tree.Statement]:
        at, name = action.at, action.name
        self.lowering.hidden.append(tree.Variable(at, name, tree.TypeName(at, ACTION_TYPE)))
        q, a, held = (_member(at, name, part) for part in ("Q", "A", "__HELD"))
        level = _join("AND", [*guard, _join("OR", levels or [_false(at)])])
        pulse = [_join("AND", [*guard, _join("OR", pulses)])] if pulses else []
        return [
            _assign(at, q, level),
            _assign(at, a, _join("OR", [q, held, *pulse])),
            _assign(at, held, q),
            *([_assign(at, q, _join("OR", [q, *pulse]))] if pulse else []),
            tree.If(at, [(a, self._body(action))], []),
        ]

    def _body(self, action: tree.Action) -> list[tree.Statement]:
        """The action's statements; RETURN leaves the action, not the unit."""
        if not _returns(action.body):
            return action.body
        at = action.at
        name = f"__LEFT_{self.number}"
        left = self.lowering.temporary_flag(at, name)
        start = _assign(at, left, _false(at))
        return [start, tree.Repeat(at, _leaving(action.body, left), _true(at))]

    def _with(self, *qualifiers: str) -> Iterable[_Use]:
        return (use for use in self.uses if use.association.qualifier in qualifiers)

    def _pulse(self, use: _Use) -> tree.Expression:
        at = use.association.at
        now, was = _x(at, use.step), _member(at, use.step, "__WAS")
        if use.association.qualifier == "P0":
            return _join("AND", [was, tree.Unary(at, "NOT", now)])
        return _join("AND", [now, tree.Unary(at, "NOT", was)])

    def _level(self, use: _Use) -> tree.Expression | None:
        at, qualifier, time = use.association.at, use.association.qualifier, use.association.time
        active, elapsed = _x(at, use.step), _member(at, use.step, "T")
        if qualifier == "N":
            return active
        if time is None:
            return self._stored(at, active) if qualifier == "S" else None
        if qualifier == "L":
            return _join("AND", [active, tree.Binary(at, "<", elapsed, time)])
        late = _join("AND", [active, tree.Binary(at, ">=", elapsed, time)])
        if qualifier == "D":
            return late
        if qualifier == "DS":
            return self._stored(at, late)
        return self._stored_timed(at, active, time, qualifier)

    def _stored(self, at: Token, setter: tree.Expression) -> tree.Expression:
        flag = self._flag(at)
        self.before.append(tree.If(at, [(setter, [_assign(at, flag, _true(at))])], []))
        return flag

    def _flag(self, at: Token) -> tree.Name:
        name = f"__SET_{self.number}_{len(self.flags)}"
        flag = self.lowering.hide(at, name, "BOOL")
        self.flags.append(flag)
        return flag

    def _stored_timed(
        self, at: Token, setter: tree.Expression, time: tree.Expression, qualifier: str
    ) -> tree.Expression:
        flag = self._flag(at)
        since = self.lowering.hide(at, f"{flag.name}_SINCE", _TIME)
        now = tree.Name(at, NOW)
        start: list[tree.Statement] = [_assign(at, flag, _true(at)), _assign(at, since, now)]
        rising = _join("AND", [setter, tree.Unary(at, "NOT", flag)])
        self.before.append(tree.If(at, [(rising, start)], []))
        operator = ">=" if qualifier == "SD" else "<"
        elapsed = tree.Binary(at, "-", now, since)
        return _join("AND", [flag, tree.Binary(at, operator, elapsed, time)])


def _returns(body: list[tree.Statement]) -> list[tree.Statement]:
    """Every RETURN among these statements, nested ones included."""
    found: list[tree.Statement] = []
    for statement in body:
        if isinstance(statement, tree.Return):
            found.append(statement)
        for inner in _inner_lists(statement):
            found += _returns(inner)
    return found


def _leaving(body: list[tree.Statement], left: tree.Name) -> list[tree.Statement]:
    """Statements in a loop of one pass, with EXIT where they had RETURN."""
    made: list[tree.Statement] = []
    for statement in body:
        at = statement.at
        if isinstance(statement, tree.Return):
            made += [_assign(at, left, _true(at)), tree.Exit(at)]
        elif isinstance(statement, tree.If):
            branches = [(test, _leaving(inner, left)) for test, inner in statement.branches]
            made.append(tree.If(at, branches, _leaving(statement.otherwise, left)))
        elif isinstance(statement, tree.Case):
            arms = [(labels, _leaving(inner, left)) for labels, inner in statement.arms]
            otherwise = _leaving(statement.otherwise, left)
            made.append(tree.Case(at, statement.selector, arms, otherwise))
        elif isinstance(statement, tree.For | tree.While | tree.Repeat) and _returns([statement]):
            made.append(replace(statement, body=_leaving(statement.body, left)))
            made.append(tree.If(at, [(left, [tree.Exit(at)])], []))
        else:
            made.append(statement)
    return made


def _inner_lists(statement: tree.Statement) -> list[list[tree.Statement]]:
    if isinstance(statement, tree.If):
        return [*(body for _, body in statement.branches), statement.otherwise]
    if isinstance(statement, tree.Case):
        return [*(body for _, body in statement.arms), statement.otherwise]
    if isinstance(statement, tree.For | tree.While | tree.Repeat):
        return [statement.body]
    return []


def _initial(step: tree.Step) -> tree.Expression | None:
    if not step.initial:
        return None
    return tree.StructInitial(step.at, [tree.Argument(step.at, "X", _true(step.at))])


def _restart(at: Token, step: str) -> list[tree.Statement]:
    zero = tree.Literal(at, _TIME, 0)
    return [
        _assign(at, _member(at, step, "T"), zero),
        _assign(at, _member(at, step, "__SINCE"), tree.Name(at, NOW)),
    ]


def _assign(at: Token, target: tree.Expression, value: tree.Expression) -> tree.Statement:
    return tree.Assign(at, target, value)


def _member(at: Token, base: str, name: str) -> tree.Expression:
    return tree.Member(at, tree.Name(at, base), name)


def _x(at: Token, step: str) -> tree.Expression:
    return _member(at, step, "X")


def _true(at: Token) -> tree.Expression:
    return tree.Literal(at, "BOOL", True)


def _false(at: Token) -> tree.Expression:
    return tree.Literal(at, "BOOL", False)


def _join(operator: str, terms: list[tree.Expression]) -> tree.Expression:
    return reduce(lambda left, right: tree.Binary(left.at, operator, left, right), terms)
