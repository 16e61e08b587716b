"""One run at a time in the folder of a report.

The system's own lock on the hidden file `.running` is held while the run lasts. It ends with the
process, however that ends, so that nothing has to be cleared away after a crash. A drive that
knows no locks is written to without one.

- `alone_in`: makes the folder and holds it.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from studylib.errors import RunError

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


@contextmanager
def alone_in(home: Path) -> Iterator[None]:
    """Hold the folder of a report; it is made when missing.

    Raises
    ------
    RunError : the folder is itself a study, cannot be written to, or is held by another run.
    """
    if (home / "study.toml").exists():
        raise RunError(
            f"{home} is a study folder, and a report would overwrite what is in it; give another "
            "folder with --reports."
        )
    try:
        home.mkdir(parents=True, exist_ok=True)
        file = (home / RUNNING).open("ab")
    except OSError as error:
        raise RunError(
            f"The report cannot be written to {home} ({(error.strerror or str(error)).lower()}); "
            "give a folder that you may write to with --reports."
        ) from None
    with file:
        try:
            _lock(file)
        except OSError as error:
            if error.errno in HELD:
                raise RunError(
                    f"Another run is writing to {home}; wait until it has ended, or give another "
                    "folder with --reports."
                ) from None
        yield
