"""The tests to begin with: something of every room of the library, in less than a minute.

`pytest -m quick` runs them and looks at no other file. They are files, or single tests of files
that take longer.
"""

from __future__ import annotations

QUICK: dict[str, tuple[str, ...]] = {
    "errors": ("test_settings.py",),
    "register": ("test_register.py",),
    "sheets": ("test_sheets.py", "test_template.py"),
    "recordings": ("test_recordings.py",),
    "signal": ("signal/test_bands.py", "signal/test_harmonics.py", "signal/test_quality.py"),
    "measure": ("test_parts.py", "test_harmonic_rows.py"),
    "modes": ("test_mode_features.py",),
    "attribution": ("attribution/test_attribute.py", "attribution/test_steps.py"),
    "wood": ("wood/test_beams.py", "wood/test_properties.py", "wood/test_moisture.py"),
    "stats": ("stats/test_studentized.py", "stats/test_decisions.py", "stats/test_nested.py"),
    "figures": (
        "test_figures.py::test_colours_are_those_published_by_okabe_and_ito",
        "test_figures.py::test_every_board_is_one_point_with_its_mounts_and_the_woods_interval",
        "test_figures.py::test_variance_shares_and_intervals",
    ),
    "report": ("test_pages.py", "test_at_the_bench.py"),
    "bench": ("test_schedule.py", "test_signals.py"),
    "run": ("test_runner.py::test_parameters_that_papermill_would_paste_are_refused",),
    "cli": ("test_cli.py::test_help_is_quick_because_nothing_heavy_is_imported",),
}
NAMES = tuple(name for names in QUICK.values() for name in names)
FILES = {name.split("::")[0] for name in NAMES}


def is_quick(nodeid: str) -> bool:
    """Does a test, by its node id below tests/, belong to them?"""
    return any(nodeid == name or nodeid.startswith((f"{name}::", f"{name}[")) for name in NAMES)
