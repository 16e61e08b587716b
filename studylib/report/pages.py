"""What a reader sees: safe tables and sentences for notebooks, and one HTML page a notebook.

Two halves, one rule: text that comes from the sheets is shown as text, never as markup.
- In a notebook: `table`, `sentences`, `heading` and others return a `Shown`, which Jupyter displays
  as escaped HTML and which prints as plain text; `figures` shows pictures with their alt text. The
  same input gives the same bytes. Notes become their sentences here, that of `link` a link; any
  other text stands as it is. What has nothing to show is its sentence, marked as such.
- After a run: `page_html` turns an executed notebook into one self-contained page that opens
  offline. Figures are embedded, code is folded away in plain `<details>` for whoever audits it,
  there is no script, and a Content-Security-Policy forbids all that is not in the file. Parts that
  have nothing to show become one list at its end.

Conventions: numbers as `words.numbers.number` writes them, to four significant digits unless a
column asks for decimals, right-aligned; a missing value is an en dash.
Source of the policy: W3C Content Security Policy Level 3 (`default-src`, `img-src`, ...).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from copy import deepcopy
from dataclasses import dataclass
from html import escape
from itertools import accumulate, groupby, pairwise
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from studylib.codes import absent, code_of, each, fields_of, note
from studylib.words import in_words, numbers, say

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure
    from nbformat import NotebookNode

TEMPLATES = Path(__file__).parent / "page_template"

_TEXT = ' style="text-align:left"'
_NAME = ' style="text-align:left;white-space:nowrap"'
_NUMBER = ' style="text-align:right"'
_NOTHING = '<p class="nothing">{}</p>'
_SAID = re.compile(_NOTHING.format("(.*)"))
# A column of texts no longer than this holds names, which are not broken at their hyphens.
NAME_LENGTH = 24
LINK = "pages.link"


@dataclass(frozen=True, kw_only=True, repr=False)
class Shown:
    """Something a notebook shows: escaped HTML for the page, plain text elsewhere."""

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text


def link(text: str, place: str = "", *, anchor: str = "") -> str:
    """A note that is shown as a link: to a file beside the page, to a place on a page, or both.

    Parameters
    ----------
    text : shown as it is, and all there is where nothing else is given.
    place : path from the page; "" for the page itself.
    anchor : id of an element there.
    """
    return note(LINK, text=text, place=place, anchor=anchor) if place or anchor else text


def _html(cell: object) -> str:
    """Text or notes as HTML, escaped; notes with a link among them stand one behind another."""
    if LINK not in str(cell):
        return escape(in_words(cell))
    return " ".join(
        f'<a href="{quote(told["place"])}{"#" * bool(told["anchor"])}{quote(told["anchor"])}">'
        f"{escape(told['text'])}</a>"
        if code_of(one) == LINK and (told := fields_of(one))
        else escape(in_words(one))
        for one in each(str(cell))
    )


def together(*shown: Shown) -> Shown:
    """Several things one below the other, as one."""
    return Shown(
        html="\n".join(one._repr_html_() for one in shown), text="\n".join(map(repr, shown))
    )


def lines(text: str) -> Shown:
    """Lines of Python for the reader to run, as they are."""
    return Shown(html=f'<pre class="said lines">{escape(text)}</pre>', text=text)


def heading(text: str, *, level: int = 2, anchor: str = "") -> Shown:
    """A heading made of data, such as the title of the study; `anchor` is its id for links.

    Parameters
    ----------
    text : a note, or text that is shown as it is, markup in it included.

    Returns
    -------
    What a notebook shows.
    """
    text = in_words(text)
    place = f' id="{escape(anchor)}"' if anchor else ""
    return Shown(html=f"<h{level}{place}>{escape(text)}</h{level}>", text=text)


def first_words(question: str, items: Iterable[str]) -> Shown:
    """What a page opens with: the question as its title, and the answer large.

    Parameters
    ----------
    question : text that is shown as it is.
    items : notes, or text that is shown as it is.

    Returns
    -------
    What a notebook shows.
    """
    items = list(items)
    large = "".join(f'<p class="answer">{_html(item)}</p>' for item in items)
    text = "\n".join([question, *map(in_words, items)])
    return Shown(html=f"<h1>{escape(question)}</h1>{large}", text=text)


def labelled(items: Mapping[str, Iterable[str]]) -> Shown:
    """Sentences under a word each, as a list of terms.

    Parameters
    ----------
    items : label -> notes or texts; a label is a note or text. One without any is left out.

    Returns
    -------
    What a notebook shows.
    """
    told = {in_words(name): list(texts) for name, texts in items.items()}
    listed = "".join(
        f"<dt>{escape(name)}</dt>" + "".join(f"<dd>{_html(one)}</dd>" for one in texts)
        for name, texts in told.items()
        if texts
    )
    text = "\n".join(f"{name}: {in_words(one)}" for name, texts in told.items() for one in texts)
    return Shown(html=f'<dl class="labelled">{listed}</dl>', text=text)


def sentences(items: Iterable[str], *, empty: str = "None.") -> Shown:
    """One paragraph for one sentence, a list for several, `empty` for none.

    Parameters
    ----------
    items : notes, or text that is shown as it is; a note by itself that says why there is nothing
        to show is marked so.
    empty : a note or text for when there are none.

    Returns
    -------
    What a notebook shows.
    """
    items = list(items)
    told = items or [empty]
    text = "\n".join(f"- {in_words(one)}" for one in told)
    if len(told) == 1:
        line = _NOTHING if absent.ABSENT.issuperset(map(code_of, items)) else "<p>{}</p>"
        return Shown(html=line.format(_html(told[0])), text=text[2:])
    listed = "".join(f"<li>{_html(one)}</li>" for one in told)
    return Shown(html=f"<ul>{listed}</ul>", text=text)


def figures(*shown: Figure) -> None:
    """Show figures in a notebook, each with a text for whoever cannot see it, and close them; of an
    empty one its sentence.

    Parameters
    ----------
    shown : open figures; closed ones can still be saved.
    """
    # Imported here: outside of a notebook nobody needs them.
    from IPython.display import display
    from matplotlib import pyplot as plt

    from studylib.figures.style import alt_text, picture

    for figure in shown:
        alt = alt_text(figure)
        plt.close(figure)
        if figure.get_label():
            display(sentences([], empty=alt))
        else:
            display(
                {"image/png": picture(figure), "text/plain": alt},
                metadata={"image/png": {"alt": alt}}, raw=True,
            )  # fmt: skip


def table(
    frame: pd.DataFrame,
    *,
    columns: Iterable[str] | Mapping[str, str] | None = None,
    decimals: Mapping[str, int] | None = None,
    digits: Mapping[str, int] | int = 4,
    rows: int | None = None,
    caption: str = "",
    empty: str = "pages.nothing",
    file: str = "",
) -> Shown:
    """A table of data: escaped, numbers rounded and right-aligned, the index left out.

    Parameters
    ----------
    frame : one row a fact; a cell is a number, a name, yes or no (boolean), or notes.
    columns : which columns, in which order; a mapping also renames them for the reader.
    decimals : column -> digits after the point, for columns of one kind and unit.
    digits : significant digits of every other number, 1 or more; a mapping says so for single
        columns and leaves the rest at four.
    rows : show only so many rows and say how many there are; None shows all.
    caption : one line above the table, a note or text.
    empty : the note or text shown for a table without rows.
    file : name of the table of the run, without an ending, that holds all of it; linked below.

    Returns
    -------
    What a notebook shows.

    Raises
    ------
    KeyError : a column is asked for that the frame does not have.
    """
    names = _headings(frame, columns)
    if frame.empty:
        return sentences([], empty=empty)
    significant = dict.fromkeys(names, digits) if isinstance(digits, int) else digits
    shown = frame.head(rows) if rows is not None else frame
    cells = {
        name: [
            (
                *_cell(value, digits=significant.get(name, 4), decimals=(decimals or {}).get(name)),
                value,
            )
            for value in shown[name]
        ]
        for name in names
    }
    told, path = {"shown": len(shown), "of": len(frame)}, f"tables/{file}.csv"
    below = say("pages.first_rows", **told) if len(shown) < len(frame) else ""
    around = {"caption": in_words(caption), "below": below}
    whole = f'<p class="file">{_html(link(path, path))}</p>' if file else ""
    return Shown(
        html=_table_html(names, cells, **around) + whole, text=_table_text(names, cells, **around)
    )


def page_html(notebook: NotebookNode, *, title: str) -> str:
    """One self-contained page of an executed notebook.

    Parameters
    ----------
    notebook : an executed notebook (nbformat 4).
    title : the title of the page; shown as text.

    Returns
    -------
    The whole page as HTML; it asks for nothing outside itself and holds no script.
    """
    # Imported here: it takes a second, and the notebooks that use `table` do not need it.
    from nbconvert import exporters, filters

    style = (TEMPLATES / "study_page" / "page.css").read_text(encoding="utf-8")
    notebook = deepcopy(notebook)
    nothing = _set_aside(notebook.cells)
    # Without HTMLExporter's last step, which reads the whole page again for what the template has.
    return exporters.TemplateExporter.from_notebook_node(
        exporters.HTMLExporter(
            template_name="study_page",
            extra_template_basedirs=[str(TEMPLATES)],
            embed_images=True,
            exclude_anchor_links=True,
            exclude_input_prompt=True,
            exclude_output_prompt=True,
            filters={"highlight_code": filters.Highlight2HTML(pygments_lexer="ipython3")},
        ),
        notebook,
        resources={"study_title": title, "study_css": style, "study_nothing": nothing},
    )[0]


def _set_aside(cells: list[NotebookNode]) -> dict[str, list[str]]:
    """Mark the cells of parts that have nothing to show, and give what they say: heading ->
    escaped sentences.

    A part is a text with the results below it, a section a heading with its parts. A section goes
    as a whole, but for a chapter's first part, with which its heading would go.
    """
    starts = [i for i, cell in enumerate(cells) if cell.cell_type == "markdown"]
    parts = [cells[i:end] for i, end in pairwise([*starts, len(cells)])]
    place = accumulate(part[0].source.startswith("#") for part in parts)
    nothing: dict[str, list[str]] = {}
    for _, numbered in groupby(zip(place, parts, strict=True), key=lambda pair: pair[0]):
        section = [(part, _nothing_in(part)) for _, part in numbered]
        head, said = section[0][0][0], [told for _, told in section]
        chapter = "chapter" in head.metadata.get("tags", [])
        whole = not chapter and any(said) and [] not in said
        for part, told in section if whole else section[1:]:
            if whole or told:
                title = head.source.partition("\n")[0].strip("# ")
                nothing.setdefault(title, []).extend(filter(None, told or []))
                for cell in part:
                    cell.metadata["tags"] = ["nothing"]
    return nothing


def _nothing_in(part: list[NotebookNode]) -> list[str] | None:
    """What a part says in place of results; empty where it has one, None where nothing is shown."""
    shown = [output for cell in part for output in cell.get("outputs", [])]
    found = [_SAID.fullmatch(output.get("data", {}).get("text/html", "")) for output in shown]
    return [one[1] for one in found] if all(found) and found else [] if found else None


def _headings(
    frame: pd.DataFrame, columns: Iterable[str] | Mapping[str, str] | None
) -> dict[str, str]:
    columns = frame.columns if columns is None else columns
    names = columns if isinstance(columns, Mapping) else {name: name for name in columns}
    strange = next((str(name) for name in names if name not in frame.columns), None)
    if strange is not None:
        raise KeyError(say("pages.no_column", name=strange, known=[*map(str, frame.columns)]))
    return {name: in_words(shown) for name, shown in names.items()}


def _cell(value: Any, *, digits: int, decimals: int | None) -> tuple[str, bool]:
    """The text of one cell, and whether it is a number."""
    # pandas' NA cannot be compared, and NaN and NaT differ from themselves.
    if value is None or type(value).__name__ == "NAType" or value != value:
        return numbers.MISSING, False
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return ("yes" if value else "no"), False
    if isinstance(value, Integral):
        return str(int(value)), True
    return (
        (numbers.number(float(value), digits=digits, decimals=decimals), True)
        if isinstance(value, Real)
        else (in_words(value), False)
    )


def _table_html(
    names: dict[str, str],
    cells: dict[str, list[tuple[str, bool, Any]]],
    *,
    caption: str,
    below: str,
) -> str:
    # A column is set to the right when it holds numbers and nothing else but gaps.
    right = {
        name: any(is_number for _, is_number, _ in column)
        and all(is_number or text == numbers.MISSING for text, is_number, _ in column)
        for name, column in cells.items()
    }
    words = {
        name: _NAME if all(len(text) <= NAME_LENGTH for text, *_ in column) else _TEXT
        for name, column in cells.items()
    }
    side = {name: _NUMBER if right[name] else words[name] for name in names}
    head = "".join(
        f'<th scope="col"{_NUMBER if right[name] else _TEXT}>{escape(shown)}</th>'
        for name, shown in names.items()
    )
    body = "\n".join(
        "<tr>"
        + "".join(
            f"<td{side[name]}>{_html(value) if LINK in str(value) else escape(text)}</td>"
            for name, (text, _, value) in zip(names, line, strict=True)
        )
        + "</tr>"
        for line in zip(*(cells[name] for name in names), strict=True)
    )
    above = f"<caption>{escape(caption)}</caption>" if caption else ""
    under = f"<p>{escape(below)}</p>" if below else ""
    return (
        f'<div class="wide" tabindex="0"><table>{above}\n<thead><tr>{head}</tr></thead>\n'
        f"<tbody>\n{body}\n</tbody></table></div>{under}"
    )


def _table_text(
    names: dict[str, str],
    cells: dict[str, list[tuple[str, bool, Any]]],
    *,
    caption: str,
    below: str,
) -> str:
    columns = [[shown, *(text for text, *_ in cells[name])] for name, shown in names.items()]
    widths = [max(len(text) for text in column) for column in columns]
    lines = [
        "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in zip(*columns, strict=True)
    ]
    return "\n".join([*([caption] if caption else []), *lines, *([below] if below else [])])
