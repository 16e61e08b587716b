"""Notebooks on other machines: what a run asks of a worker, and the workers of a Dask cluster.

Any executor of Python's `concurrent.futures` kind will do (`runner.run_study`); `connected` gives
the one that a Dask client offers, which runs a lost worker's notebook again elsewhere. All workers
see the study folder and the report's under the same paths, and hold the library, Python and
numerical packages of whoever started the run, so that the tables are equal to the byte.

While a run lasts a file with a name of its own lies in the folder of the report: a worker that does
not see it works on another disk, and one for which it goes stops its kernel, because the run is
over.

Functions: `connected`; `made_with`; `run_elsewhere`, which a worker calls.
Source: https://docs.python.org/3/library/concurrent.futures.html (Executor);
https://distributed.dask.org (Client.get_executor).
"""

from __future__ import annotations

import logging
import os
import platform
import tempfile
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studylib import codes, errors
from studylib.run import provenance

if TYPE_CHECKING:
    from nbformat import NotebookNode

CONNECT_S, LOOK_S = 10.0, 0.5


@contextmanager
def connected(address: str) -> Iterator[Executor]:
    """The executor of a Dask cluster, as long as it is needed.

    address : of its scheduler, such as tcp://bench.local:8786.

    Raises
    ------
    RunError : the extra `cluster` is not installed, nothing answers, or no worker is there.
    """
    try:
        from distributed import Client
    except ImportError:
        raise errors.RunError(codes.note("run.no_cluster_extra")) from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # our sentences say it once
    try:
        client = Client(address, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        why = (str(error).splitlines() or [type(error).__name__])[0]
        raise errors.RunError(codes.note("run.no_cluster", address=address, why=why)) from None
    with client:
        workers = client.scheduler_info(n_workers=-1)["workers"]
        errors.RunError.refuse(not workers, "run.no_workers", address=address)
        yield client.get_executor()


def made_with() -> dict[str, str]:
    """What the numbers of a batch hang on beside its inputs: name -> version or digest."""
    own = {"studylib": provenance.library_digest(), "Python": platform.python_version()}
    return own | provenance.versions(provenance.NUMERIC)


def run_elsewhere(
    name: str,
    notebook: str,
    parameters: Mapping[str, Any],
    *,
    mark: Path,
    wanted: Mapping[str, str],
) -> NotebookNode:
    """Execute a notebook in the process that this is called in.

    Parameters
    ----------
    name, notebook : its file's name and text.
    parameters : see `execution.run_notebook`; paths from the root.
    mark : the file that is there as long as the run lasts.
    wanted : `made_with` of whoever started the run.

    Raises
    ------
    RunError : this process is made otherwise or does not see the folders.
    NotebookError : see `execution.run_notebook`.
    """
    from studylib.run.execution import Stop, run_notebook

    place, own = f"{platform.node()} ({os.getpid()})", made_with()
    other = [part for part, version in wanted.items() if own.get(part) != version]
    errors.RunError.refuse(other, "run.other_library", place=place, parts=other)
    unseen = [
        str(path.parent)
        for path in (mark, parameters["folder"] / "study.toml")
        if not path.exists()
    ]
    errors.RunError.refuse(unseen, "run.unseen", place=place, folders=unseen)
    stop, ended = Stop(), threading.Event()

    def watch() -> None:
        while not ended.wait(LOOK_S):
            if not mark.exists():
                return stop.now()

    threading.Thread(target=watch, daemon=True).start()
    try:
        with tempfile.TemporaryDirectory() as room:
            path = Path(room) / name
            path.write_text(notebook, encoding="utf-8")
            return run_notebook(path, parameters, stop=stop)
    finally:
        ended.set()
