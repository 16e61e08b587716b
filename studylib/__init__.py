"""Signal processing and statistics for a reproducible study of boards of several woods.

The front door; everything is imported when it is first asked for.

    read_study      a study folder, checked
    measure_take    one recording of a tone, without a study
    measure_batch   every take of a batch, measured and checked
    compare         woods, from plain tables
    attribute       board or driver, for each harmonic
    plan            what a design can find
    figures         every figure, drawn from these tables
    register        what each feature is; `register.extended` for your own
    tables          columns, units and meanings of every table
    say             the sentence of a note

Examples
--------
Measure one recording:

>>> import studylib as st
>>> take = "data_demo/recordings/day1/L1-m1-tone172-r1.flac"
>>> found = st.measure_take(take, tone_hz=172.0, drive=2)
>>> found.loc[found["feature"] == "tone.h1.response_db", "unit"].item()
'dB'

Compare two woods on three boards each:

>>> import pandas as pd
>>> boards = pd.DataFrame({"specimen": ["L1", "L2", "L3", "R1", "R2", "R3"],
...                        "wood": ["larch"] * 3 + ["robinia"] * 3,
...                        "source": ["1", "2", "3", "4", "5", "6"]})
>>> level = [-20.1, -19.6, -20.4, -14.0, -14.7, -14.4]
>>> found = st.compare(boards.assign(feature="probe.k3.response_db", value=level), boards)
>>> print(found.effects["verdict"].item())
different

Compare them on a feature of your own that the register does not know:

>>> own = st.register.Family(pattern="tone.even_odd_db", numbers=None, unit="dB", scale="db",
...     kind="tone", harmonic=False, driver=True, drive_level=False, noise=False, room=True,
...     limit=None, limit_source="limits.no_sound")
>>> with st.register.extended(own):
...     found = st.compare(boards.assign(feature="tone.even_odd_db", value=level), boards)
>>> found.effects["feature"].tolist()
['tone.even_odd_db']
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from studylib import figures, register, tables
    from studylib.front import attribute, compare, measure_take, plan
    from studylib.measure import measure_batch
    from studylib.sheets import read_study
    from studylib.words import say

__all__ = [
    "attribute",
    "compare",
    "figures",
    "measure_batch",
    "measure_take",
    "plan",
    "read_study",
    "register",
    "say",
    "tables",
]

_PLACES = {
    **dict.fromkeys(("attribute", "compare", "measure_take", "plan"), "studylib.front"),
    "measure_batch": "studylib.measure",
    "read_study": "studylib.sheets",
    "say": "studylib.words",
}


def __getattr__(name: str) -> Any:
    if name in _PLACES:
        return getattr(import_module(_PLACES[name]), name)
    if name in __all__:
        return import_module(f"studylib.{name}")
    raise AttributeError(name)


def __dir__() -> list[str]:
    return [*globals(), *__all__]
