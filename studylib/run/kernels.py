"""Kernels forked from one process that has imported everything once.

A kernel that starts by itself imports IPython, pandas, matplotlib and the library: one to two
seconds of the processor before its first cell. Where the system can, a run starts one process that
imports all of it and then only waits; each kernel is a copy of that process from before any cell
was run, so that nothing of one notebook reaches another.

Conventions: the process that waits has one thread, no kernel and a safe path (`python -P`), and
stands in the folder of the library, so that nothing in the caller's folder is read. An order goes
to it as a line of JSON through its standard input, a socket, and the number of the new process
comes back. It ends with whoever started it, because that closes the socket; a kernel ends with it,
as any kernel does whose parent is gone. This is for Linux; on other systems each kernel starts by
itself.

- `Kernels`: the waiting process and its kernels, one for a run.
- `Forking`: what a kernel's manager asks for its process.
"""

import errno
import gc
import importlib
import json
import os
import socket
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import psutil
from jupyter_client.provisioning import LocalProvisioner

# Beside the libraries of macOS no process survives a fork, and Windows cannot.
CAN_FORK = sys.platform == "linux"
# What kernels import before their first cell, and what the notebooks import in theirs.
IMPORTED = (
    *("ipykernel.kernelapp", "ipykernel.debugger", "IPython.core.completerlib", "sqlite3"),
    *("IPython.extensions.storemagic", "tornado.platform.asyncio", "psutil", "PIL.PngImagePlugin"),
    *("matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg"),
    *("pandas.io.formats.csvs", "studylib.front", "studylib.figures", "studylib.measure.batch"),
    *("studylib.modes.gathered", "studylib.report.film", "studylib.report.summary"),
    *("studylib.report.one_batch", "studylib.report.attribution", "studylib.report.covariates"),
    *("studylib.report.heard_aloud", "studylib.report.text", "studylib.report.trace"),
    *("studylib.report.trust",),
)
# Of every kernel, however it starts.
ENVIRONMENT = {
    "MPLBACKEND": "module://matplotlib_inline.backend_inline",
    "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    # One thread each: the batches run side by side, and sums keep their order.
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}


class _Forked(psutil.Process):
    """One kernel, as a provisioner expects a process.

    Only its parent could know what it ended with, and takes no notice before its own end: so long
    no other process has this one's number.
    """

    stdin = stdout = stderr = None

    def poll(self) -> int | None:
        """None while it lives."""
        return None if self.is_running() and self.status() != psutil.STATUS_ZOMBIE else 1

    def wait(self, timeout: float | None = None) -> int:
        """Whoever waits has polled before."""
        return 1


class Kernels:
    """The process that kernels are copies of; it begins to import when this is made."""

    def __init__(self) -> None:
        self._one_at_a_time = threading.Lock()
        ours, theirs = socket.socketpair()
        with ours, theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "studylib.run.kernels"],
                stdin=theirs,
                env=os.environ | ENVIRONMENT,
                cwd=Path(__file__).parent,
                start_new_session=True,
            )
            self._line = ours.makefile("rw")

    def fork(self, command: list[str], *, env: dict[str, str], cwd: str) -> _Forked:
        """A new kernel.

        Parameters
        ----------
        command : as it would be started by itself: Python, -P, -m, the launcher, its arguments.
        env, cwd : of the kernel.

        Raises
        ------
        OSError : the process that waits has ended.
        """
        with self._one_at_a_time:
            print(json.dumps([command[3:], env, cwd]), file=self._line, flush=True)
            pid = self._line.readline()
        if not pid:
            raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))
        return _Forked(int(pid))

    def close(self) -> None:
        """End it, and with it the kernels that are left."""
        with suppress(BrokenPipeError):  # an order that nobody read
            self._line.close()
        self._process.wait()


class Forking(LocalProvisioner):
    """Has its kernels forked; everything else is as for a kernel that starts by itself."""

    kernels: Kernels

    async def launch_kernel(self, cmd: list[str], **options: Any) -> Any:
        self.process = self.kernels.fork(cmd, env=options["env"], cwd=options["cwd"])
        self.pid = self.pgid = self.process.pid
        return self.connection_info


def wait() -> None:
    """Import, then copy this process for each order until nobody is left to give one."""
    for name in IMPORTED:
        importlib.import_module(name)
    gc.freeze()  # what is shared stays so: no kernel's collector writes to it
    orders = socket.socket(fileno=0).makefile("rw")
    while order := orders.readline():
        if (pid := os.fork()) == 0:
            orders.close()
            return _become(*json.loads(order))
        print(pid, file=orders, flush=True)
    with suppress(ChildProcessError):  # so that their time is counted, as that of any child is
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass


def _become(arguments: list[str], env: dict[str, str], cwd: str) -> None:
    from ipykernel.kernelapp import IPKernelApp

    from studylib import elsewhere

    os.setsid()
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.environ.clear()
    os.environ.update(env)
    os.chdir(cwd)
    sys.argv = arguments
    elsewhere.begin(bytes)  # whoever draws beside this kernel is forked while it has one thread
    # A kernel ends when the parent that it is told of does.
    IPKernelApp.launch_instance(arguments[1:], parent_handle=os.getppid())


if __name__ == "__main__":
    wait()
