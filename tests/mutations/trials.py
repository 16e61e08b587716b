"""One planted fault after the other, each tried by the tests that execute its line.

A trial is a fork of this process, which has imported the libraries that the project stands on but
nothing of the project itself: so a trial costs no start of Python, and the faulty module is read
from the copy of the tree as in any other run. Processor time is limited, so that a fault that makes
a loop endless ends too; that counts as found.

Run by `python -m tests.mutations` in the copy: `python -m tests.mutations.trials`, with one JSON
line a trial on standard input (`tests`, `processor_s`) and its outcome on standard output; before
the first that rests on the measured demo, the line "measure the demo".
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time

OUTCOMES = {0: "survived", 5: "survived"}  # every other end of pytest has seen the fault
HEAVY = (
    "click", "coverage", "jinja2", "matplotlib.pyplot", "nbformat", "nbconvert", "numpy.testing",
    "pandas", "papermill", "pydantic", "pytest", "scipy.integrate", "scipy.linalg",
    "scipy.optimize", "scipy.signal", "scipy.special", "scipy.stats", "soundfile",
    "statsmodels.api",
)  # fmt: skip
WALL = 10.0  # a trial may take so many times its processor time by the clock


def main() -> None:
    """Answer trials until the input ends."""
    answers = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.dup2(1, 2)
    for name in HEAVY:
        try:
            importlib.import_module(name)
        except ImportError:
            continue
    demo = b""
    for line in sys.stdin:
        asked = json.loads(line)
        if asked == "measure the demo":
            demo = _measured_demo()
            answers.write("null\n")
        else:
            answers.write(json.dumps(_trial(demo, **asked)) + "\n")


def _trial(demo: bytes, tests: list[str], processor_s: float) -> dict:
    began = time.perf_counter()
    child = os.fork()
    if not child:
        os.setsid()
        limit = int(processor_s) + 1
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
        os._exit(_run(tests, demo))
    status = _waited(child, until=began + 60.0 + WALL * processor_s)
    code = os.waitstatus_to_exitcode(status) if status is not None else -signal.SIGKILL
    outcome = OUTCOMES.get(code, "killed" if code >= 0 else "killed by time")
    return {"outcome": outcome, "code": code, "seconds": round(time.perf_counter() - began, 2)}


def _waited(child: int, *, until: float) -> int | None:
    """The child's status, or None when it had to be ended with all that it started."""
    while time.perf_counter() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def _measured_demo() -> bytes:
    """The demo, measured in a process of its own; asked for while no fault is planted."""
    code = (
        "import sys; from tests import conftest as c; "
        "sys.stdout.buffer.write(c.measure_demo(c.OnceMeasured(sys.argv[1])))"
    )
    with tempfile.TemporaryDirectory() as room:
        command = [sys.executable, "-c", code, room]
        return subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout


def _run(tests: list[str], demo: bytes) -> int:
    import pytest

    try:
        from tests import conftest

        conftest.measure_demo = lambda _: demo
        options = ["-x", "-q", "--no-header", "--tb=no", "--strict-markers", "-o", "addopts="]
        return int(pytest.main([*options, "-p", "no:cacheprovider", "-p", "no:xdist", *tests]))
    except BaseException:
        return 1


if __name__ == "__main__":
    main()
