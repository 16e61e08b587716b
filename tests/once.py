"""What several processes of one run need is made by one of them; the others wait for it."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable
from pathlib import Path

PATIENCE_S = 3600.0  # longer than anything made here takes: whoever makes it has ended


def made_once(path: Path, make: Callable[[], bytes], *, patience_s: float = PATIENCE_S) -> bytes:
    """The bytes in `path`, made and written by the first that asks.

    A folder beside it is the sign that somebody is at work: making a folder either succeeds or
    finds it there, for one process only. The file appears whole, by being renamed. A maker that
    fails takes its sign back, so that the next one tries and sees the fault itself; one that
    vanished is given up after `patience_s`.
    """
    sign = path.with_name(path.name + ".making")
    until = time.monotonic() + patience_s
    while not path.exists():
        try:
            sign.mkdir()
        except FileExistsError:
            if time.monotonic() > until:
                _take_back(sign)
            time.sleep(0.05)
            continue
        try:
            if not path.exists():  # between the question above and the sign
                half = path.with_name(f"{path.name}.{os.getpid()}.part")
                half.write_bytes(make())
                half.replace(path)
        finally:
            _take_back(sign)
    return path.read_bytes()


def _take_back(sign: Path) -> None:
    with contextlib.suppress(FileNotFoundError):  # somebody lost patience and took it away
        sign.rmdir()
