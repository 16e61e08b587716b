"""Work done by other processes beside this one, where it was given some.

How many it may use, itself among them, stands in the variable STUDYLIB_JOBS, as the number of its
threads does in OMP_NUM_THREADS. Without it, and on systems without `multiprocessing`'s fork server
(Windows), all is done here. What comes out is the same to the bit wherever it is made.

Conventions: the others are forked at the first call where this process has a single thread by then;
beside threads a copy may stand still for ever, and they come from the fork server, which has to
import everything first. They end with this process, however that ends, and no interrupt is theirs.
"""

import functools
import itertools
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from typing import Any

_AT_ONCE = 16  # calls, which is as many results as wait for their turn


def begin(call: Callable[[], Any]) -> Callable[[], Any]:
    """Have a call made beside this process.

    Parameters
    ----------
    call : of a function of some module, with arguments that can be sent to another process.

    Returns
    -------
    What waits for the result, or raises what the call has raised. It makes the call itself where
    nobody has begun it by then, and where those who have are gone, as memory that runs short takes
    the largest process.
    """
    sent = None
    with suppress(BrokenProcessPool):
        sent = others.submit(call) if (others := _others()) else None

    def result() -> Any:
        if sent is not None and not sent.cancel():
            with suppress(BrokenProcessPool):
                return sent.result()
        return call()

    return result


def each(calls: Iterable[Callable[[], Any]]) -> Iterator[Any]:
    """The results of many calls (see `begin`) in their order, some made beside this process."""
    calls = iter(calls)
    while begun := [begin(call) for call in itertools.islice(calls, _AT_ONCE)]:
        # From the last on, while the others make the first.
        yield from reversed([result() for result in reversed(begun)])


@functools.cache
def _others() -> ProcessPoolExecutor | None:
    # A third would come too late: two draw all frames while this process draws the page's figures.
    count = min(int(os.environ.get("STUDYLIB_JOBS", 1)) - 1, 2)
    way = "fork" if sys.platform == "linux" and threading.active_count() == 1 else "forkserver"
    return (
        ProcessPoolExecutor(count, multiprocessing.get_context(way), _serve)
        if count > 0 and way in multiprocessing.get_all_start_methods()
        else None
    )


def _serve() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(
        target=lambda: (multiprocessing.parent_process().join(), os._exit(1)), daemon=True
    ).start()
