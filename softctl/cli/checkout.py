"""The command that checks an HMI's screens point by point, with a person in front of them."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.text import Text

from softctl.checkout import Answer, Attempt, Checkout, Step, Verdict
from softctl.checkout.record import progress_line, to_csv, to_html, to_json
from softctl.cli.caution import CAUTION
from softctl.cli.lines import Lines
from softctl.cli.live import Where
from softctl.errors import SoftctlError
from softctl.runtime.checkout_file import SESSION_FILE, CheckoutFile
from softctl.runtime.checkouts import CheckoutService, Choice, open_checkout, settled
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder, shown_path
from softctl.runtime.loop import run_loop
from softctl.runtime.records import RecordFiles, now_text, record_basis
from softctl.runtime.state import state_directory
from softctl.runtime.tls_files import server_tls

_SIGNS = {
    Verdict.PASS: ("✓ pass", "green"),
    Verdict.FAIL: ("✗ fail", "bold red"),
    Verdict.SKIPPED: ("– skipped", "yellow"),
}
_VERDICTS = {"pass": Verdict.PASS, "fail": Verdict.FAIL, "skip": Verdict.SKIPPED}
_HELP = """\
  what the screen shows   12.5, 12,5, 12.5 L/min, on, open, Stirring, 1:15…
                          with a comment: 12.5 # flickers
  = text                  the same, where it would be taken for one of these words
  pass [comment]          your own verdict
  fail comment            your own verdict, with the reason
  skip [comment]          leave this step out; skip all [comment]: the whole point
  back                    the step before
  again                   put the value once more, and look at writes anew
  quit                    stop; the next run goes on here"""
_BAR = 16


@dataclass(frozen=True, slots=True)
class Options:
    """How a checkout is run.

    `only` is "open" steps, "failed" ones, or "all" of those that were chosen.
    """

    folder: Path | None
    choice: Choice
    only: str
    reviewer: str
    tolerance: float
    blind: bool
    session: Path | None
    state: Path | None
    is_new: bool
    report_only: bool


def run_checkout(options: Options, hmi: Where, files: RecordFiles) -> bool:
    """Ask for every step that is wanted, and write the record; whether all have passed."""
    files.require_writable()
    folder = load_folder(options.folder or demo_folder())
    state = options.state or state_directory(folder.path, folder.machine.name)
    file = CheckoutFile(options.session or state / SESSION_FILE)
    console = Console(highlight=False)
    if options.is_new and (aside := file.set_aside()) is not None:
        console.print(Text(f"The session before is kept in {shown_path(aside)}", "dim"))
    checkout = open_checkout(
        folder,
        file=file,
        choice=options.choice,
        reviewer=options.reviewer,
        tolerance=options.tolerance,
    )
    try:
        if not options.report_only:
            _tell_session(console, file, checkout)
            with suppress(KeyboardInterrupt):  # as quit does
                run_loop(_run(console, folder, checkout, options, hmi))
    finally:
        file.close()
    _print_result(console, checkout)
    basis = record_basis(folder.path, folder.machine, now_text())
    files.write(
        {
            "json": lambda: to_json(checkout, basis),
            "csv": lambda: to_csv(checkout),
            "html": lambda: to_html(checkout, basis),
        }
    )
    return checkout.progress.is_clean


def _tell_session(console: Console, file: CheckoutFile, checkout: Checkout) -> None:
    if checkout.session.attempts:
        begun = checkout.session.basis.started
        text = f"Going on with the session of {begun} ({shown_path(file.path)})"
        console.print(Text(text, "dim"))
    if file.was_torn:
        console.print(Text("Its last line was torn, and that answer is asked for again", "yellow"))
    changed = checkout.session.changed(checkout.steps)
    if changed:
        text = f"{len(changed)} steps are open again: the machine file changed them"
        console.print(Text(text, "yellow"))


async def _run(
    console: Console, folder: MachineFolder, checkout: Checkout, options: Options, hmi: Where
) -> None:
    machine = folder.machine
    service = CheckoutService(checkout)
    host, port = hmi[0] or machine.hmi.host, machine.hmi.port if hmi[1] is None else hmi[1]
    where = await service.start(host, port, server_tls(machine.hmi, folder.path))
    try:
        console.print(Text(f"{machine.name}: {machine.title}", "bold"))
        console.print(Text(CAUTION, "dim"))
        console.print(
            f"HMI map at {where[0]}:{where[1]}, unit {machine.hmi.unit}; "
            "no program fills it. Connect the HMI. Ask for help with: help"
        )
        steps = {
            "open": checkout.open_steps(),
            "failed": checkout.open_steps(failed=True),
            "all": list(checkout.steps),
        }[options.only]
        talk = Talk(console, service, Lines(), blind=options.blind)
        guide = asyncio.create_task(talk.walk(steps))
        keeper = asyncio.create_task(service.wait())
        done, _ = await asyncio.wait((guide, keeper), return_when=asyncio.FIRST_COMPLETED)
        for task in (guide, keeper):
            task.cancel()
        for task in done:
            task.result()
        with suppress(asyncio.CancelledError):
            await asyncio.gather(guide, keeper)
    finally:
        await service.close()


class Talk:
    """Walks a person through the steps of a checkout that is served."""

    def __init__(
        self, console: Console, service: CheckoutService, lines: Lines, *, blind: bool
    ) -> None:
        self._console = console
        self._server = service.server
        self._checkout = service.checkout
        self._lines = lines
        self._blind = blind

    async def walk(self, steps: Sequence[Step]) -> None:
        """Every step, until the last one, quit or the end of the input."""
        place = 0
        skipped = ""
        while 0 <= place < len(steps):
            step = steps[place]
            if step.point == skipped:
                self._decide(step, Verdict.SKIPPED, "")
                place += 1
                continue
            move = await self._ask(step, place, len(steps))
            if move is None:
                return
            skipped = step.point if move == "point" else ""
            place = max(0, place - 1) if move == "back" else place + (move != "again")

    async def _ask(self, step: Step, place: int, total: int) -> str | None:
        """One step: how to go on ("next", "back", "again" or "point"), None to quit."""
        self._checkout.begin(step.id)
        self._show(step, place, total)
        while True:
            line = await self._line(step)
            if line is None:
                return None
            word, _, rest = line.strip().partition(" ")
            word = word.lower()
            if word in ("quit", "back", "again"):
                return None if word == "quit" else word
            if word == "help":
                self._console.print(_HELP, markup=False)
                continue
            try:
                return self._take(step, line, word, rest)
            except SoftctlError as error:
                self._console.print(Text(f"  {error}", "yellow"))

    def _take(self, step: Step, line: str, word: str, rest: str) -> str:
        """A verdict or an answer; raises SoftctlError for what cannot be taken."""
        if word == "pass" and self._blind:
            raise SoftctlError("expected what the screen shows, since this checkout is blind")
        if word not in _VERDICTS:
            self._answer(step, line)
            return "next"
        first, _, more = rest.strip().partition(" ")
        is_all = word == "skip" and first == "all"
        self._decide(step, _VERDICTS[word], more if is_all else rest)
        return "point" if is_all else "next"

    async def _line(self, step: Step) -> str | None:
        """What is typed; for an operation also nothing, when a write has come and settled."""
        self._console.print(Text("  > ", "bold"), end="")
        if step.answer is not Answer.DONE:
            return await self._lines.next()
        typed = asyncio.create_task(self._lines.next())
        seen = asyncio.create_task(settled(self._checkout))
        await asyncio.wait((typed, seen), return_when=asyncio.FIRST_COMPLETED)
        seen.cancel()
        if typed.done():
            return typed.result()
        typed.cancel()
        self._console.print()
        return ""

    def _show(self, step: Step, place: int, total: int) -> None:
        console, point = self._console, self._checkout.machine.points[step.point]
        done = round(_BAR * place / total)
        bar = "━" * done + "─" * (_BAR - done)
        console.print()
        console.print(
            Text(f"{bar} {place + 1} of {total}  {point.role.value}, {step.place}", "dim")
        )
        console.print(Text.assemble((step.point, "bold"), f"  {step.description}"))
        put = "" if self._blind or step.answer is Answer.DONE else f"  put: {step.shown}"
        console.print(Text.assemble("  ", step.instruction, (put, "dim")))
        if step.answer is Answer.CHOICE:
            names = ", ".join(f"{number} {name}" for number, name in step.choices.items())
            console.print(Text(f"  {names}", "dim"))
        if step.answer is Answer.DONE:
            console.print(Text("  Enter when it is done; a write is seen by itself", "dim"))
        if not self._server.connections:
            console.print(Text("  No HMI is connected", "yellow"))
        last = self._checkout.session.last(step)
        if last is not None:
            self._print(last, "before: ")

    def _answer(self, step: Step, line: str) -> None:
        text, _, comment = line.partition(" #")
        if text.startswith("="):
            text = text[1:]
        self._print(self._checkout.answer(step.id, text, comment))

    def _decide(self, step: Step, verdict: Verdict, comment: str) -> None:
        self._print(self._checkout.decide(step.id, verdict, comment))

    def _print(self, attempt: Attempt, before: str = "") -> None:
        words, style = _SIGNS[attempt.verdict]
        text = Text.assemble("  ", (before, "dim"), (words, style))
        if attempt.seen:
            told = "understood" if attempt.by == "comparison" else "seen"
            text.append(f"  {told}: {attempt.seen}")
        if attempt.verdict is Verdict.FAIL and attempt.by == "comparison":
            text.append(f", expected {attempt.expected}")
        if attempt.hint:
            text.append(f"; {attempt.hint}")
        if attempt.comment:
            text.append(f"  ({attempt.comment.strip()})", "dim")
        self._console.print(text)


def _print_result(console: Console, checkout: Checkout) -> None:
    failed = checkout.open_steps(failed=True)
    console.print()
    for step in failed:
        attempt = checkout.session.last(step)
        assert attempt is not None, "what failed was tried"
        text = attempt.seen or attempt.comment
        hint = f"; {attempt.hint}" if attempt.hint else ""
        console.print(Text.assemble((f"✗ {step.id}  ", "bold red"), f"{text}{hint}"))
    progress = checkout.progress
    style = "bold green" if progress.is_clean else "bold red" if failed else "bold"
    console.print(Text(progress_line(progress), style))
