"""How many planted faults do the tests find? A seeded sample over all packages of the library.

Faults (`operators`): a comparison swapped, a boundary moved, arithmetic swapped, a constant off by
one, a boolean negated, nothing returned, a condition forced. Their number in a package follows its
share of the library's statements; within a package an operator is drawn first and then its place,
so that tables of numbers do not crowd out the rest.

Three steps, all in a copy of the tree: the suite runs once to learn which test executes which line
(`lines`; tests that are left out find nothing, so both scores of a comparison need the same); the
faults are drawn; each is tried by the tests that execute its line, file by file, quickest first, up
to BUDGET seconds in the run that was not faulty (`trials`). A fault on a line that no test executes
survives. So does one that changes nothing (there are always some): the score says more beside
another score with the same seed than alone.

What is done stands in the results, one JSON line a fault; the same command goes on from there, and
with another number of faults the first ones stay the same as long as the tree does.

Run: nice -n 19 python -m tests.mutations [--seed 172] [--count 300] [--results FILE]
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.mutations import operators

ROOT = Path(__file__).resolve().parents[2]
BUDGET = 10.0
AT_LEAST = 3  # files of tests, where so many execute the line
# What the measured demo depends on; a fault elsewhere leaves it as it is.
MEASURING = {
    "codes", "errors", "measure", "modes", "recordings", "register", "sheets", "signal", "tables",
    "words", "writing",
}  # fmt: skip
LEFT_OUT = (".git", ".venv", "reports", "__pycache__", "*.pyc", ".pytest_cache", ".ruff_cache")
LOUD = 50  # faults between two lines of progress


@dataclass(frozen=True)
class Fault:
    """One fault of the sample."""

    number: int
    package: str
    module: str
    site: operators.Site


def draw(tree: Path, *, seed: int, count: int) -> list[Fault]:
    """The sample, in random order; the packages' shares follow their statements."""
    sources = {
        path.relative_to(tree).as_posix(): path.read_bytes()
        for path in sorted((tree / "studylib").rglob("*.py"))
    }
    size: Counter = Counter()
    places: dict[str, dict[str, list]] = defaultdict(lambda: defaultdict(list))
    for name, source in sources.items():
        package = Path(name).parts[1].removesuffix(".py")
        size[package] += operators.statements(source)
        for site in operators.sites(source):
            places[package][site.operator].append((name, site))
    rng = random.Random(seed)
    packages = sorted(package for package in size if places[package])
    weights = [size[package] for package in packages]
    faults, seen = [], set()
    while len(faults) < count:
        (package,) = rng.choices(packages, weights=weights)
        operator = rng.choice(sorted(places[package]))
        name, site = rng.choice(places[package][operator])
        if (name, site) not in seen:
            seen.add((name, site))
            faults.append(Fault(len(faults), package, name, site))
    return faults


class Executed:
    """What the suite's own run told: which tests execute a line, and what each costs."""

    def __init__(self, told: dict) -> None:
        self.names, self.cost, self.lines = told["tests"], told["cost"], told["lines"]
        self.shared, self.demo = told["shared"], set(told["demo"])
        self.of_file: dict[str, list[int]] = defaultdict(list)
        for i, name in enumerate(self.names):
            self.of_file[name.split("::")[0]].append(i)

    def executing(self, fault: Fault) -> set[int]:
        """Tests that execute the fault's line; for a line run at import, any line of its module."""
        found: set[int] = set()
        for phase, lines in self.lines.get(fault.module, {}).items():
            for line, tests in lines.items():
                site = fault.site
                if not (site.at_import or site.first_line <= int(line) <= site.last_line):
                    continue
                found.update(tests)
                if phase == "shared":
                    files = {self.names[i].split("::")[0] for i in tests}
                    found.update(i for file in files for i in self.of_file[file])
        return found

    def chosen(self, fault: Fault) -> tuple[list[int], float]:
        """(those of them that are run, what they cost): file by file, quickest first.

        The demo is measured once for all trials, so tests that rest on it see no fault in what
        measures: those are left to the others.
        """
        files: dict[str, list[int]] = defaultdict(list)
        for i in self.executing(fault):
            if i not in self.demo or fault.package not in MEASURING:
                files[self.names[i].split("::")[0]].append(i)
        order = sorted((self._file_cost(tests), tests) for tests in files.values())
        taken: list[int] = []
        spent = 0.0
        for place, (_, tests) in enumerate(order):
            share = (BUDGET - spent) / max(1, min(AT_LEAST, len(order)) - place)
            fixtures = self._fixtures(tests)
            for i in sorted(tests, key=self.cost.__getitem__):
                if fixtures + self.cost[i] <= share or not taken:
                    taken.append(i)
                    spent += fixtures + self.cost[i]
                    share -= fixtures + self.cost[i]
                    fixtures = 0.0
        return taken, spent

    def _fixtures(self, tests: list[int]) -> float:
        """What the fixtures of a file cost, whichever test comes first."""
        file = self.of_file[self.names[tests[0]].split("::")[0]]
        return max((self.shared[i] for i in file if i not in self.demo), default=0.5)

    def _file_cost(self, tests: list[int]) -> float:
        return self._fixtures(tests) + sum(self.cost[i] for i in tests)


def copied(tree: Path, place: Path) -> Path:
    """A copy whose compiled modules are told apart by content: a fault keeps time and size."""
    shutil.copytree(tree, place, ignore=shutil.ignore_patterns(*LEFT_OUT))
    own = place / "tests" / "mutations"
    shutil.copytree(Path(__file__).parent, own, dirs_exist_ok=True,
                    ignore=shutil.ignore_patterns("__pycache__"))  # fmt: skip
    command = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash"]
    subprocess.run([*command, "studylib", "tests", "data_demo"], cwd=place, check=True)
    return place


def surroundings(copy: Path, **more: str) -> dict[str, str]:
    """The environment of everything that runs in the copy: one thread, nothing compiled anew."""
    threads = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    own = {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1", "MPLBACKEND": "agg"}
    return {**os.environ, **threads, **own, **more}


def learned(copy: Path, place: Path, deselect: list[str]) -> dict:
    """Which test executes which line: from `place` if it is there, from a run of the suite else."""
    if not place.is_file():
        options = ["-q", "--no-header", "--tb=line", "--strict-markers", "-o", "addopts="]
        options += ["-p", "tests.mutations.lines", "-p", "no:cacheprovider"]
        options += [f"--deselect={name}" for name in deselect]
        room = str(place.resolve())
        subprocess.run([sys.executable, "-m", "pytest", *options, "tests"], cwd=copy,
                       env=surroundings(copy, STUDY_LINES=room), check=False)  # fmt: skip
    return json.loads(place.read_text(encoding="utf-8"))


def tried(copy: Path, faults: list[Fault], tests: Executed, results: Path, done: set[int]) -> None:
    """Try each fault that is not done and write its outcome down."""
    command = [sys.executable, "-m", "tests.mutations.trials"]
    pipe = subprocess.PIPE
    with (
        subprocess.Popen(command, cwd=copy, env=surroundings(copy), stdin=pipe, stdout=pipe,
                         text=True) as server,
        results.open("a", encoding="utf-8") as file,
    ):  # fmt: skip
        left = [fault for fault in faults if fault.number not in done]
        if any(not tests.demo.isdisjoint(tests.chosen(fault)[0]) for fault in left):
            _answer(server, "measure the demo")
        for fault in left:
            path = copy / fault.module
            whole = path.read_bytes()
            chosen, cost = tests.chosen(fault)
            told = {"outcome": "not executed", "code": None, "seconds": 0.0}
            if chosen:
                asked = {"tests": [tests.names[i] for i in chosen], "processor_s": 15 + 4 * cost}
                path.write_bytes(operators.planted(whole, fault.site))
                try:
                    told = _answer(server, asked)
                finally:
                    path.write_bytes(whole)
            line = {**asdict(fault), "was": whole[fault.site.start : fault.site.end].decode()}
            line |= {"tests": len(chosen), "cost": round(cost, 2), **told}
            file.write(json.dumps(line) + "\n")
            file.flush()
            done.add(fault.number)
            if len(done) % LOUD == 0:
                print(f"{len(done)} of {len(faults)}", flush=True)
        server.stdin.close()


def _answer(server: subprocess.Popen, asked: dict | str) -> dict:
    server.stdin.write(json.dumps(asked) + "\n")
    server.stdin.flush()
    return json.loads(server.stdout.readline())


def told(results: Path) -> str:
    """The score, and the packages it comes from."""
    lines = [json.loads(line) for line in results.read_text(encoding="utf-8").splitlines()[1:]]
    by_package: dict[str, Counter] = defaultdict(Counter)
    for line in lines:
        by_package[line["package"]]["found" if "killed" in line["outcome"] else "not found"] += 1
    total = sum(by_package.values(), Counter())
    said = [f"{total['found']} of {len(lines)} faults found: {total['found'] / len(lines):.1%}"]
    said += [f"  never executed: {sum(line['outcome'] == 'not executed' for line in lines)}"]
    for name, counts in sorted(by_package.items()):
        said.append(f"  {name}: {counts['found']} of {sum(counts.values())}")
    return "\n".join(said)


def digest(tree: Path) -> str:
    """One word for the library as it stands: results of another one are not gone on with."""
    sums = hashlib.sha256()
    for path in sorted((tree / "studylib").rglob("*.py")):
        sums.update(path.read_bytes())
    return sums.hexdigest()[:16]


def main() -> None:
    """Draw, learn, try; then print the score."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=172)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--tree", type=Path, default=ROOT, help="another copy of the project")
    parser.add_argument("--results", type=Path, default=ROOT / "reports" / "mutations.jsonl")
    parser.add_argument("--deselect", action="append", default=[], help="tests to leave out")
    wanted = parser.parse_args()
    results = wanted.results
    results.parent.mkdir(parents=True, exist_ok=True)
    head = json.dumps({"library": digest(wanted.tree), "seed": wanted.seed})
    before = results.read_text(encoding="utf-8").splitlines() if results.exists() else []
    if before and before[0] != head:
        sys.exit(f"{results} belongs to another library or seed; give --results another name.")
    if not before:
        results.write_text(head + "\n", encoding="utf-8")
    done = {json.loads(line)["number"] for line in before[1:]}
    faults = draw(wanted.tree, seed=wanted.seed, count=wanted.count)
    with tempfile.TemporaryDirectory(prefix="mutations") as room:
        copy = copied(wanted.tree.resolve(), Path(room) / "tree")
        tests = Executed(learned(copy, results.with_suffix(".lines.json"), wanted.deselect))
        tried(copy, faults, tests, results, done)
    print(told(results))


if __name__ == "__main__":
    main()
