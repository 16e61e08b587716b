"""Benchmarks are run by hand, so nothing else notices when the library moves under them."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path
from pkgutil import resolve_name

import pytest

from tests.benchmarks import attribution_time

FOLDER = Path(__file__).parent / "benchmarks"
MODULES = {
    ".".join(path.relative_to(FOLDER.parents[1]).with_suffix("").parts): path
    for path in sorted(FOLDER.rglob("*.py"))
}


@pytest.mark.parametrize("module", MODULES)
def test_a_benchmark_can_be_imported_and_what_it_patches_exists(module):
    loaded = importlib.import_module(module)
    for name in getattr(loaded, "PATCHED", ()):
        resolve_name(name)  # AttributeError or ImportError for a name that moved


def _patches(tree: ast.Module) -> bool:
    """Whether a module replaces names of others."""
    return any(
        isinstance(node, ast.Name | ast.Attribute)
        and getattr(node, "id", getattr(node, "attr", "")) in ("patch", "setattr", "monkeypatch")
        for node in ast.walk(tree)
    )


@pytest.mark.parametrize("module", MODULES)
def test_a_benchmark_that_patches_lists_what(module):
    if _patches(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        assert importlib.import_module(module).PATCHED


def test_the_time_of_attribution_is_taken_piece_by_piece(tmp_path):
    kind = "one probe tone and a sweep"
    study = attribution_time.write(tmp_path / "study", kind, takes=60, rate_hz=8000)
    attribution_time.without(study)
    spent = attribution_time.Pieces().run(study)
    assert all(seconds > 0 for seconds in spent.values())
