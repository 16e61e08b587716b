"""Run one notebook through papermill so that its success can be believed.

papermill's own status cannot be: after a killed kernel every cell says "completed". Here a
notebook counts as run only when nothing was raised *and* every code cell has an execution
count; whoever calls asks for a result file on top.

What else is settled here, once:
- parameters are plain values under names that the notebook declares; anything else is refused,
  because papermill pastes names and unknown objects into the code as they are; a path is handed
  over whole, and stands in the notebook that comes back as it was given;
- the kernel is the Python that runs this, whichever environment is active, with inline figures
  and one thread of linear algebra, so that the same inputs give the same bytes;
- the kernel imports from the installation alone: it starts on a safe path (`python -P`) in an
  empty folder of its own, so that no file that came with a study or lies in the caller's folder
  (`matplotlib.py`, `matplotlibrc`) is ever run or read by it;
- the notebook that comes back holds no times, no paths of papermill and no random id;
- a `Stop` ends the kernels that this process started, and only those.

`python -m studylib.run.execution notebooks/*.ipynb` runs notebooks with their defaults, as by hand,
and keeps the outputs in them: so the committed notebooks are refreshed. With `--tidy` it runs
nothing, and takes away what another program left that ran and saved them: times, the kernel's name.
"""

import asyncio
import contextvars
import logging
import os
import sys
import tempfile
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import nbformat
import zmq
from jupyter_client import AsyncKernelManager, KernelManager
from jupyter_client.kernelspec import KernelSpec
from jupyter_core.utils import ensure_event_loop
from nbformat import NotebookNode
from papermill import PapermillExecutionError, execute_notebook, inspect_notebook
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import Engine, papermill_engines
from papermill.translators import translate_parameters
from traitlets.config import Config

from studylib import codes, errors, writing
from studylib.run.kernels import ENVIRONMENT, Forking, Kernels

KERNEL = "python3"
KERNELSPEC = {"display_name": "Python 3", "language": "python", "name": KERNEL}
# What programs that run notebooks write into the metadata of cells.
LEFT = ("papermill", "execution", "ExecuteTime", "collapsed", "scrolled", "editable", "deletable")
ENGINE = "studylib"
# Errors whose message is already a sentence for the user.
OWN_ERRORS = ("StudyError", "InputError", "RunError")
CellProgress = Callable[[int, int], None]


class NotebookError(errors.RunError):
    """A notebook did not come to its end; `notebook` is as far as it got, or None."""

    def __init__(self, fault: str, notebook: NotebookNode | None = None):
        super().__init__(fault)
        self.notebook = notebook


class Stop:
    """Ends every kernel of this run from another thread; a run that is asked to stop stays so."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._managers: list[Any] = []
        self.asked = False

    def watch(self, manager: Any) -> None:
        """Take charge of one started kernel; raises RunError when the run is to stop."""
        with self._lock:
            self._managers.append(manager)
            asked = self.asked
        if asked:
            _kill(manager)
            raise errors.RunError(codes.note("run.stopped"))

    def now(self) -> None:
        """Kill the kernels; the threads that wait for them notice within a second or two."""
        with self._lock:
            self.asked = True
            managers = list(self._managers)
        for manager in managers:
            _kill(manager)


def _kill(manager: Any) -> None:
    process = getattr(getattr(manager, "provisioner", None), "process", None)
    if process is not None and process.poll() is None:
        process.kill()


class _OwnKernel(AsyncKernelManager):
    """This very Python, whatever kernels the machine knows, on a safe path."""

    @property
    def kernel_spec(self) -> KernelSpec:
        return KernelSpec(
            argv=[
                *(sys.executable, "-P", "-m", "ipykernel_launcher", "-f", "{connection_file}"),
                "--InteractiveShellApp.ignore_cwd=True",  # else IPython puts the folder back
            ],
            display_name="Python 3 (ipykernel)",
            language="python",
            metadata={"supported_encryption": ["curve"]},
        )


class _StudyEngine(Engine):
    """papermill's engine with the kernel's environment settled and its process known."""

    @classmethod
    def execute_managed_notebook(
        cls,
        nb_man: Any,
        kernel_name: str,
        *,
        stop: Stop,
        progress: CellProgress | None,
        folder: str,
        seen: dict[str, Any],
        kernels: Kernels | None,
        processes: int,
        **_: Any,
    ) -> None:
        """The options behind the star are ours; papermill hands them through."""
        seen["notebook"] = nb_man.nb

        def started(**_: Any) -> None:
            stop.watch(manager)

        def cell_starts(*, cell_index: int, **_: Any) -> None:
            if progress is not None:
                progress(cell_index, len(nb_man.nb.cells))

        # Messages to the kernel are encrypted where the libraries can; otherwise it warns.
        encrypted = zmq.has("curve") and hasattr(KernelManager, "transport_encryption")
        manager = _OwnKernel(
            kernel_name=kernel_name,
            log=_LOG,
            config=Config({"KernelManager": {"transport_encryption": "auto"}} if encrypted else {}),
        )
        if kernels is not None:
            manager.provisioner = Forking(parent=manager, kernel_spec=manager.kernel_spec)
            manager.provisioner.kernels = kernels
        client = PapermillNotebookClient(
            nb_man,
            manager,
            kernel_name=kernel_name,
            timeout=None,
            startup_timeout=120,
            record_timing=False,
            coalesce_streams=True,
            # The results are on disk by then: nothing is gained by a slow goodbye.
            shutdown_kernel="immediate",
            on_notebook_start=started,
            on_cell_start=cell_starts,
            log=_LOG,
        )
        # In an empty context the client makes an event loop of its own, which can be closed.
        contextvars.Context().run(_execute, client, folder, processes)


def _execute(client: PapermillNotebookClient, folder: str, processes: int) -> None:
    env = os.environ | ENVIRONMENT | {"STUDYLIB_JOBS": str(processes)}
    try:
        # The kernel's own working folder; papermill's `cwd` would move this whole process there.
        client.execute(env=env, cwd=folder, cleanup_kc=True)
    finally:
        ensure_event_loop().close()
        asyncio.set_event_loop(None)


_LOG = logging.getLogger("studylib.notebooks")
_LOG.addHandler(logging.NullHandler())
_LOG.propagate = False
papermill_engines.register(ENGINE, _StudyEngine)


def run_notebook(
    path: Path,
    parameters: Mapping[str, Any],
    *,
    stop: Stop | None = None,
    progress: CellProgress | None = None,
    folder: Path | None = None,
    kernels: Kernels | None = None,
    processes: int = 1,
) -> NotebookNode:
    """Execute a notebook and return it, byte-stable.

    Parameters
    ----------
    path : the notebook; it is not changed.
    parameters : name -> str, int, float, bool, None, a path, or lists and dicts of plain values.
        Every name must stand in the notebook's cell tagged `parameters`.
    stop : may end the kernel from another thread.
    progress : called in this thread with (cells done, cells in all).
    folder : the kernel's working folder; None means an empty one of its own.
    kernels : has the kernel forked; None means one that starts by itself.
    processes : how many the kernel may use side by side, itself among them.

    Raises
    ------
    RunError : a parameter that the notebook does not declare, or of a type that is not plain.
    NotebookError : a cell failed, the kernel died, or a code cell was never run.
    """
    source = nbformat.read(path, as_version=4)
    _check_parameters(path, source, parameters)
    seen: dict[str, Any] = {}
    # On some systems a folder cannot be deleted while the kernel that worked there is dying.
    with tempfile.TemporaryDirectory(prefix="studylib-", ignore_cleanup_errors=True) as empty:
        try:
            # A notebook object and no output path: papermill would format braces in paths.
            done = execute_notebook(
                source,
                None,
                # Paths whole: the kernel works in another folder than whoever named them.
                parameters={
                    name: Path(os.path.abspath(value)).as_posix()
                    if isinstance(value, Path)
                    else value
                    for name, value in parameters.items()
                },
                engine_name=ENGINE,
                kernel_name=KERNEL,
                progress_bar=False,
                stop=stop or Stop(),
                progress=progress,
                folder=str(folder) if folder is not None else empty,
                seen=seen,
                kernels=kernels,
                processes=processes,
            )
        except Exception as error:
            raise NotebookError(
                _failure(path, error), _stable(seen.get("notebook"), parameters)
            ) from error
    done = _stable(done, parameters)
    never_run = [
        cell
        for cell in done.cells
        if cell.cell_type == "code" and cell.source.strip() and not cell.execution_count
    ]
    if never_run:
        raise NotebookError(
            codes.note("run.cells_not_run", notebook=path.name, cells=len(never_run)), done
        )
    return done


def refresh(path: Path) -> None:
    """Run a notebook with its defaults, in its own folder, and keep the outputs in it."""
    done = run_notebook(path, {}, folder=path.parent.resolve())
    writing.write_whole(path, nbformat.writes(done) + "\n")


def tidy(path: Path) -> None:
    """Keep a notebook as `refresh` does that another program has run and saved."""
    kept = _stable(nbformat.read(path, as_version=4), {})
    writing.write_whole(path, nbformat.writes(kept) + "\n")


def _check_parameters(path: Path, source: NotebookNode, parameters: Mapping[str, Any]) -> None:
    declared = inspect_notebook(source)
    for name, value in parameters.items():
        about = {"notebook": path.name, "name": name}
        errors.RunError.refuse(
            name not in declared or not name.isidentifier(),
            "run.no_parameter",
            **about,
            known=list(declared),
        )
        errors.RunError.refuse(
            not (isinstance(value, Path) or _is_plain(value)),
            "run.not_plain",
            **about,
            type=type(value).__name__,
        )


def _is_plain(value: Any) -> bool:
    # Exact types: a subclass (numpy's, or a str with its own repr) is not quoted safely.
    if type(value) is list:
        return all(_is_plain(item) for item in value)
    return (
        all(type(key) is str and _is_plain(item) for key, item in value.items())
        if type(value) is dict
        else value is None or type(value) in (str, int, float, bool)
    )


def _failure(path: Path, error: Exception) -> str:
    """What went wrong, as a note: the library's own words when the notebook ends with them."""
    # Any other way to fail is a kernel that did not start or did not live to the end.
    if not isinstance(error, PapermillExecutionError):
        said, kind = (str(error).splitlines() or [""])[0], type(error).__name__
        return codes.note("run.kernel_ended", notebook=path.name, error=kind, said=said)
    lines = [line for line in str(error.evalue).splitlines() if line.strip()]
    said = lines[0].strip() if lines else ""
    if error.ename in OWN_ERRORS and said:
        return codes.note("run.cell_refused", said=said, more=len(lines) - 1)
    return codes.note(
        "run.cell_failed",
        notebook=path.name,
        code="".join(error.source.strip().splitlines()[:1]),
        error=error.ename,
        said=said,
    )


def _stable(notebook: NotebookNode | None, parameters: Mapping[str, Any]) -> NotebookNode | None:
    """The notebook without times, paths, marks and random ids; changed in place.

    Its kernel has the one name that every notebook here gives it.

    Its parameters stand as they were given, of a path from the root the last name alone, so that
    no path of this machine is published.
    """
    if notebook is None:
        return None
    notebook.metadata.pop("papermill", None)
    notebook.metadata["kernelspec"] = dict(KERNELSPEC)
    notebook.metadata.get("language_info", {}).pop("version", None)
    notebook.cells = [
        cell
        for cell in notebook.cells
        if "papermill-error-cell-tag" not in cell.metadata.get("tags", [])
    ]
    for cell in notebook.cells:
        for name in LEFT:
            cell.metadata.pop(name, None)
        if not cell.metadata.get("tags", ["some"]):
            del cell.metadata["tags"]
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
            cell["source"] = translate_parameters(
                KERNEL,
                "python",
                {
                    name: (value.name if value.is_absolute() else value.as_posix())
                    if isinstance(value, Path)
                    else value
                    for name, value in parameters.items()
                },
                "Parameters",
            )
    return notebook


if __name__ == "__main__":
    for argument in filter("--tidy".__ne__, sys.argv[1:]):
        (tidy if "--tidy" in sys.argv else refresh)(Path(argument))
