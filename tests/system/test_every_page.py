"""Every page in a real browser, held against the rules of WCAG 2 as axe-core checks them, with all
folds open: none is broken, none is left undecided but what only a person can see.

Outside: axe-core 4 (its own defaults: WCAG 2.x A and AA, and best practices).
"""

from __future__ import annotations

import html
import importlib.util
import json
import re
import subprocess
from pathlib import Path

import nbformat
import pytest

from studylib.report.pages import page_html
from tests.system.test_first_screen import BROWSER, SUMMARY

RULES = importlib.util.find_spec("axe_playwright_python")
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        BROWSER is None or RULES is None,
        reason="no browser or no axe-core: .ci/system installs both",
    ),
]
NOTEBOOKS = sorted(SUMMARY.parent.glob("*.ipynb"))
RUN = """<script>{rules}</script><script>
window.onload = () => axe.run(document).then(found => {{
  const told = document.createElement("pre");
  told.id = "told";
  const short = each => each.map(rule => [rule.id, rule.nodes.map(node => node.html)]);
  told.textContent = JSON.stringify({{
    broken: short(found.violations), undecided: short(found.incomplete), kept: found.passes.length,
  }});
  document.body.append(told);
}});
</script></body>"""
# An infinity sign is too short a text for axe to measure its contrast.
BY_EYE = {"color-contrast": re.compile(r"<td[^>]*>[−∞]+</td>")}


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_page_breaks_no_rule_of_accessibility(tmp_path, notebook):
    page = page_html(nbformat.read(notebook, as_version=4), title="a study")
    page = re.sub(r"<meta[^>]*Content-Security-Policy[^>]*>", "", page)
    page = page.replace("<details", "<details open")
    rules = (Path(RULES.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")
    start, _, rest = page.rpartition("</body>")
    copy = tmp_path / "page.html"
    copy.write_text(start + RUN.format(rules=rules) + rest, encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=60000"]
    options.append("--window-size=1280,800")
    shown = subprocess.run(
        [BROWSER, *options, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", copy.as_uri()],
        capture_output=True, text=True, check=True, timeout=240,
    ).stdout  # fmt: skip
    found = json.loads(html.unescape(re.search(r'id="told">(.*?)</pre>', shown)[1]))
    assert found["broken"] == []
    for rule, nodes in found["undecided"]:
        assert all(BY_EYE[rule].fullmatch(node) for node in nodes), (rule, nodes)
    assert found["kept"] > 20
