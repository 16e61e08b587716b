"""Pages and tables: what a reader sees opens offline, and data never becomes markup."""

from __future__ import annotations

import math
import shutil
import subprocess
from html import escape
from html.parser import HTMLParser

import nbformat
import numpy as np
import pandas as pd
import pytest

from studylib import register
from studylib.codes import note, several
from studylib.report import pages
from studylib.words import is_note, numbers, say

EVIL = "<script>document.title='taken'</script>"
# One white pixel (PNG specification, W3C), as the data that a figure leaves in a notebook.
PIXEL = (
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mP8/x8AAwMCAO+ip1sAAAAASUVORK5CYII="
)


class Elements(HTMLParser):
    """Every element of a page with its attributes, and the text between."""

    def __init__(self, html: str):
        super().__init__()
        self.found: list[tuple[str, dict]] = []
        self.text: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)

    def all(self, tag: str) -> list[dict]:
        return [attributes for name, attributes in self.found if name == tag]


def shown_notebook() -> nbformat.NotebookNode:
    """A notebook in which data tries to be markup wherever data can stand."""
    v4 = nbformat.v4
    frame = pd.DataFrame({"specimen": [EVIL, "L1"], "level": [1.0, 2.0]})
    shown = [
        pages.table(frame, caption=EVIL),
        pages.sentences([EVIL, "two"]),
        pages.sentences([EVIL]),
        pages.heading(EVIL),
    ]
    outputs = [
        v4.new_output("execute_result", {"text/html": s._repr_html_(), "text/plain": repr(s)})
        for s in shown
    ]
    outputs += [
        v4.new_output("stream", name="stdout", text=EVIL),
        v4.new_output("stream", name="stderr", text=EVIL),
        v4.new_output("display_data", {"text/plain": EVIL}),
        v4.new_output("display_data", {"image/png": PIXEL, "text/plain": "<Figure>"}),
        v4.new_output("display_data", {"application/javascript": "document.title='taken'"}),
        v4.new_output("error", ename="ValueError", evalue=EVIL, traceback=[EVIL]),
    ]
    cell = v4.new_code_cell(f'batch = "{EVIL}"', execution_count=1, outputs=outputs)
    return v4.new_notebook(cells=[v4.new_markdown_cell("# A page\n\nPlain words."), cell])


@pytest.fixture(scope="module")
def page() -> str:
    return pages.page_html(shown_notebook(), title=f"Rails {EVIL}")


def test_a_page_holds_no_script_and_asks_for_nothing_outside_itself(page):
    elements = Elements(page)
    assert elements.all("script") == []
    for tag, attributes in elements.found:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "srcset", "data", "action", "poster"):
                assert value.startswith(("data:", "#")), (tag, name, value)
    assert elements.all("link") == []
    assert "@import" not in page
    assert "url(" not in page


def test_a_page_forbids_whatever_is_not_in_it(page):
    policies = [
        meta["content"]
        for meta in Elements(page).all("meta")
        if meta.get("http-equiv") == "Content-Security-Policy"
    ]
    expected = (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; "
        "media-src data:"
    )
    assert policies == [expected]


def test_text_from_the_sheets_shows_as_text(page):
    # Caption, cell, three sentences and headings, two streams, plain text, error and title; the
    # code is coloured piece by piece and shows it once more.
    text = "".join(Elements(page).text)
    assert text.count(EVIL) >= 10
    assert "<script" not in page.lower()


def test_code_is_folded_away_but_there(page):
    elements = Elements(page)
    assert elements.all("details") == [{"class": "code"}]
    assert 'batch = "<script>' in "".join(elements.text)


def test_figures_are_embedded_with_a_text_in_their_place(page):
    images = Elements(page).all("img")
    assert [image["alt"] for image in images] == ["Figure"]
    assert images[0]["src"] == f"data:image/png;base64,{PIXEL}"


def test_the_same_notebook_gives_the_same_page(page):
    assert pages.page_html(shown_notebook(), title=f"Rails {EVIL}") == page


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")
def test_a_browser_runs_nothing_on_the_page(page, tmp_path):
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/own"]
    seen = subprocess.run(
        ["chromium", *options, "--dump-dom", (tmp_path / "page.html").as_uri()],
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout  # fmt: skip
    elements = Elements(seen)
    assert elements.all("script") == []
    assert "<title>Rails &lt;script&gt;" in seen


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (1234.56, "1235"),
        (-0.012345, "−0.01235"),
        (171.99849, "172.0"),
        (1e-9, "1.000e−09"),
        (2.5e8, "2.500e+08"),
        (math.nan, "–"),
        (-math.inf, "−∞"),
    ],
)
def test_numbers_are_rounded_for_a_reader(value, text):
    assert numbers.number(value) == text


def test_decimals_of_a_column_and_no_negative_zero():
    assert numbers.number(-0.001, decimals=2) == "0.00"
    assert numbers.number(3.14159, decimals=1) == "3.1"


def test_a_table_aligns_numbers_right_and_says_what_is_missing():
    frame = pd.DataFrame(
        {
            "wood": ["larch", None],
            "n": [4, 5],
            "low": [np.nan, -1.25],
            "usable": [True, False],
            "mixed": ["a", 1.5],
            "maybe": pd.array([1, None], dtype="Int64"),
        }
    )
    html = pages.table(frame)._repr_html_()
    right = '<td style="text-align:right">{}</td>'
    left = '<td style="text-align:left;white-space:nowrap">{}</td>'
    for text in ("4", "5", "–", "−1.250", "1"):
        assert right.format(text) in html
    for text in ("larch", "–", "yes", "no", "a", "1.500"):
        assert left.format(text) in html


def test_single_columns_can_have_fewer_digits():
    frame = pd.DataFrame({"value": [1.23456], "u": [0.012345]})
    assert repr(pages.table(frame, digits={"u": 2})).splitlines()[1] == "1.235  0.012"
    assert repr(pages.table(frame, digits=3)).splitlines()[1] == "1.23   0.0123"


def test_a_table_prints_as_plain_text():
    frame = pd.DataFrame({"wood": ["larch", "robinia"], "n": [4, 5]})
    shown = repr(pages.table(frame, columns={"wood": "Wood", "n": "Boards"}, caption="Boards"))
    assert shown == "Boards\nWood     Boards\nlarch    4\nrobinia  5"


def test_a_long_table_says_how_long_it_is():
    shown = pages.table(pd.DataFrame({"n": range(30)}), rows=2)
    assert "The first 2 of 30 rows." in shown._repr_html_()
    assert repr(shown).splitlines() == ["n", "0", "1", "The first 2 of 30 rows."]


def test_an_empty_table_says_so():
    assert repr(pages.table(pd.DataFrame({"n": []}), empty="No boards yet.")) == "No boards yet."


def test_a_column_that_is_not_there_is_named():
    with pytest.raises(KeyError) as caught:
        pages.table(pd.DataFrame({"n": [1]}), columns=["m"])
    assert caught.value.args == (say("pages.no_column", name="m", known=["n"]),)


def test_sentences_for_none_one_and_many():
    assert pages.sentences([], empty="None.")._repr_html_() == '<p class="nothing">None.</p>'
    assert pages.sentences(["a & b"])._repr_html_() == "<p>a &amp; b</p>"
    assert pages.sentences(["a", "b"])._repr_html_() == "<ul><li>a</li><li>b</li></ul>"
    assert repr(pages.sentences(["a", "b"])) == "- a\n- b"


def test_a_heading_is_escaped():
    assert pages.heading("A < B")._repr_html_() == "<h2>A &lt; B</h2>"


def test_notes_are_shown_as_sentences_and_names_as_they_are():
    first = note("pages.first_rows", shown=2, of=30)
    cell = several([first, note("pages.nothing")])
    # The names of features and of boards may look like codes and are none.
    frame = pd.DataFrame({"why": [cell, "", "wood.loss_factor"], "n": ["L1.a", "tap.x {", None]})
    shown = pages.table(frame, caption="pages.nothing", columns={"why": first, "n": "n"})
    assert repr(shown).splitlines() == [
        "Nothing to show.",
        "The first 2 of 30 rows.                   n",
        "The first 2 of 30 rows. Nothing to show.  L1.a",
        "                                          tap.x {",
        "wood.loss_factor                          –",
    ]
    assert repr(pages.sentences([first])) == "The first 2 of 30 rows."
    assert repr(pages.sentences([], empty="pages.nothing")) == "Nothing to show."
    assert repr(pages.heading(first)) == "The first 2 of 30 rows."
    assert repr(pages.table(frame.head(0))) == "Nothing to show."


def test_no_feature_is_taken_for_a_note():
    assert [name for name in register.example_names() if is_note(name)] == []


def test_the_first_words_of_a_page_are_its_question_and_the_answer():
    shown = pages.first_words("Does <b>larch</b> pass more?", ["answer.next_limit", "No."])
    assert shown._repr_html_().startswith("<h1>Does &lt;b&gt;larch&lt;/b&gt; pass more?</h1>")
    assert shown._repr_html_().count('<p class="answer">') == 2
    assert repr(shown).splitlines()[0] == "Does <b>larch</b> pass more?"


def test_labelled_sentences_are_a_list_of_terms_without_empty_ones():
    shown = pages.labelled({"answer.label_but": ["<i>"], "answer.label_next": []})
    assert shown._repr_html_() == '<dl class="labelled"><dt>But</dt><dd>&lt;i&gt;</dd></dl>'
    assert repr(shown) == "But: <i>"


def test_links_and_files_of_tables_are_escaped():
    shown = pages.sentences([pages.link("day <1>", "batches/day 1.html")])
    assert '<a href="batches/day%201.html">day &lt;1&gt;</a>' in shown._repr_html_()
    table = pages.table(pd.DataFrame({"a": [1]}), file="effects")
    assert '<a href="tables/effects.csv">' in table._repr_html_()
    assert "href" not in pages.table(pd.DataFrame({"a": [1]}))._repr_html_()


def test_a_figure_is_shown_with_its_text_and_closed(monkeypatch):
    from IPython import display
    from matplotlib import pyplot as plt

    told = []
    monkeypatch.setattr(display, "display", lambda data, **more: told.append((data, more)))
    figure, axes = plt.subplots()
    axes.plot([1, 2], label="larch")
    axes.set(title="two\nboards", xlabel="frequency (Hz)", ylabel="response (dB)")
    figure.legend()
    pages.figures(figure)
    ((data, more),) = told
    alt = "Figure. Panels: two boards. Across: frequency (Hz). Up: response (dB). Shown: larch."
    assert data["image/png"].startswith(b"\x89PNG")
    assert data["text/plain"] == more["metadata"]["image/png"]["alt"] == alt
    assert not plt.fignum_exists(figure.number)


def test_a_page_has_chapters_a_folded_appendix_and_contents_that_lead_there():
    def cell(kind, text, *tags):
        made = (
            nbformat.v4.new_markdown_cell(text) if kind == "m" else nbformat.v4.new_code_cell(text)
        )
        made.metadata["tags"] = list(tags)
        return made

    notebook = nbformat.v4.new_notebook(
        cells=[
            cell("m", "# By hand", "notebook"), cell("c", "import x", "setup"),
            cell("c", "folder = 1", "injected-parameters"),
            cell("c", "answer()", "first"), cell("m", "## One", "chapter"), cell("c", "one()"),
            cell("m", "## Two\n\n*why*", "appendix"), cell("c", "two()"),
            cell("m", "## Three & four", "appendix"), cell("c", "three()"),
        ]
    )  # fmt: skip
    for i, given in enumerate(c for c in notebook.cells if "folder" not in c.source):
        given.id = f"cell-{i}"
    page = pages.page_html(notebook, title="t")
    body = page[page.index("<main>") :]
    assert "By hand" not in body
    assert body.index("import") > body.index("three")  # set-up calls come last
    assert body.index("folder") > body.index("import")
    assert body.count('<details class="appendix"') == body.count("</div></details>") == 2
    for place, text in (("cell-3", "One"), ("cell-5", "Two"), ("cell-7", "Three &amp; four")):
        assert f'<a href="#{place}">{text}</a>' in body
        assert f'id="{place}"' in body
    assert body.index("answer") < body.index("<nav") < body.index('id="cell-3"')
    assert "<em>why</em>" in body


def test_parts_without_results_become_one_list_and_nothing_is_lost():
    v4 = nbformat.v4

    def results(*shown):
        made = [
            v4.new_output("execute_result", {"text/html": s._repr_html_(), "text/plain": repr(s)})
            for s in shown
        ]
        return v4.new_code_cell(f"call_{len(shown)}()", outputs=made)

    def words(text, *tags):
        cell = v4.new_markdown_cell(text)
        cell.metadata["tags"] = list(tags)
        return cell

    empty = pages.table(pd.DataFrame({"a": []}), empty="No <sweep> was recorded.")
    full = pages.sentences(["Found."])
    notebook = v4.new_notebook(
        cells=[
            words("## Asked & answered", "chapter"), results(pages.sentences([], empty="Nothing.")),
            words("Below the chapter."), results(empty, empty),
            words("### Sweeps"), results(empty), words("And their band."), results(empty),
            words("### Taps"), results(empty), words("And how long."), results(full, empty),
            words("## Tables", "appendix"), results(full),
            words("## Curves", "appendix"), results(pages.sentences(["curves.no_sweeps"])),
        ]
    )  # fmt: skip
    page = pages.page_html(notebook, title="t")
    body = page[page.index("<main>") : page.index('<section class="nothing"')]
    told = page[page.index('<section class="nothing"') :]
    # A chapter's own part stays, and a section with one result; in it, only the first part.
    for kept in ("Asked", "Nothing.", "Taps", "And how long", "Found.", "Tables"):
        assert kept in body
        assert kept == "Asked" or kept not in told
    for gone in ("Below the chapter", "Sweeps", "And their band", "Curves"):
        assert gone not in body
    assert told.count("<dt>") == 3
    assert "<dt>Asked &amp; answered</dt><dd>No &lt;sweep&gt; was recorded.</dd>" in told
    assert "<dt>Sweeps</dt><dd>No &lt;sweep&gt; was recorded.</dd>" in told
    assert f"<dt>Curves</dt><dd>{escape(say('curves.no_sweeps'))}</dd>" in told
    # Every call is there for whoever checks it, and the contents lead to the list.
    assert page.count("call_") == 8
    assert '<a href="#nothing">' in body
    assert body.count("</div></details>") == 1
    assert "nothing" not in str(notebook.cells[2].metadata)


def test_an_empty_figure_is_its_sentence_and_no_picture(monkeypatch):
    from IPython import display

    from studylib.figures.style import empty_figure, styled

    told = []
    monkeypatch.setattr(display, "display", lambda shown, **_: told.append(shown))
    pages.figures(styled(empty_figure)("No tap <can> be read. " * 20, None))
    assert told[0]._repr_html_().startswith('<p class="nothing">No tap &lt;can&gt; be read.')
    assert repr(told[0]).count("No tap") == 20
