"""Notebooks on other machines: what a run asks of a worker, and the workers of a Dask cluster.

Any executor of Python's `concurrent.futures` kind will do (`runner.run_study`); `connected` gives
the one that a Dask client offers, which runs a lost worker's notebook again elsewhere. All workers
see the study folder and the report's under the same paths, and hold the library, Python and
numerical packages of whoever started the run, so that the tables are equal to the byte.

The notebook lies in the folder of the report as long as the run lasts: a worker that does not see
it works on another disk, and one for which it goes stops its kernel, because the run is over.

Functions: `connected`; `made_with`; `run_elsewhere`, which a worker calls.
Source: https://docs.python.org/3/library/concurrent.futures.html (Executor);
https://distributed.dask.org (Client.get_executor).
"""

import logging
import os
import platform
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from studylib import codes, errors
from studylib.run import provenance

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
        errors.RunError.refuse(
            not client.scheduler_info(n_workers=-1)["workers"], "run.no_workers", address=address
        )
        yield client.get_executor()


def made_with() -> dict[str, str]:
    """What the numbers of a batch hang on beside its inputs: name -> version or digest."""
    return provenance.versions(provenance.NUMERIC) | {
        "Python": platform.python_version(),
        "studylib": provenance.library_digest(),
    }


def run_elsewhere(path: Path, parameters: Mapping[str, Any], *, wanted: Mapping[str, str]) -> Any:
    """Execute a notebook in the process that this is called in, until its file goes.

    Parameters
    ----------
    path, parameters : see `execution.run_notebook`; paths from the root.
    wanted : `made_with` of whoever started the run.

    Returns
    -------
    The executed notebook.

    Raises
    ------
    RunError : this process is made otherwise or does not see the folders.
    NotebookError : see `execution.run_notebook`.
    """
    from studylib.run.execution import Stop, run_notebook

    place, own = f"{platform.node()} ({os.getpid()})", made_with()
    other = [part for part, version in wanted.items() if own.get(part) != version]
    errors.RunError.refuse(other, "run.other_library", place=place, parts=other)
    needed = {path.parents[1]: path, parameters["folder"]: parameters["folder"] / "study.toml"}
    unseen = [str(folder) for folder, file in needed.items() if not file.exists()]
    errors.RunError.refuse(unseen, "run.unseen", place=place, folders=unseen)
    stop, ended = Stop(), threading.Event()

    def watch() -> None:
        while not ended.wait(LOOK_S):
            if not path.exists():
                return stop.now()

    threading.Thread(target=watch, daemon=True).start()
    try:
        return run_notebook(path, parameters, stop=stop)
    finally:
        ended.set()
