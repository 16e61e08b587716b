"""The demo is measured once a run of pytest: tests, workers and notebooks share its batches."""

from __future__ import annotations

import contextlib
import pickle
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import studylib.measure
from studylib.writing import slug
from tests.once import made_once

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
MEASURE = studylib.measure.measure_batch
# Run by the kernel of a notebook before its first cell; the names are taken away again.
STARTUP = """
def _share_the_demo():
    import sys
    sys.path.insert(0, {root!r})
    try:
        from tests.demo import OnceMeasured
    finally:
        sys.path.remove({root!r})
    OnceMeasured({shared!r}).put_in()

_share_the_demo()
del _share_the_demo
"""


class OnceMeasured:
    """`measure_batch` that takes the demo's batches from a folder, and puts them there at first."""

    def __init__(self, shared: Path | str) -> None:
        self.shared = Path(shared)

    def __call__(self, study: Any, batch: str, **options: Any) -> Any:
        """A batch as measured in place; nobody else holds the same tables."""
        if Path(study.folder).resolve() != DEMO:
            return MEASURE(study, batch, **options)
        path = self.shared / f"{slug(batch)}.pickle"
        return pickle.loads(made_once(path, lambda: pickle.dumps(MEASURE(study, batch))))

    def put_in(self) -> list[Any]:
        """Take the place of `measure_batch` in every module that has it; those modules."""
        holders = [
            module
            for name, module in list(sys.modules.items())
            if name.partition(".")[0] == "studylib" and vars(module).get("measure_batch") is MEASURE
        ]
        for module in holders:
            module.measure_batch = self
        return holders

    @contextlib.contextmanager
    def in_place(self) -> Iterator[None]:
        """`put_in` for a while."""
        holders = self.put_in()
        try:
            yield
        finally:
            for module in holders:
                module.measure_batch = MEASURE


def write_startup(shared: Path) -> Path:
    """A folder for IPYTHONDIR with which a notebook's kernel shares the demo."""
    place = shared / "ipython" / "profile_default" / "startup"
    place.mkdir(parents=True, exist_ok=True)
    text = STARTUP.format(root=str(DEMO.parent), shared=str(shared))
    (place / "00-demo.py").write_text(text, encoding="utf-8")
    return shared / "ipython"
