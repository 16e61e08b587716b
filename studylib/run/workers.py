"""The threads of one run: a few that wait for kernels, one that makes pages; and no second run.

papermill runs best from threads: they only wait, the work is done in the kernels. Pages are
made here, in the running process, while other notebooks run. With an executor the threads wait for
its workers, where the kernels then run (`cluster`). Whoever starts the workers hears, in its own
thread, how far each task is; a task is a batch, or the summary.

One run at a time works in the folder of a report: the system's own lock on the hidden file
`.running` is held while it lasts. It ends with the process, however that ends, so that nothing has
to be cleared away after a crash. A drive that knows no locks is written to without one.

- `Workers`: submit steps, wait for them, end them all.
- `alone_in`: makes the folder of a report and holds it.
"""

import errno
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from studylib import codes, errors, words
from studylib.run import cluster

POLL_S = 0.1
RUNNING = ".running"
HELD = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)

try:
    import fcntl
except ImportError:  # Windows
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

else:

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


# Called with (task, done, total, what is being done).
Tell = Callable[[str, int, int, str], None]
Noted = Callable[[str], tuple[int, int, str] | None]


class Workers:
    """Threads for notebooks and pages.

    Parameters
    ----------
    jobs : how many notebooks run at a time.
    tell : hears of progress, always in the thread that waits in `as_finished`.
    noted : task -> the progress that the notebook itself has noted; None where it notes none.
    executor : whose workers run the notebooks; None for this machine.
    """

    def __init__(
        self, *, jobs: int, tell: Tell, noted: Noted, executor: Executor | None = None
    ) -> None:
        self._executor, self._sent = executor, dict[Future, Path]()
        self._tell = tell
        self._noted = noted
        self._cells: dict[str, tuple[int, int]] = {}
        self._stop: Any = None  # an `execution.Stop` once there is something to stop
        self._kernels: Any = None  # `kernels.Kernels`, likewise, where this machine has them
        self._jobs = jobs
        self._notebooks = ThreadPoolExecutor(jobs, thread_name_prefix="notebook")
        self._pages = ThreadPoolExecutor(1, thread_name_prefix="page")

    def submit(self, step: Callable[..., Any], subject: Any) -> Future:
        """Run a step that calls `execute`."""
        # papermill takes a second to import: only where a notebook is really to be run, and
        # here, because two threads that import it at once stand in each other's way.
        if self._stop is None:
            from studylib.run import kernels

            if kernels.CAN_FORK and self._executor is None:
                self._kernels = kernels.Kernels()  # first, so that both import side by side
            from studylib.run.execution import Stop

            self._stop = Stop()
        return self._notebooks.submit(step, subject)

    def submit_page(self, step: Callable[..., Any], *subjects: Any) -> Future:
        """Run a step that makes a page; one at a time."""
        return self._pages.submit(step, *subjects)

    def execute(
        self, path: Path, task: str, parameters: Mapping[str, str], *, alone: bool = False
    ) -> Any:
        """Execute a notebook for a task, in the thread of a step; see `run_notebook`.

        alone : no other notebook runs meanwhile, so that it may use the processes of all.
        """
        from studylib.run.execution import run_notebook

        def cell(done: int, total: int) -> None:
            self._cells[task] = (done, total)

        if self._executor is None:
            return run_notebook(
                path,
                parameters,
                stop=self._stop,
                progress=cell,
                kernels=self._kernels,
                processes=self._jobs if alone else 1,
            )
        cell(0, 0)  # how far the cells are is known to the worker alone
        whole = {n: v.absolute() if isinstance(v, Path) else v for n, v in parameters.items()}
        sent = self._executor.submit(
            cluster.run_elsewhere, path.absolute(), whole, wanted=cluster.made_with()
        )
        self._sent[sent] = path
        try:
            return sent.result()
        except errors.RunError:
            raise
        except Exception as error:  # whatever the executor's own engine says of a lost worker
            kind, said = type(error).__name__, (str(error).splitlines() or [""])[0]
            raise errors.RunError(
                codes.note("run.worker_lost", task=task, error=kind, said=said)
            ) from error

    def as_finished(self, running: Mapping[Future, str]) -> Iterator[Future]:
        """The futures as they end; until then, tells ten times a second how far each task is."""
        pending = set(running)
        while pending:
            done, pending = wait(pending, timeout=POLL_S, return_when=FIRST_COMPLETED)
            for future in pending:
                self._tell_progress(running[future])
            for future in done:
                self._tell(
                    running[future], 1, 1, "done" if future.exception() is None else "failed"
                )
                yield future

    def close(self) -> None:
        """End the threads, and first the kernels that they wait for."""
        if self._stop is not None:
            self._stop.now()
        for sent, path in self._sent.items():
            path.unlink(missing_ok=True)  # so its worker knows
            sent.cancel()
        self._notebooks.shutdown(wait=True, cancel_futures=True)
        self._pages.shutdown(wait=True, cancel_futures=True)
        if self._kernels is not None:
            self._kernels.close()

    def _tell_progress(self, task: str) -> None:
        """Steps are the cells of the notebook and, inside one of them, the takes it measures."""
        if task in self._cells:
            done, total = self._cells[task]
            takes, of, what = self._noted(task) or (0, 0, words.say("run.comparing"))
            what = "drawing" if 0 < of == takes else what
            self._tell(task, done + takes, total + of, what)


@contextmanager
def alone_in(home: Path) -> Iterator[Path]:
    """Hold the folder of a report, and give it; it is made when missing.

    Raises
    ------
    RunError : the folder is itself a study, cannot be written to, or is held by another run.
    """
    errors.RunError.refuse((home / "study.toml").exists(), "run.study_folder", home=home)
    try:
        home.mkdir(parents=True, exist_ok=True)
        file = (home / RUNNING).open("ab")
    except OSError as error:
        raise errors.RunError(
            codes.note("run.not_writable", home=home, why=(error.strerror or str(error)).lower())
        ) from None
    with file:
        try:
            _lock(file)
        except OSError as error:
            if error.errno in HELD:
                raise errors.RunError(codes.note("run.held", home=home)) from None
        yield home
