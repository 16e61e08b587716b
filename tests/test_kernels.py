"""Kernels that are forked: like those that start by themselves, strangers to each other, and gone
when they should be."""

from __future__ import annotations

import ast
import json
import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from studylib.run import kernels
from studylib.run.execution import NotebookError, run_notebook
from tests.test_runner import write_notebook

pytestmark = pytest.mark.skipif(not kernels.CAN_FORK, reason="this system cannot fork kernels")
NOTEBOOKS = Path(__file__).parent.parent / "notebooks"
FIGURE = "import matplotlib.pyplot as plt\nplt.plot([1, 3, 2])\nplt.show()"
TABLE = "import pandas as pd\npd.DataFrame({'larch': [1.5, 2.5]}).describe()"


@pytest.fixture(scope="module")
def source():
    made = kernels.Kernels()
    yield made
    made.close()


def printed(done) -> str:
    return "".join(one.get("text", "") for cell in done.cells for one in cell.get("outputs", []))


def ended(pid: int) -> bool:
    """Whether that process ends within ten seconds."""
    try:
        held = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    with os.fdopen(held, "rb", buffering=0):
        return bool(select.select([held], [], [], 10)[0])


def test_a_forked_kernel_gives_what_one_gives_that_starts_by_itself(source, tmp_path):
    path = write_notebook(tmp_path / "a.ipynb", "n = 1", FIGURE, TABLE, "print(n)\nn")
    alone = run_notebook(path, {"n": 7})
    assert len(alone.cells[-3].outputs) == 1
    assert "image/png" in alone.cells[-3].outputs[0].data
    assert run_notebook(path, {"n": 7}, kernels=source) == alone


def test_nothing_of_one_notebook_reaches_the_next(source, tmp_path):
    left = "import os, pandas, studylib\nfor one in (pandas, studylib): one.left = 'behind'\n"
    path = write_notebook(tmp_path / "a.ipynb", "n = 1", left + "os.environ['LEFT'] = 'behind'")
    run_notebook(path, {}, kernels=source)
    asks = "import os, pandas, studylib\nprint([hasattr(one, 'left') for one in (pandas, studylib)]"
    path = write_notebook(tmp_path / "b.ipynb", "n = 1", f"{asks}, os.environ.get('LEFT'))")
    assert printed(run_notebook(path, {}, kernels=source)) == "[False, False] None\n"


def test_a_forked_kernel_stands_where_and_as_it_should(source, tmp_path):
    asks = """import json, os, sys
print(json.dumps({
    "session": os.getsid(0) == os.getpid(), "cwd": os.getcwd(), "safe": sys.flags.safe_path,
    "input": os.readlink("/proc/self/fd/0"), "jobs": os.environ["STUDYLIB_JOBS"],
    "path": "" in sys.path or os.getcwd() in sys.path, "threads": os.environ["OMP_NUM_THREADS"],
}))"""
    path = write_notebook(tmp_path / "a.ipynb", "n = 1", asks)
    found = json.loads(
        printed(run_notebook(path, {}, kernels=source, folder=tmp_path, processes=3))
    )
    assert found == {
        "session": True, "cwd": str(tmp_path), "safe": True, "input": "/dev/null", "jobs": "3",
        "path": False, "threads": "1",
    }  # fmt: skip


def test_a_forked_kernel_that_dies_does_not_pass(source, tmp_path):
    path = write_notebook(
        tmp_path / "a.ipynb", "n = 1", "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"
    )
    with pytest.raises(NotebookError, match=r"a\.ipynb stopped .*DeadKernelError"):
        run_notebook(path, {}, kernels=source)


def test_where_the_process_that_waits_has_ended_the_notebook_does_not_pass(tmp_path):
    path = write_notebook(tmp_path / "a.ipynb", "n = 1", "n")
    made = kernels.Kernels()
    made._process.kill()
    made._process.wait()
    with pytest.raises(NotebookError, match=r"a\.ipynb stopped .*BrokenPipe"):
        run_notebook(path, {}, kernels=made)
    made.close()


RUN = """
import sys
from pathlib import Path
from studylib.run.execution import run_notebook
from studylib.run.kernels import Kernels
run_notebook(Path(sys.argv[1]), {}, kernels=Kernels())
"""


def test_kernels_end_with_whoever_started_them(tmp_path):
    """However that ends: nothing is left to close."""
    told = tmp_path / "pids"
    os.mkfifo(told)
    tells = f"import os\nopen({str(told)!r}, 'w').write(f'{{os.getpid()}} {{os.getppid()}}')"
    path = write_notebook(tmp_path / "a.ipynb", "n = 1", f"{tells}\nimport signal\nsignal.pause()")
    with subprocess.Popen([sys.executable, "-c", RUN, path], start_new_session=True) as run:
        pids = [int(pid) for pid in told.read_text().split()]
        run.send_signal(signal.SIGKILL)
    assert run.pid not in pids
    assert [ended(pid) for pid in pids] == [True, True]


def test_what_is_copied_has_one_thread_and_all_that_the_notebooks_import():
    looks = (
        "import importlib, json, os, sys\nfrom studylib.run import kernels\n"
        "for name in kernels.IMPORTED: importlib.import_module(name)\n"
        "print(json.dumps([len(os.listdir('/proc/self/task')), list(sys.modules)]))"
    )
    done = subprocess.run([sys.executable, "-c", looks], capture_output=True, text=True, check=True)
    threads, modules = json.loads(done.stdout)
    assert threads == 1
    wanted = set()
    for name in ("batch", "summary"):
        cells = json.loads((NOTEBOOKS / f"{name}.ipynb").read_text(encoding="utf-8"))["cells"]
        for cell in [one for one in cells if one["cell_type"] == "code"]:
            for node in ast.walk(ast.parse("".join(cell["source"]))):
                if isinstance(node, ast.ImportFrom):
                    wanted |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
    library = Path(kernels.__file__).parent.parent.parent
    files = {one for one in wanted if (library / f"{one.replace('.', '/')}.py").is_file()}
    assert len(files) > 20
    assert files - set(modules) == set()


@pytest.mark.parametrize("processes", [1, 2])
def test_whoever_draws_beside_a_kernel_was_forked_with_it_and_ends_with_it(
    source, tmp_path, processes
):
    path = write_notebook(
        tmp_path / "a.ipynb", "n = 1",
        "import multiprocessing, psutil\n"
        "print([c.pid for c in psutil.Process().children()], multiprocessing.active_children())",
    )  # fmt: skip
    told = printed(run_notebook(path, {}, kernels=source, processes=processes))
    pids = json.loads(told[: told.index("]") + 1])
    assert len(pids) == told.count("<ForkProcess ") == processes - 1
    assert all(ended(pid) for pid in pids)
