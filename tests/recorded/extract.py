"""The recordings inside packages, as plain audio files under one folder.

    python -m tests.recorded.extract PACKAGE [PACKAGE ...] --to FOLDER

PACKAGE is a Debian package file, an installed or unpacked folder, an archive of a drum kit (a
gzipped tar file), a SoundFont file or an audio file. Every recording ends as
FOLDER/<the folder it lay in>/<name>: audio files as they are, samples of a SoundFont as WAV files
of 16 bit under the SoundFont's own name. `strokes.csv` and `sustained.csv` name them like that.

Three packages of Debian are meant: sonic-pi-samples (CC0 1.0), hydrogen-drumkits (several
licences, one a kit) and fluid-soundfont-gm (MIT). None of it is kept here but what
`tests/reference/strokes` lists.

A SoundFont keeps a held note short by repeating a stretch of it. What is repeated never sounded
like that, so a sample is written up to the start of its loop; where the loop begins in the first
hundredth of a second it marks that nothing is repeated, and the sample is whole.

Sources: SoundFont Technical Specification 2.04 (2006): RIFF structure, sections 5 (smpl) and 7.10
(shdr, 46 bytes a record); deb(5) for the members of a package.

Functions: extract, soundfont_samples. Sample.
"""

from __future__ import annotations

import argparse
import io
import struct
import tarfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import numpy as np
import soundfile

AUDIO = (".flac", ".wav", ".aiff", ".aif", ".ogg")
KIT, SOUNDFONT, PACKAGE = ".h2drumkit", ".sf2", ".deb"
NO_LOOP_S = 0.01
ROM = 0x8000  # a sample that lies in the memory of a device, not in the file


class Sample(NamedTuple):
    """One sample of a SoundFont. samples : int16, up to its loop."""

    name: str
    rate_hz: int
    samples: np.ndarray


def extract(sources: list[Path], folder: Path) -> int:
    """Write every recording found in `sources`; how many there were.

    Raises
    ------
    ValueError : a source holds none, or is packed in a way that this Python cannot read.
    """
    written = 0
    for source in sources:
        before = written
        for parent, name, content in _recordings(source):
            target = folder / parent / name
            target.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(content, bytes):
                target.write_bytes(content)
            else:
                soundfile.write(target, content.samples, content.rate_hz, subtype="PCM_16")
            written += 1
        if written == before:
            raise ValueError(f"{source}: no recording was found in it")
    return written


def soundfont_samples(content: bytes) -> Iterator[Sample]:
    """The samples of a SoundFont file, in its order; of several of one name the first.

    Raises
    ------
    ValueError : it is no SoundFont of version 2.
    """
    if content[:4] != b"RIFF" or content[8:12] != b"sfbk":
        raise ValueError("not a SoundFont file: it does not begin with RIFF and sfbk")
    chunks = dict(_chunks(content, 12, len(content)))
    if not {b"smpl", b"shdr"} <= set(chunks):
        raise ValueError("the SoundFont file holds no samples")
    data = np.frombuffer(chunks[b"smpl"], dtype="<i2")
    seen = set()
    # The last record is a mark of the end.
    for record in list(struct.iter_unpack("<20s5IBbHH", chunks[b"shdr"]))[:-1]:
        raw, start, end, loop, _, rate_hz, _, _, _, kind = record
        name = raw.split(b"\0")[0].decode("latin-1").strip()
        if kind & ROM or name in seen or not start < end <= len(data):
            continue
        seen.add(name)
        repeated = start + NO_LOOP_S * rate_hz < loop <= end
        yield Sample(name, rate_hz, data[start : loop if repeated else end])


def _chunks(content: bytes, start: int, end: int) -> Iterator[tuple[bytes, memoryview]]:
    """Chunks of a RIFF file, those inside a LIST as well."""
    while start + 8 <= end:
        kind, size = struct.unpack_from("<4sI", content, start)
        if kind == b"LIST":
            yield from _chunks(content, start + 12, start + 8 + size)
        else:
            yield kind, memoryview(content)[start + 8 : start + 8 + size]
        start += 8 + size + size % 2  # a chunk begins at an even byte


def _recordings(source: Path) -> Iterator[tuple[str, str, bytes | Sample]]:
    """(folder, name, what it holds) of every recording in a source."""
    if source.is_dir():
        for path in sorted(source.rglob("*")):
            if path.is_file() and path.suffix.lower() in (*AUDIO, KIT, SOUNDFONT):
                yield from _inside(path.parent.name, path.name, path.read_bytes())
    elif source.suffix == PACKAGE:
        yield from _in_tar(_data_of_package(source))
    elif source.is_file():
        yield from _inside(source.parent.name, source.name, source.read_bytes())
    else:
        raise ValueError(f"{source}: neither a file nor a folder")


def _inside(parent: str, name: str, content: bytes) -> Iterator[tuple[str, str, bytes | Sample]]:
    path = PurePosixPath(name)
    if path.suffix.lower() in AUDIO:
        yield parent, name, content
    elif path.suffix.lower() == KIT:
        yield from _in_tar(content)
    elif path.suffix.lower() == SOUNDFONT:
        for sample in soundfont_samples(content):
            yield path.stem, sample.name.replace("/", "-") + ".wav", sample


def _in_tar(content: bytes) -> Iterator[tuple[str, str, bytes | Sample]]:
    with tarfile.open(fileobj=io.BytesIO(content)) as archive:
        for member in archive:
            if member.isfile():
                path = PurePosixPath(member.name)
                if path.suffix.lower() in (*AUDIO, KIT, SOUNDFONT):
                    yield from _inside(
                        path.parent.name, path.name, archive.extractfile(member).read()
                    )


def _data_of_package(path: Path) -> bytes:
    """The tar file with a package's files."""
    content = path.read_bytes()
    if content[:8] != b"!<arch>\n":
        raise ValueError(f"{path}: not a Debian package")
    at = 8
    while at + 60 <= len(content):
        name = content[at : at + 16].decode("latin-1").strip().rstrip("/")
        size = int(content[at + 48 : at + 58])
        if name.startswith("data.tar"):
            if name.endswith(".zst"):
                raise ValueError(f"{path}: unpack it first (dpkg-deb -x), and give the folder")
            return content[at + 60 : at + 60 + size]
        at += 60 + size + size % 2
    raise ValueError(f"{path}: the package holds no files")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", nargs="+", type=Path, metavar="PACKAGE")
    parser.add_argument("--to", required=True, type=Path, metavar="FOLDER")
    wanted = parser.parse_args()
    try:
        print(extract(wanted.packages, wanted.to), "recordings in", wanted.to)
    except ValueError as error:
        raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
