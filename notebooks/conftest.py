"""What nbval overlooks in outputs, found from any folder: `pytest --nbval notebooks/plan.ipynb`."""

from pathlib import Path


def pytest_configure(config):
    """nbval itself takes the path from the caller's folder."""
    if getattr(config.option, "nbval_sanitize_with", "") is None:
        place = Path(__file__).parents[1] / "tests" / "nbval_sanitize.cfg"
        config.option.nbval_sanitize_with = str(place)
