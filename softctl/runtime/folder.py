"""Reads a machine folder from disk and builds everything that is made from it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from softctl.control import check_bindings, check_tasks, check_watch, program_globals
from softctl.control.library import controller_blocks
from softctl.errors import Place, Problem, ProblemsError
from softctl.logic import Application, Revise, Source, compile_application
from softctl.machine import Machine, parse_machine
from softctl.plant import Plant, build_plant, check_plant

MACHINE_FILE = "machine.yaml"


@dataclass(frozen=True, slots=True)
class MachineFolder:
    """A machine folder that has no errors.

    `programs` are the ST files that the machine file names; every other `.st` file of
    the folder is in `blocks` and may define equipment.
    """

    path: Path
    machine: Machine
    programs: tuple[Source, ...]
    blocks: tuple[Source, ...]
    application: Application
    warnings: tuple[Problem, ...]

    def build_plant(self) -> Plant:
        """A fresh plant in its initial state."""
        return build_plant(self.machine, self.blocks)


def configs_folder() -> Path:
    """The machine folders that come with softctl: in the installed package, or the checkout."""
    package = Path(__file__).resolve().parent.parent
    candidates = (package / "configs", package.parent / "configs")
    return next((path for path in candidates if path.is_dir()), candidates[0])


def demo_folder() -> Path:
    """The demonstration machine."""
    return configs_folder() / "glasshouse_feed"


def read_machine(folder: Path) -> Machine:
    """Parse the machine file alone; raises ProblemsError."""
    path = folder / MACHINE_FILE
    return parse_machine(read_text(path), shown_path(path))


def load_folder(folder: Path, *, strict: bool = False) -> MachineFolder:
    """Read, check and compile a machine folder; raises ProblemsError with every error.

    With `strict`, forms in its programs that IEC 61131-3 does not have are errors.
    """
    machine = read_machine(folder)
    problems: list[Problem] = []
    programs = tuple(_program_sources(folder, machine, problems))
    blocks = tuple(_block_sources(folder, machine))
    problems += check_plant(machine, blocks)
    application = None
    try:
        application = compile_programs(machine, programs, strict=strict)
    except ProblemsError as error:
        problems += error.problems
    if application is None or any(problem.severity == "error" for problem in problems):
        raise ProblemsError(problems)
    warnings = (*problems, *application.warnings, *check_tasks(machine, application))
    return MachineFolder(folder, machine, programs, blocks, application, warnings)


def read_programs(folder: Path, machine: Machine) -> tuple[Source, ...]:
    """The programs of a machine as they are now; raises ProblemsError."""
    problems: list[Problem] = []
    programs = tuple(_program_sources(folder, machine, problems))
    if problems:
        raise ProblemsError(problems)
    return programs


def compile_programs(
    machine: Machine,
    programs: Sequence[Source],
    *,
    strict: bool = False,
    revise: Revise | None = None,
) -> Application:
    """Programs that fit the machine's points, alarms and guards; raises ProblemsError.

    `revise` may change their syntax trees, see `compile_application`.
    """
    application = compile_application(
        programs,
        program_globals(machine),
        library=controller_blocks(),
        strict=strict,
        revise=revise,
    )
    problems = check_bindings(machine, application) + check_watch(machine, application)
    if problems:
        raise ProblemsError(problems)
    return application


def shown_path(path: Path) -> str:
    """The path as messages show it: relative to the working directory where it lies below."""
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def _program_sources(folder: Path, machine: Machine, problems: list[Problem]) -> Iterator[Source]:
    for program in machine.programs:
        path = folder / str(program.value)
        if path.is_file():
            yield Source(shown_path(path), read_text(path))
        else:
            problems.append(
                Problem(f"expected an ST file, got no file {shown_path(path)}", program.place)
            )


def _block_sources(folder: Path, machine: Machine) -> Iterator[Source]:
    programs = {str(program.value) for program in machine.programs}
    for path in sorted(folder.glob("*.st")):
        if path.name not in programs:
            yield Source(shown_path(path), read_text(path))


def read_text(path: Path, what: str = "") -> str:
    """The text of a user's file, which is `what`; raises ProblemsError if it cannot be read."""
    place = Place(shown_path(path))
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        message = f"expected {what or f'a machine folder with {path.name}'}, got no such file"
    except UnicodeDecodeError as error:
        message = f"expected UTF-8 text, got byte {error.object[error.start]:#04x} at {error.start}"
    except OSError as error:
        message = f"expected a readable file, got: {error.strerror}"
    raise ProblemsError([Problem(message, place)])
