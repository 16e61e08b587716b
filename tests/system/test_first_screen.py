"""The page of a study in a real browser: the answer stands on the first screen of a desktop and a
phone, nothing is wider than the screen, every link has its target, and every picture can be seen.

The page itself has no script. A copy of it, without its policy, is measured from a page around it.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import nbformat
import pytest

from studylib.report.pages import page_html

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(BROWSER is None, reason="no browser: .ci/system installs chromium"),
]
SUMMARY = Path(__file__).parents[2] / "notebooks" / "summary.ipynb"
AROUND = """<!doctype html><meta charset="utf-8"><body style="margin:0">
<iframe id="page" style="border:0;width:{width}px;height:{height}px" srcdoc="{page}"></iframe>
<pre id="told"></pre><script>
window.onload = () => {{
  const page = document.getElementById("page").contentDocument;
  const first = [...page.querySelectorAll(".first")].map(e => e.getBoundingClientRect().bottom);
  const wide = [...page.querySelectorAll("main > *")].map(e => e.getBoundingClientRect().right);
  const lost = [...page.querySelectorAll("a[href^='#']")].map(e => e.getAttribute("href"))
    .filter(one => !page.getElementById(one.slice(1)));
  const blank = [...page.images].filter(e => !e.naturalWidth).length;
  document.getElementById("told").textContent = JSON.stringify(
    {{first: Math.max(...first), wide: Math.max(...wide), lost, blank,
      scroll: page.documentElement.scrollWidth, still: [...page.querySelectorAll("figure, .wide")]
        .filter(e => e.scrollWidth > e.clientWidth && e.tabIndex < 0).length,
      links: page.links.length, images: page.images.length}});
}};
</script>"""


def measured(folder: Path, width: int, height: int, notebook: Path = SUMMARY) -> dict:
    page = page_html(nbformat.read(notebook, as_version=4), title="a study")
    page = re.sub(r"<meta http-equiv=[^>]*>", "", page)
    around = folder / "around.html"
    around.write_text(
        AROUND.format(width=width, height=height, page=html.escape(page)), encoding="utf-8"
    )
    size = f"--window-size={width + 20},{height + 20}"
    options = ["--headless", "--no-sandbox", "--disable-gpu", size, "--virtual-time-budget=20000"]
    shown = subprocess.run(
        [BROWSER, *options, f"--user-data-dir={folder / 'profile'}", "--dump-dom", around.as_uri()],
        capture_output=True, text=True, check=True, timeout=120,
    ).stdout  # fmt: skip
    return json.loads(html.unescape(re.search(r'id="told">(.*?)</pre>', shown)[1]))


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844)])
def test_the_answer_stands_on_the_first_screen(tmp_path, width, height):
    found = measured(tmp_path, width, height)
    assert 0 < found["first"] <= height
    assert found["wide"] <= width
    assert found["links"] > 20
    assert found["lost"] == []
    assert found["images"] > 10
    assert found["blank"] == 0
    assert found["scroll"] <= width


@pytest.mark.parametrize("name", ["batch", "plan", "summary"])
def test_on_a_phone_only_tables_are_swiped_and_the_contents_lead_to_every_chapter(tmp_path, name):
    notebook = SUMMARY.with_name(f"{name}.ipynb")
    found = measured(tmp_path, 390, 844, notebook)
    assert found["scroll"] <= 390
    assert found["wide"] <= 390
    assert found["still"] == 0  # a region that scrolls can be reached from the keyboard
    assert found["lost"] == []
    assert found["links"] >= 6
    assert found["blank"] == 0
