"""Which test executes which line: a pytest plugin that writes it down while the suite runs.

Loaded by `pytest -p tests.mutations.lines`, with the place of its answer in STUDY_LINES (JSON):
`tests` (node ids of all that passed), `demo` (which of them rest on the measured demo), `cost` and
`shared` (seconds of each test and of its fixtures: the larger of processor time and half the clock)
and `lines` (module, phase, line: numbers of the tests that executed it). What runs in a fixture
counts for the test that asked first and is kept apart (`shared`), because others of its file may
rest on the same result.
"""

from __future__ import annotations

import json
import os
import time
from collections import defaultdict
from pathlib import Path

import coverage
import pytest

ROOM = "STUDY_LINES"
DEMO = "measured_demo"


class Lines:
    """Follows the tests of one run."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.spent = {"own": defaultdict(float), "shared": defaultdict(float)}
        self.demo: set[str] = set()
        self.bad: set[str] = set()
        self.tracer = coverage.Coverage(
            data_file=str(place.with_suffix(".coverage")), source=["studylib"], config_file=False
        )
        self.tracer.start()

    def _step(self, item: pytest.Item, phase: str):
        self.tracer.switch_context(f"{item.nodeid}|{phase}")
        clock, processor = time.perf_counter(), time.process_time()
        result = yield
        spent = max(time.process_time() - processor, 0.5 * (time.perf_counter() - clock))
        self.spent[phase][item.nodeid] += spent
        return result

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item):
        if DEMO in item.fixturenames:
            self.demo.add(item.nodeid)
        return (yield from self._step(item, "shared"))

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_call(self, item):
        return (yield from self._step(item, "own"))

    def pytest_runtest_logreport(self, report):
        if not report.passed:
            self.bad.add(report.nodeid)

    def pytest_sessionfinish(self):
        self.tracer.stop()
        tests = sorted(set(self.spent["own"]) - self.bad)
        number = {name: i for i, name in enumerate(tests)}
        data = self.tracer.get_data()
        lines: dict[str, dict[str, dict[int, list[int]]]] = {}
        for file in sorted(data.measured_files()):
            name = Path(file).relative_to(Path.cwd()).as_posix()
            found = {"own": {}, "shared": {}}
            for line, contexts in data.contexts_by_lineno(file).items():
                for context in contexts:
                    test, _, phase = context.rpartition("|")
                    if test in number:
                        found[phase].setdefault(line, []).append(number[test])
            lines[name] = found
        told = {"tests": tests, "demo": [number[name] for name in tests if name in self.demo]}
        told |= {"cost": [self.spent["own"][name] for name in tests], "lines": lines}
        told |= {"shared": [self.spent["shared"][name] for name in tests]}
        self.place.write_text(json.dumps(told), encoding="utf-8")


def pytest_configure(config):
    """Begin before the library is imported."""
    if ROOM in os.environ:
        config.pluginmanager.register(Lines(Path(os.environ[ROOM])), "lines")
