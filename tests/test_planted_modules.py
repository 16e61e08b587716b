"""Files that came with a study, or lie where the command is given, are never run.

Modules with the names of those that a run imports are planted in the caller's folder and in the
study folder; each would leave a mark. The `study` command runs in processes of its own; its
notebooks draw one figure each.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from studylib.run.execution import run_notebook
from tests.lean_notebooks import lean_notebooks
from tests.small_study import Plan, write_small_study
from tests.test_runner import PARAMETERS, write_notebook

NAMES = (
    *("matplotlib", "numpy", "pandas", "scipy", "soundfile", "pydantic", "jinja2", "click"),
    *("ipykernel_launcher", "ipykernel", "IPython", "matplotlib_inline", "nbformat", "papermill"),
    *("nbconvert", "tqdm", "json", "random", "typing", "tokenize", "sitecustomize"),
    *("usercustomize", "studylib"),
)
CONFIGURATIONS = (
    *("conftest", "jupyter_config", "jupyter_nbconvert_config", "ipython_config"),
    *("ipython_kernel_config", "startup"),
)
TEMPLATES = ("index.html.j2", "study_page/index.html.j2", "lab/index.html.j2", "base/base.html.j2")
COMMAND = """
import sys
from pathlib import Path
from studylib.cli import main
from studylib.run import runner
notebooks = Path(sys.argv.pop(1))
runner.notebook_path = lambda name: notebooks / f"{name}.ipynb"
sys.exit(main())
"""


def plant(folder: Path, mark: Path) -> None:
    """A module, configuration and page template of each name that writes to `mark`, a style that
    no drawing bears, and a repository whose settings name programs."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in TEMPLATES:
        (folder / name).parent.mkdir(exist_ok=True)
        write = f"{{{{ cycler.__init__.__globals__.os.system('echo {name} >> {mark}') }}}}"
        (folder / name).write_text(write, encoding="utf-8")
    (folder / "study_page" / "conf.json").write_text('{"base_template": "lab"}', encoding="utf-8")
    subprocess.run(["git", "init", "-q", folder], check=True)
    for name in ("core.fsmonitor", "core.pager", "core.sshCommand", "alias.rev-parse"):
        value = f"{'!' * name.startswith('alias')}echo {name} >> {mark}"
        subprocess.run(["git", "-C", folder, "config", name, value], check=True)
    for name in (*NAMES, *CONFIGURATIONS):
        line = f"open({str(mark)!r}, 'a').write({name!r} + '\\n')\nraise SystemExit({name!r})\n"
        (folder / f"{name}.py").write_text(line, encoding="utf-8")
    (folder / "matplotlibrc").write_text("figure.hooks: matplotlib:planted\n", encoding="utf-8")


def study(notebooks: Path, *arguments: str, folder: Path) -> subprocess.CompletedProcess:
    """The installed command as its script calls it: the caller's folder is not on its path."""
    return subprocess.run(
        [sys.executable, "-P", "-c", COMMAND, str(notebooks), *arguments],
        cwd=folder, capture_output=True, text=True, timeout=600,
        env={**os.environ, "PYTHONWARNINGS": "default"},
    )  # fmt: skip


@pytest.fixture(scope="module")
def planted(tmp_path_factory) -> tuple[Path, Path]:
    """A small study below a caller's folder, with modules planted in both; and their mark."""
    home = tmp_path_factory.mktemp("caller")
    folder = write_small_study(home / "rails", Plan(boards=2, mounts=1, takes=1, seconds=0.3))
    mark = home / "mark.txt"
    plant(home, mark)
    plant(folder, mark)
    return folder, mark


@pytest.fixture(scope="module")
def lean(tmp_path_factory) -> Path:
    """The folder of the notebooks, with a figure left in each: the style is there to be planted."""
    folder = tmp_path_factory.mktemp("lean")
    lean_notebooks(folder, drawn=1)
    return folder


@pytest.mark.parametrize(
    ("where", "command"),
    [
        ("study", ["run", "."]),
        ("study", ["check", "."]),
        ("caller", ["check", "rails"]),
        ("caller", ["plan", "rails", "--show"]),
    ],
)
def test_no_planted_module_is_run(planted, lean, where, command):
    folder, mark = planted
    done = study(lean, *command, folder=folder if where == "study" else folder.parent)
    assert done.returncode == 0, done.stdout + done.stderr
    assert not mark.exists(), mark.read_text()


DRAWN = """
import sys
from pathlib import Path
from matplotlib import matplotlib_fname
from studylib.figures import style
@style.styled
def draw():
    figure = style.new_figure(None, 3.0)
    figure.subplots().plot([1, 3, 2])
    return figure
style.save(draw(), Path(sys.argv[1]), "a")
print(Path(matplotlib_fname()).parent == Path())
"""


def test_a_style_that_lies_there_does_not_reach_a_figure(tmp_path):
    (tmp_path / "matplotlibrc").write_text(
        "savefig.facecolor: red\nsavefig.dpi: 40\nfont.size: 33\n"
    )
    for name, folder in (("planted", tmp_path), ("clean", tmp_path / "clean")):
        (tmp_path / name).mkdir()
        done = subprocess.run(
            [sys.executable, "-P", "-c", DRAWN, str(tmp_path / name)],
            cwd=folder, capture_output=True, text=True, check=True,
            env={**os.environ, "MPLBACKEND": "agg"},
        )  # fmt: skip
        assert done.stdout == f"{name == 'planted'}\n"  # it is read, and changes nothing
    for name in ("a.png", "a.svg"):
        assert (tmp_path / "planted" / name).read_bytes() == (
            tmp_path / "clean" / name
        ).read_bytes()


@pytest.mark.parametrize("where", ["study", "caller"])
def test_a_notebook_imports_from_the_installation_alone(planted, tmp_path, monkeypatch, where):
    folder, mark = planted
    monkeypatch.chdir(folder if where == "study" else folder.parent)
    asked = "import importlib, os, sys\n" + "\n".join(f"import {name}" for name in NAMES[:-4])
    path = write_notebook(
        tmp_path / "n.ipynb", PARAMETERS, asked, "import studylib\nos.listdir(), '' in sys.path"
    )
    done = run_notebook(path, {})
    assert done.cells[-1].outputs[0]["data"]["text/plain"] == "([], False)"
    assert not mark.exists(), mark.read_text()
