"""One archive of a study, to be handed on, and how it is opened by whoever gets it.

What goes in: the inputs of the report, which are the sheets, the records beside them, opened keys
and the recordings that takes.csv names; the ledger, notebooks of the study's own, its licence, how
to cite it and how to run it again; and of the report all but what is hidden. What else lies in the
folder stays there and is named: a key that was not opened, remarks, whatever git keeps. The report
must be the one that a run made of these very files.

The archive is a ZIP file whose members are stored as they are, in the order of their names, with
one fixed time and permission: the same study gives the same bytes, whatever library compresses
elsewhere. `ro-crate-metadata.json` on top describes it (RO-Crate 1.1) with the SHA-256 of every
file; its date is one that the study itself names, or that its maker gives.

An archive of somebody else is untrusted: its names, sizes and kinds of member are looked at before
the first byte is unpacked, and one that no study has is refused.

Functions: `pack`, `unpack`, `study_files`, `stated`, `part`, `differing`, `changed`.
"""

import re
import shutil
import stat
import unicodedata
import zipfile
import zlib
from collections.abc import Iterable, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from studylib import codes, errors, sheets, words, writing
from studylib.measure.batch import NOT_USED
from studylib.run.provenance import folder_digests
from studylib.sheets.files import grouped, sha256
from studylib.sheets.records import LEDGER
from studylib.sheets.study import file_hashes

METADATA, PROVENANCE = "ro-crate-metadata.json", "provenance.json"
# What else belongs to a study where it is there, as patterns from its folder.
BESIDE = (
    *(LEDGER, "listening/*.html", "notebooks/*.ipynb", "README*", "LICEN[CS]E*", "CITATION.cff"),
    *("every_key.toml", "requirements.txt", "rerun.sh"),
)
# Of a report: what a run that did not come to its end left for its owner to look at.
FAILED = re.compile(r"batches/failed/.*|summary\.failed\.ipynb")
# A path below the folder without hidden parts, on every system.
NAME = re.compile(r"(?![A-Za-z]:)[^./\\][^/\\]*(/[^./\\][^/\\]*)*")
REPORT = re.compile(r"reports/([^/]+)/")
MOST_FILES, MOST_BYTES = 100_000, 100 * 10**9
MOST_SQUEEZED, SMALL = 100, 10**7  # how many times smaller a member of more than so many bytes is
# What a ZIP file that is cut off, damaged or locked makes Python's reader raise, or a full drive.
BROKEN = (zipfile.BadZipFile, EOFError, zlib.error, RuntimeError, ValueError, OSError)
FORMATS = {
    ".csv": "text/csv", ".html": "text/html", ".md": "text/markdown", ".txt": "text/plain",
    ".json": "application/json", ".ipynb": "application/x-ipynb+json", ".cff": "application/yaml",
    ".jsonl": "application/jsonl", ".toml": "application/toml", ".sh": "application/x-sh",
    ".png": "image/png", ".svg": "image/svg+xml", ".wav": "audio/wav", ".flac": "audio/flac",
    ".aif": "audio/aiff", ".aiff": "audio/aiff", "": "application/octet-stream",
}  # fmt: skip


def study_files(folder: Path, inputs: Iterable[str]) -> dict[str, Path]:
    """Name -> path of what belongs to a study: the inputs of its report and what lies beside."""
    beside = [path for pattern in BESIDE for path in sorted(folder.glob(pattern)) if path.is_file()]
    return {name: folder / name for name in inputs} | {
        path.relative_to(folder).as_posix(): path for path in beside
    }


def part(made: Mapping[str, Any], name: str) -> dict[str, Any]:
    """A part of what a run wrote down; empty where the file of somebody else has none."""
    found = made.get(name)
    return found if isinstance(found, dict) else {}


def differing(stated: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    """The names that do not stand for the same in both, those included that one side lacks."""
    return sorted(name for name in {*stated, *found} if stated.get(name) != found.get(name))


def changed(made: Mapping[str, Any], inputs: Mapping[str, str], home: Path) -> list[str]:
    """Inputs and tables of a report that are not those which its run wrote down.

    Parameters
    ----------
    made : its `provenance.json`.
    inputs : SHA-256 of the study's files as they are (`file_hashes`).
    home : the folder of the report.
    """
    tables = {f"tables/{name}": sha for name, sha in folder_digests(home / "tables").items()}
    return differing(part(made, "inputs"), inputs) + differing(part(made, "tables"), tables)


def pack(study: sheets.Study, home: Path, archive: Path, *, date: str = "") -> list[str]:
    """Pack a study and its report into one archive.

    Parameters
    ----------
    home : the folder of its report.
    archive : the file to be written; one that is there is replaced.
    date : the day it is published, ISO 8601; "" takes the newest that a take, a lock or an opened
        key names.

    Returns
    -------
    Notes: what was written, and what its maker should know before it is handed on.

    Raises
    ------
    InputError : there is no report, it is not of this study as it stands or lacks a batch, a file
        lies elsewhere or has a name that other systems cannot hold, or no date is known.
    RunError : the extra `pack` is not installed, or a file was replaced meanwhile.
    """
    made, inputs = writing.read_json(home / PROVENANCE), file_hashes(study)
    errors.InputError.refuse(not made, "archive.not_run", study=study.name, home=home)
    files = study_files(study.folder, inputs) | {
        f"reports/{study.name}/{name}": home / name
        for name in folder_digests(home)
        if not FAILED.fullmatch(name)
    }
    tops = (study.folder.resolve(), home.resolve())
    away = [n for n, p in files.items() if not any(p.resolve().is_relative_to(top) for top in tops)]
    lacking = [path.parent.name for path in sorted(home.glob(f".parts/*/{NOT_USED}"))]
    other = changed(made, inputs, home)
    days = [
        *(take.started.isoformat() for take in study.takes if take.started),
        *(lock.content["locked"] for lock in study.locks),
        *(key.opened for key in study.blinding),
    ]
    day = date or max(days, default="")[:10]
    errors.InputError.refuse_all(
        codes.holding(
            (other, codes.note("archive.changed", files=other, home=home)),
            (lacking, codes.note("archive.lacking", batches=lacking)),
            (away, codes.note("archive.elsewhere", files=away)),
            (not day, codes.note("archive.no_date")),
        )
        + _unfit(list(files), sum(path.stat().st_size for path in files.values()))
    )
    held = {name: inputs.get(name) or sha256(path) for name, path in sorted(files.items())}
    licence = _licence(study, files)
    text = _metadata(study, held, made, licence=licence, day=day)
    with writing.whole(archive) as beside:
        with zipfile.ZipFile(beside, "w") as packed:
            packed.writestr(_member(METADATA), text)
            for name in held:
                member = _member(name, files[name].stat().st_size)
                with files[name].open("rb") as given, packed.open(member, "w") as into:
                    shutil.copyfileobj(given, into)
        replaced = [name for name, sha in held.items() if sha256(files[name]) != sha]
        errors.RunError.refuse(replaced, "run.replaced", files=replaced)
    tops = {name.partition("/")[0] for name in [*held, archive.name]}
    left = sorted(path.name for path in study.folder.glob("[!.]*") if path.name not in tops)
    return [
        codes.note(
            "archive.packed",
            path=archive,
            files=len(held) + 1,
            size=archive.stat().st_size,
            day=day,
            sha256=sha256(archive),
        ),
        *codes.holding(
            (left, codes.note("archive.left_out", names=left)),
            (not licence, "archive.unlicensed"),
        ),
    ]


def unpack(archive: Path, room: Path) -> Path:
    """Unpack an archive into a folder.

    Parameters
    ----------
    room : where the study's folder is made, under the study's own name.

    Returns
    -------
    The study's folder; its report lies in `reports/<study>/` there.

    Raises
    ------
    InputError : it is no such archive, it is not whole, or it holds what no study has.
    """
    errors.InputError.refuse(not archive.is_file(), "archive.no_archive", file=archive.name)
    try:
        with zipfile.ZipFile(archive) as packed:
            members = [one for one in packed.infolist() if not one.filename.endswith("/")]
            names = [member.filename for member in members]
            homes = sorted({found[1] for name in names if (found := REPORT.match(name))})
            ours = METADATA in names and [writing.slug(home) for home in homes] == homes[:1]
            errors.InputError.refuse(not (ours and homes), "archive.no_archive", file=archive.name)
            odd = [member.filename for member in members if _is_odd(member)]
            errors.InputError.refuse_all(
                codes.holding((odd, codes.note("archive.odd_members", names=odd)))
                + _unfit(names, sum(member.file_size for member in members))
            )
            packed.extractall(room / homes[0], names)
    except BROKEN as error:
        raise errors.InputError(
            codes.note("archive.broken", file=archive.name, said=str(error) or type(error).__name__)
        ) from None
    return room / homes[0]


def stated(folder: Path) -> dict[str, Any]:
    """The SHA-256 of each file, by name, as the metadata of an unpacked archive state them."""
    graph = writing.read_json(folder / METADATA).get("@graph")
    return {
        unquote(str(one.get("@id"))): one.get("sha256")
        for one in (graph if isinstance(graph, list) else [])
        if isinstance(one, dict) and one.get("@type") == "File"
    }


def _unfit(names: Sequence[str], size: int) -> list[str]:
    """Why files of these names, of this size in all, cannot be unpacked on every system."""
    strange = [name for name in names if not (name.isprintable() and NAME.fullmatch(name))]
    alike = grouped((unicodedata.normalize("NFC", name).casefold(), name) for name in names)
    twice = [name for own in alike.values() for name in own if len(own) > 1]
    return codes.holding(
        (strange, codes.note("archive.strange_names", names=strange)),
        (twice, codes.note("archive.alike", names=twice)),
        (
            size > MOST_BYTES or len(names) > MOST_FILES,
            codes.note(
                "archive.too_large",
                files=len(names),
                size=size,
                most_files=MOST_FILES,
                most_size=MOST_BYTES,
            ),
        ),
    )


def _is_odd(member: zipfile.ZipInfo) -> bool:
    """A link, an encrypted member, one of a foreign compression, or one that grows beyond sense."""
    return not (
        stat.S_IFMT(member.external_attr >> 16) in (0, stat.S_IFREG)
        and member.compress_type in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
        and member.file_size <= max(SMALL, MOST_SQUEEZED * member.compress_size)
        and not member.flag_bits & 1
    )


def _member(name: str, size: int = 0) -> zipfile.ZipInfo:
    """A member that says nothing of the machine it was packed on."""
    member = zipfile.ZipInfo(name)
    member.create_system, member.external_attr, member.file_size = 3, 0o100644 << 16, size
    return member


def _licence(study: sheets.Study, files: Mapping[str, Path]) -> str:
    """The licence as study.toml names it, else the files that hold one; "" where none is chosen."""
    template = (resources.files("studylib.sheets") / "new_study" / "LICENSE.md").read_bytes()
    named = [n for n, path in files.items() if n[:3] == "LIC" and path.read_bytes() != template]
    return study.settings.study.licence or ", ".join(named)


def _metadata(
    study: sheets.Study, held: Mapping[str, str], made: Mapping[str, Any], *, licence: str, day: str
) -> str:
    """`ro-crate-metadata.json`; `held` gives the SHA-256 of every file, by name."""
    try:
        from rocrate.rocrate import ROCrate
    except ModuleNotFoundError:
        raise errors.RunError(codes.note("archive.no_rocrate")) from None
    crate, asked = ROCrate(version="1.1"), study.settings.study
    crate.metadata.extra_terms["sha256"] = "http://schema.org/sha256"
    crate.name, crate.description, crate.datePublished = asked.title, asked.question, day
    for name, sha in held.items():
        form = FORMATS.get(Path(name).suffix.lower(), FORMATS[""])
        crate.add_file(
            dest_path=name,
            properties={"name": Path(name).name, "encodingFormat": form, "sha256": sha},
        )
    for entity in (
        {
            "@id": "#licence",
            "@type": "CreativeWork",
            "name": words.say("archive.licence", licence=licence),
        },
        {
            "@id": "#studylib",
            "@type": "SoftwareApplication",
            "name": "studylib",
            "version": part(made, "versions").get("studylib"),
        },
        {
            "@id": "#run",
            "@type": "CreateAction",
            "name": words.say("archive.run"),
            "instrument": {"@id": "#studylib"},
            "object": [{"@id": quote(name)} for name in part(made, "inputs")],
            "result": [{"@id": quote(name)} for name in held if REPORT.match(name)],
        },
    ):
        crate.add_jsonld(entity)
    crate.license = {"@id": "#licence"}
    return writing.json_text(crate.metadata.generate())
