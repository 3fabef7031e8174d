"""pytest's plugin: trial files as test items, and benches as fixtures.

Nothing of softctl is imported before a trial or a bench is asked for, so that the plugin
costs other test runs nothing.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from softctl.runtime.trials import TrialFolder
    from softctl.testing import Bench, LiveBench

_MACHINE_FILE = "machine.yaml"
_TRIALS = "trials"


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--machine` and the ini option of the same meaning."""
    group = parser.getgroup("softctl")
    group.addoption("--machine", metavar="DIR", help="machine folder of the bench fixtures")
    group.addoption(
        "--trial-live",
        type=float,
        metavar="SPEED",
        help="run trial files over Modbus/TCP in real time, at this speed",
    )
    parser.addini("machine", "machine folder of the bench fixtures, relative to the ini file")


def pytest_configure(config: pytest.Config) -> None:
    """The marker that names a test's machine."""
    config.addinivalue_line(
        "markers",
        "machine(folder, equipment=…, set=…, speed=…): the machine folder of the bench "
        "fixtures, parameters, set points, and the speed of a live one",
    )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> TrialItems | None:
    """`trials/*.yaml` beside a machine file."""
    is_trial = file_path.suffix == ".yaml" and file_path.parent.name == _TRIALS
    if is_trial and (file_path.parent.parent / _MACHINE_FILE).is_file():
        return TrialItems.from_parent(parent, path=file_path)
    return None


class TrialItems(pytest.File):
    """One trial file."""

    def collect(self) -> Iterator[pytest.Item]:
        """An item for each trial; errors of the folder are told without a traceback."""
        from softctl.errors import SoftctlError

        try:
            found = _load(self.path.parent.parent)
        except SoftctlError as error:
            raise self.CollectError(str(error)) from None
        for file, trial in found.trials():
            if Path(file.file).resolve() == self.path.resolve():
                yield TrialItem.from_parent(self, name=trial.name)


class TrialItem(pytest.Item):
    """One trial."""

    def runtest(self) -> None:
        """Run it, and fail with what was expected and found."""
        from softctl.trial.written import failure_lines, not_run_lines

        found = _load(self.path.parent.parent)
        file, trial = next(one for one in found.trials() if one[1].name == self.name)
        speed = self.config.getoption("--trial-live")
        if speed is None:
            from softctl.trial.run import VirtualRunner

            result = VirtualRunner(found.around).run(file, trial)
        else:
            from softctl.runtime.live_trials import run_live
            from softctl.runtime.loop import run_loop

            result = run_loop(run_live(found.around, file, trial, speed))
        if result.not_run:
            pytest.skip(result.not_run)
        if result.failed:
            raise TrialFailure("\n".join(failure_lines(result)))
        if result.is_partial:
            pytest.skip("; ".join(not_run_lines(result)))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """A trial's own words instead of a traceback of softctl."""
        if isinstance(excinfo.value, TrialFailure):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """The line that the trial begins in."""
        found = _load(self.path.parent.parent)
        trial = next(trial for _, trial in found.trials() if trial.name == self.name)
        return self.path, trial.place.line - 1, f"trial {self.name}"


class TrialFailure(Exception):  # noqa: N818 - a failure is no error
    """A trial that did not pass."""


@cache
def _load(folder: Path) -> TrialFolder:
    from softctl.runtime.folder import load_folder
    from softctl.runtime.trials import load_trials

    return load_trials(load_folder(folder))


def _machine(request: pytest.FixtureRequest) -> tuple[Any, dict[str, Any]]:
    """The machine folder of a test: its marker's, the command line's, the ini file's, the demo."""
    marker = request.node.get_closest_marker("machine")
    keys = dict(marker.kwargs) if marker else {}
    if marker and marker.args:
        return marker.args[0], keys
    config = request.config
    ini = config.getini("machine")
    from_ini = (config.inipath.parent / ini) if ini and config.inipath else None
    return config.getoption("--machine") or from_ini, keys


@pytest.fixture
def virtual_bench(request: pytest.FixtureRequest) -> Bench:
    """A machine in virtual time; the marker `machine` says which, and what it begins with."""
    from softctl.testing import Bench

    folder, keys = _machine(request)
    keys.pop("speed", None)
    return Bench(folder, **keys)


try:
    import pytest_asyncio
except ImportError:
    pass
else:

    @pytest_asyncio.fixture
    async def live_bench(request: pytest.FixtureRequest) -> AsyncIterator[LiveBench]:
        """A machine in real time over Modbus/TCP, for asynchronous tests (pytest-asyncio)."""
        from softctl.testing import LiveBench

        folder, keys = _machine(request)
        async with LiveBench(folder, **keys) as bench:
            yield bench
