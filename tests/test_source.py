"""The library's own order, read from its source: which way data flow, where the words are, how big
it is, and what it offers.

Nothing is imported to find out about imports or literals: what stands under TYPE_CHECKING and
inside functions counts as much as the rest.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import re
from enum import Enum
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from textwrap import dedent

import pytest
from jinja2 import nodes

from studylib import register, words
from studylib.codes import Code
from studylib.tables import TABLES

LIBRARY = Path(__file__).parents[1] / "studylib"
FILES = sorted(LIBRARY.rglob("*.py"))
TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for path in FILES}

# A room may import from itself and from those before it.
ROOMS = (
    *("codes", "words", "errors", "writing", "elsewhere", "register", "tables", "sheets"),
    *("recordings", "signal", "measure", "modes", "attribution", "wood", "stats", "figures"),
    *("report", "bench", "run", "front", "cli"),
)
MOST_STATEMENTS = 17_000
MOST_PUBLIC_NAMES = 80
PACKAGES = tuple(path.parent.name for path in sorted(LIBRARY.glob("*/__init__.py")))

# Three words in a row are a sentence, or will be one.
SENTENCE = re.compile(r"[A-Za-z]{2,}[,;:]? [a-z']{1,}[,;:]? [a-z']{2,}")
CODE = re.compile(r"[a-z_]+\.[a-z0-9_]+")
# What matplotlib calls the place of a legend above a figure.
PLACES = frozenset({"outside upper center"})
STRING_TEST = re.compile(r"\.str\.(contains|startswith|endswith|match|fullmatch)\(")


def _module(path: Path) -> str:
    parts = path.relative_to(LIBRARY.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {_module(path): path for path in FILES}


def _imports(path: Path) -> set[str]:
    """The modules of the library that a file imports, wherever the import stands."""
    found = set()
    for node in ast.walk(TREES[path]):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name in MODULES}
        elif isinstance(node, ast.ImportFrom) and node.module in MODULES:
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= inner & set(MODULES)
            if inner - set(MODULES):  # something of the module itself
                found.add(node.module)
    return found - {_module(path)}


def _room(module: str) -> str:
    return [*module.split("."), ""][1]


def test_data_flow_one_way():
    wrong = []
    for path in FILES:
        here = _room(_module(path))
        if not here:  # the front door hands on what all others have
            continue
        assert here in ROOMS, f"{path}: a room that has no place in the order"
        for module in _imports(path):
            if ROOMS.index(_room(module)) > ROOMS.index(here):
                wrong.append(f"{path.relative_to(LIBRARY)} imports {module}")
    assert wrong == []


def test_no_file_imports_itself_by_a_detour():
    graph = {_module(path): _imports(path) for path in FILES}
    try:
        list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def _docstrings(tree: ast.Module) -> set[int]:
    """Strings that stand alone as a statement."""
    return {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    }


def _literals(tree: ast.Module):
    """(line, text) of each string that is no docstring; f-strings in one, "{}" for their fields."""
    left_out = _docstrings(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            left_out |= {id(part) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = (p.value if isinstance(p, ast.Constant) else "{}" for p in node.values)
            yield node.lineno, "".join(parts)
        elif isinstance(getattr(node, "value", None), str) and id(node) not in left_out:
            yield node.lineno, node.value


def _lists_columns(text: str) -> bool:
    """Whether a text does no more than name columns of the tables, as their declaration does."""
    columns = {name for table in TABLES.values() for name in table.names}
    return {word.partition(":")[0] for word in text.split()} <= columns


def _vocabulary() -> set[str]:
    """The values of fixed sets of words: enumerations of the codes' room without templates."""
    kinds = [
        kind
        for path in (LIBRARY / "codes").glob("*.py")
        for kind in vars(importlib.import_module(_module(path))).values()
        if inspect.isclass(kind) and issubclass(kind, Enum) and not issubclass(kind, Code)
    ]
    return {str(member.value) for kind in kinds for member in kind}


ALLOWED = _vocabulary() | PLACES


def _sentences(path: Path) -> list[str]:
    place = path.relative_to(LIBRARY).as_posix()
    return [
        f"{place}:{line}: {text[:80]!r}"
        for line, text in _literals(TREES[path])
        if SENTENCE.search(text) and text not in ALLOWED and not _lists_columns(text)
    ]


OUTSIDE = [path for path in FILES if _room(_module(path)) != "words"]


def test_sentences_stand_in_the_words_room_alone():
    found = [line for path in OUTSIDE for line in _sentences(path)]
    assert found == []


def test_nothing_reads_a_sentence_to_decide():
    found = [
        f"{path.relative_to(LIBRARY).as_posix()}:{number}: {line.strip()}"
        for path in OUTSIDE
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if STRING_TEST.search(line)
    ]
    assert found == []


def _codes() -> dict[str, str]:
    """Every code of the library -> the member that has it."""
    for path in (LIBRARY / "codes").glob("*.py"):
        importlib.import_module(_module(path))
    found: dict[str, str] = {}
    for kind in Code.__subclasses__():
        for member in kind:
            name = f"{kind.__name__}.{member.name}"
            assert found.setdefault(str(member), name) == name, f"{name} has a code of another"
    return found


TEMPLATE_FILES = [*words.FOLDER.glob("*.j2"), *LIBRARY.rglob("*.html")]
TEMPLATES = {f"{chapter}.{name}" for chapter, names in words.chapters().items() for name in names}


def test_every_code_has_a_template():
    assert sorted(set(_codes()) - TEMPLATES) == []


def test_every_template_that_is_asked_for_exists():
    """Whatever is written like a code of some chapter is one, unless it names a file or feature."""
    asked = {
        text
        for tree in TREES.values()
        for _, text in _literals(tree)
        if CODE.fullmatch(text)
        and text.partition(".")[0] in words.chapters()
        and not text.endswith((".csv", ".html", ".ipynb"))
    }
    asked -= set(register.example_names())
    asked |= {
        name
        for path in TEMPLATE_FILES
        for name in re.findall(r"say\(\s*\"([^\"]+)\"", path.read_text(encoding="utf-8"))
    }
    assert sorted(asked - TEMPLATES) == []


# Which argument is the code.
CODE_AT = {"say": 0, "note": 0, "refuse": 1}


def _calls_for_a_sentence():
    """(place, call, its codes) of each call that names its template, whichever branch it takes."""
    for module, path in MODULES.items():
        for node in ast.walk(TREES[path]):
            if not (isinstance(node, ast.Call) and node.args):
                continue
            at = CODE_AT.get(getattr(node.func, "id", getattr(node.func, "attr", "")))
            if at is None:
                continue
            asked, left = [], [node.args[at]]
            while left:
                one = left.pop()
                if isinstance(one, ast.IfExp):
                    left += [one.body, one.orelse]
                elif isinstance(one, ast.Constant):
                    asked.append(one.value)
                elif isinstance(one, ast.Attribute) and isinstance(one.value, ast.Name):
                    kind = getattr(importlib.import_module(module), one.value.id, None)
                    if inspect.isclass(kind) and issubclass(kind, Code):
                        asked.append(str(kind[one.attr]))
            yield f"{path.relative_to(LIBRARY).as_posix()}:{node.lineno}", node, asked


def _arguments() -> dict[str, tuple[set[str], set[str], bool]]:
    """Code -> arguments of its macro, those it cannot do without, whether it takes any other."""
    environment, found = words._environment(), {}
    for chapter in words.chapters():
        source = environment.loader.get_source(environment, chapter)[0]
        for macro in environment.parse(source).find_all(nodes.Macro):
            names = [one.name for one in macro.args]
            optional = set(names[len(names) - len(macro.defaults) :])
            optional |= {
                test.node.name
                for test in macro.find_all(nodes.Test)
                if test.name == "defined" and isinstance(test.node, nodes.Name)
            }
            takes_any = any(one.name == "kwargs" for one in macro.find_all(nodes.Name))
            found[f"{chapter}.{macro.name}"] = set(names), set(names) - optional, takes_any
    return found


ARGUMENTS = _arguments()


def test_a_note_has_the_fields_that_its_template_takes():
    """Each field that a call spells out; none may be too few unless others come by **."""
    wrong, seen = [], 0
    for place, call, asked in _calls_for_a_sentence():
        given = {keyword.arg for keyword in call.keywords if keyword.arg}
        spelled_out = len(given) == len(call.keywords)
        for code in asked:
            seen += 1
            takes, needs, takes_any = ARGUMENTS[code]
            if given - takes and not takes_any:
                wrong.append(f"{place}: {code} does not know {sorted(given - takes)}")
            if spelled_out and needs - given:
                wrong.append(f"{place}: {code} lacks {sorted(needs - given)}")
    assert seen > 500
    assert wrong == []


def test_every_template_is_asked_for():
    """By a code, by its name in the source, by a feature's name, or by another template."""
    asked = set(_codes())
    for tree in TREES.values():
        asked |= {text for _, text in _literals(tree)}
    for name in register.example_names():
        asked.add("features." + re.sub(r"(?<=[a-z])[0-9.]+(?=\.)", "", name).replace(".", "_"))
    for path in TEMPLATE_FILES:
        text = path.read_text(encoding="utf-8")
        asked |= set(re.findall(r"\"([a-z_]+\.[a-z0-9_]+)\"", text))
        asked |= {".".join(pair) for pair in re.findall(r"from \"(\w+)\" import (\w+)", text)}
        used = re.sub(r"{%-?\s*macro\s+\w+", "", text)
        asked |= {f"{path.stem}.{name}" for name in re.findall(r"(\w+)\(", used)}
    assert sorted(TEMPLATES - asked) == []


def test_the_library_stays_small():
    count = sum(
        isinstance(node, ast.stmt)
        and not (isinstance(node, ast.Expr) and id(node.value) in strings)
        for tree in TREES.values()
        for strings in [_docstrings(tree)]
        for node in ast.walk(tree)
    )
    assert count <= MOST_STATEMENTS


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(LIBRARY).as_posix())
def test_a_file_opens_with_what_it_does_and_has_no_long_line(path):
    text = path.read_text(encoding="utf-8")
    assert text.startswith('"""')
    assert [line for line in text.splitlines() if len(line) > 100] == []


def _public():
    """(package, name, object) of all that a package offers."""
    for package in PACKAGES:
        module = importlib.import_module(f"studylib.{package}")
        for name in getattr(module, "__all__", ()):
            yield package, name, getattr(module, name)


PUBLIC = list(_public())


def test_few_names_are_public():
    assert len(PUBLIC) <= MOST_PUBLIC_NAMES, [f"{package}.{name}" for package, name, _ in PUBLIC]


def _lacks(thing: object) -> list[str]:
    """The sections that the docstring of a function or class should have and has not."""
    text = inspect.getdoc(thing) or ""
    if inspect.isclass(thing):
        wanted = [] if issubclass(thing, Enum | BaseException) else ["Parameters|Attributes"]
        return [name for name in wanted if not re.search(rf"(?m)^({name})\n-+$", text)]
    signature = inspect.signature(thing)
    wanted = ["Parameters"] if signature.parameters else []
    if signature.return_annotation not in (None, "None", inspect.Signature.empty):
        wanted.append("Returns|Yields")
    body = ast.parse(dedent(inspect.getsource(thing)))
    if any(isinstance(node, ast.Raise) for node in ast.walk(body)):
        wanted.append("Raises")
    return [name for name in wanted if not re.search(rf"(?m)^({name})\n-+$", text)]


@pytest.mark.parametrize(
    ("package", "name", "thing"), PUBLIC, ids=[f"{p}.{n}" for p, n, _ in PUBLIC]
)
def test_what_is_public_says_how_it_is_used(package, name, thing):
    if not callable(thing):
        return
    assert inspect.getdoc(thing)
    assert _lacks(thing) == []
