"""The front door: its names come quickly, its examples run, its faults are codes."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest

import studylib as st
from studylib.codes import fields_of
from studylib.errors import InputError

ROOT = Path(__file__).parents[1]
# In the order in which a user meets them: the later ones use what the earlier ones made.
DOORS = ("read_study", "measure_take", "measure_batch", "compare", "attribute", "plan", "say")


def test_the_front_door_is_quick_and_whole():
    asked = "import studylib, sys; print(sorted({'numpy', 'pandas', 'jinja2'} & set(sys.modules)))"
    found = subprocess.run(
        [sys.executable, "-c", asked], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert found.stdout == "[]\n"
    assert set(st.__all__) <= set(dir(st))
    assert all(getattr(st, name) is not None for name in st.__all__)
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = st.no_such_name


@pytest.mark.parametrize("name", DOORS)
def test_each_function_says_how_it_is_used_with_an_example(name):
    text = inspect.getdoc(getattr(st, name))
    for section in ("Parameters", "Returns", "Raises", "Examples"):
        assert f"\n{section}\n---" in text, section


def test_the_examples_run(monkeypatch, demo_batch):
    monkeypatch.chdir(ROOT)
    texts = [("studylib", st.__doc__)]
    texts += [(name, inspect.getdoc(getattr(st, name))) for name in DOORS]
    texts.append(("extended", inspect.getdoc(st.register.extended)))
    with demo_batch.in_place():
        assert examples_that_fail(texts) == ""


def test_the_examples_of_the_readme_run(monkeypatch, demo_batch, tmp_path):
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    assert len(blocks) == 3
    assert all(len(block.splitlines()) < 10 for block in blocks)
    (tmp_path / "data_demo").symlink_to(ROOT / "data_demo")
    monkeypatch.chdir(tmp_path)
    shared: dict = {}
    with demo_batch.in_place():
        for block in blocks:
            exec(compile(block, "README.md", "exec"), shared)
    assert shared["found"].table["verdict"].nunique() > 1
    assert (tmp_path / "effects.png").stat().st_size > 1000


def examples_that_fail(texts: list[tuple[str, str]]) -> str:
    shared = {"st": st, "pd": pd, "say": st.say}
    runner = doctest.DocTestRunner()
    told: list[str] = []
    for name, text in texts:
        names = shared if name != "extended" else vars(st.register).copy()
        example = doctest.DocTestParser().get_doctest(text, names, name, None, None)
        assert example.examples, name
        runner.run(example, out=told.append, clear_globs=False)
        shared.update(example.globs if name != "extended" else {})
    return "".join(told)


def test_the_three_first_examples_are_short():
    blocks = [block for block in st.__doc__.split("\n\n") if block.startswith(">>>")]
    assert len(blocks) == 3
    assert all(len(block.splitlines()) < 10 for block in blocks)


def test_modules_of_the_front_door_are_modules():
    for name in ("figures", "register", "tables"):
        assert isinstance(getattr(st, name), ModuleType)


@pytest.fixture
def boards() -> pd.DataFrame:
    return pd.DataFrame({"specimen": ["L1", "L2", "R1", "R2"], "wood": list("llrr")})


def rows(boards: pd.DataFrame) -> pd.DataFrame:
    return boards.assign(feature="probe.k3.response_db", value=[1.0, 2.0, 5.0, 6.0])


def test_missing_columns_and_strange_boards_are_named(boards):
    for features, specimens, fault in (
        (rows(boards).drop(columns="value"), boards, "front.no_column"),
        (rows(boards), boards.drop(columns="wood"), "front.no_column"),
        (rows(boards), boards.iloc[:3], "front.unknown_specimens"),
        (rows(boards), boards.iloc[[0, 0, 1, 2, 3]], "front.one_row_each"),
    ):
        with pytest.raises(InputError) as caught:
            st.compare(features, specimens)
        assert caught.value.codes == (fault,)
        assert str(caught.value)


def test_a_comparison_leaves_the_tables_that_came_in_alone(boards):
    features, specimens = rows(boards), boards.copy()
    st.compare(features, specimens)
    pd.testing.assert_frame_equal(features, rows(boards))
    pd.testing.assert_frame_equal(specimens, boards)


def test_boards_of_one_plank_are_one(boards):
    found = st.compare(rows(boards), boards.assign(source=["a", "a", "b", "c"]))
    assert found.effects["verdict"].tolist() == ["boards only"]


def test_bad_arguments_of_a_take_are_named():
    take = ROOT / "data_demo" / "recordings" / "day1" / "L1-m1-tone172-r1.flac"
    with pytest.raises(InputError) as caught:
        st.measure_take(take, tone_hz=-1.0)
    assert caught.value.codes == ("front.argument",)
    assert fields_of(caught.value.notes[0])["name"] == "fundamental_hz"
    with pytest.raises(InputError):
        st.measure_take(take.with_name("none.flac"), tone_hz=172.0)
    with pytest.raises(InputError) as caught:
        st.attribute(st.read_study(ROOT / "data_demo"))
    assert caught.value.codes == ("front.no_batch",)


def test_a_take_that_fails_a_check_keeps_its_rows_unusable():
    take = ROOT / "data_demo" / "recordings" / "day1" / "L1-m1-tone172-r1.flac"
    found = st.measure_take(take, tone_hz=180.0)
    assert len(found) > 20
    assert not found["usable"].any()
    assert (found["reason"] != "").all()


def test_an_own_feature_is_known_for_as_long_as_it_is_asked_for():
    own = st.register.Family(
        pattern="tone.own{}.level_db", numbers=(1, 3), unit="dB", scale="db",
        kind=st.register.Kind.TONE, harmonic=True, driver=True, drive_level=True, noise=False,
        room=True, limit=None, limit_source="limits.level",
    )  # fmt: skip
    with st.register.extended(own):
        assert st.register.find("tone.own3.level_db").harmonic == 3
        assert own in st.register.of_kind(st.register.Kind.TONE)
    with pytest.raises(InputError) as caught:
        st.register.find("tone.own3.level_db")
    assert caught.value.codes == ("features.unknown",)
    known = st.register.FAMILIES[0]
    with pytest.raises(ValueError), st.register.extended(known):  # noqa: PT011
        pass
