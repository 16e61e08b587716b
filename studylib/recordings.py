"""Open recordings: what a file holds, and windows of time from it, as they were recorded.

Any file that libsndfile reads, whatever its name says: WAV (broadcast, extensible, RF64, W64),
FLAC, AIFF, CAF. Samples come as float64 with full scale at 1.0, one row a channel, never
resampled, mixed or scaled; NaN, infinity and values beyond full scale come as they stand.
Frames are counted from 0; a frame is one sample of every channel.

libsndfile does not complain about a WAV or AIFF file that breaks off: it gives what is left.
What the header announced stands in its log, from which `truncated` is taken. A compressed
file is tried at its end instead. A header of an unknown length (all ones, as a program
writes that streams its output) is no fault.

Functions: `probe`, `other_rate`, `in_study`, `read_window`, `windows`.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from studylib import codes, errors, words
from studylib.sheets import files, settings

_UNKNOWN_FRAMES = 2**62  # libsndfile gives 2^63 - 1 where a FLAC header has no length
_STREAMED_BYTES = 0x7FFF_0000  # sizes from here to all ones stand for "not known yet"
_ANNOUNCED = re.compile(r"^\s*(\w+)[^:\n]*:\s*([0-9]+) \(should be ([0-9]+)\)", re.MULTILINE)
_UNREAD = re.compile(r"Unknown\schunk\smarker|Chunk\ssize\s\S+\s>\sfile\slength")  # in its log
_ENDINGS = {
    ".wav": ("WAV", "WAVEX", "RF64", "W64"),
    ".flac": ("FLAC",),
    ".aif": ("AIFF",),
    ".aiff": ("AIFF",),
    ".aifc": ("AIFF",),
    ".caf": ("CAF",),
    ".w64": ("W64",),
    ".rf64": ("RF64", "WAV", "WAVEX"),
    ".ogg": ("OGG",),
    ".mp3": ("MP3",),
}
# ValueError: a damaged MP3 may stand behind its own end, and less than nothing is left of it.
_READ_ERRORS = (soundfile.LibsndfileError, RuntimeError, ValueError)
# Not DWVW and DPCM: they code differences, and without loss.
_LOSSY = re.compile(r"MPEG|VORBIS|OPUS|ADPCM|GSM|ULAW|ALAW|G72|NMS|VOX")


@dataclass(frozen=True)
class RecordingInfo:
    """What a recording's file says of itself.

    Attributes
    ----------
    path : the file.
    rate_hz : sampling rate, Hz.
    channels : number of channels.
    frames : frames that the file holds (for a FLAC file: that it announces).
    container, subtype : libsndfile's names, e.g. "WAV" and "PCM_24", by content, not by name.
    truncated : the file holds less than it announces, or cannot be read to its end.
    remark : a cell with notes of what is unusual ("" when nothing is).
    """

    path: Path
    rate_hz: int
    channels: int
    frames: int
    container: str
    subtype: str
    truncated: bool
    remark: str


def probe(path: Path | str) -> RecordingInfo:
    """Look into a recording without reading all of it.

    Raises
    ------
    InputError : the file is not there, is not audio, holds no frames, or was recorded below 8 kHz.
    """
    path = Path(path)
    with _opened(path) as file:
        frames = file.frames
        errors.InputError.refuse(frames < 1, "recordings.no_samples", file=_name(path))
        errors.InputError.refuse(
            file.samplerate < settings.LOWEST_RATE_HZ,
            "recordings.low_rate",
            file=_name(path),
            rate_hz=file.samplerate,
            lowest_hz=settings.LOWEST_RATE_HZ,
        )
        breaks_off, remarks = _state(path, file, frames)
        return RecordingInfo(
            path=path,
            rate_hz=file.samplerate,
            channels=file.channels,
            frames=frames,
            container=file.format,
            subtype=file.subtype,
            truncated=breaks_off,
            remark=codes.several(remarks),
        )


def other_rate(info: RecordingInfo, study_hz: int) -> str:
    """The note of a recording whose rate is not the study's; "" where it is."""
    return (
        ""
        if info.rate_hz == study_hz
        else codes.note(
            "recordings.other_rate",
            file=_name(info.path),
            rate_hz=info.rate_hz,
            study_hz=study_hz,
        )
    )


def in_study(fault: str, study_hz: int | None) -> str:
    """A note of `probe`'s error; one of a rate that is too low names the study's as well."""
    return (
        fault
        if codes.code_of(fault) != "recordings.low_rate" or not study_hz
        else codes.note("recordings.low_rate", **codes.fields_of(fault), study_hz=study_hz)
    )


def read_window(path: Path | str, *, start: int, frames: int) -> np.ndarray:
    """One window of a recording.

    Parameters
    ----------
    start : first frame, from 0.
    frames : length of the window, at least 1.

    Returns
    -------
    float64 array of shape (channels, frames), C-contiguous, full scale at 1.0.

    Raises
    ------
    InputError : the file is not there, is not audio, is damaged, or ends before the window does.
    """
    return next(windows(path, start=start, frames_each=frames, count=1))


def windows(path: Path | str, *, start: int, frames_each: int, count: int) -> Iterator[np.ndarray]:
    """Windows that follow one another, read one at a time from one open file.

    Parameters
    ----------
    start : first frame of the first window, from 0.
    frames_each : length of each window, at least 1.
    count : number of windows.

    Yields
    ------
    float64 arrays of shape (channels, frames_each), C-contiguous; only one is held at a time.

    Raises
    ------
    InputError : as `read_window`.
    """
    if start < 0 or frames_each < 1 or count < 0:
        raise ValueError(words.say("recordings.window"))
    path = Path(path)
    with _opened(path) as file:
        for k in range(count):
            yield np.ascontiguousarray(
                _block(path, file, start + k * frames_each, frames_each, seek=k == 0).T
            )


def _block(
    path: Path, file: soundfile.SoundFile, first: int, frames: int, *, seek: bool
) -> np.ndarray:
    _refuse_short(path, first, frames, file.frames)
    try:
        if seek and first:
            file.seek(first)
        block = file.read(frames, dtype="float64", always_2d=True)
    except _READ_ERRORS as error:
        raise errors.InputError(
            codes.note(
                "recordings.damaged", file=_name(path), why=_reason(error),
                from_s=first / file.samplerate, to_s=(first + frames) / file.samplerate,
            )
        ) from None  # fmt: skip
    _refuse_short(path, first, frames, first + len(block))
    return block


def _refuse_short(path: Path, first: int, frames: int, held: int) -> None:
    errors.InputError.refuse(
        first + frames > held, "recordings.too_short",
        file=_name(path), held=held, first=first, last=first + frames,
    )  # fmt: skip


@contextmanager
def _opened(path: Path) -> Iterator[soundfile.SoundFile]:
    errors.InputError.refuse(not path.is_file(), "recordings.not_there", file=_name(path))
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, TypeError) as error:
        # TypeError: a name that ends in .raw has no header to look into.
        raise errors.InputError(
            codes.note("recordings.convert", file=_name(path))
            if path.suffix.lower() in files.UNREAD_ENDINGS
            else codes.note("recordings.no_audio", file=_name(path), why=_reason(error))
        ) from None
    with file:
        errors.InputError.refuse(
            file.frames >= _UNKNOWN_FRAMES, "recordings.no_length", file=_name(path)
        )
        yield file


def _state(path: Path, file: soundfile.SoundFile, frames: int) -> tuple[bool, list[str]]:
    """Whether the file breaks off, and notes of what is unusual about it."""
    log, ending = file.extra_info, path.suffix.lower()
    if _announces_more(file.format, log):
        remarks = ["recordings.breaks_off"]
    elif _UNREAD.search(log):
        remarks = ["recordings.holds_more"]
    else:
        compressed = file.format in ("FLAC", "OGG", "MP3")
        remarks = ["recordings.end_unread"] * (compressed and not _end_is_read(file, frames))
    announced = max((int(size) for _, size, _ in _ANNOUNCED.findall(log)), default=0)
    return bool(remarks), remarks + codes.holding(
        (not remarks and announced >= _STREAMED_BYTES, "recordings.open_length"),
        (
            file.format not in _ENDINGS.get(ending, (file.format,)),
            codes.note("recordings.other_content", ending=ending, container=file.format),
        ),
        (
            _LOSSY.search(file.subtype) or file.format == "MP3",
            codes.note("recordings.lossy", coding=file.subtype),
        ),
    )


def _announces_more(container: str, log: str) -> bool:
    """The header's own sizes against the file, from libsndfile's log."""
    found = _ANNOUNCED.findall(log)
    if container in ("WAV", "WAVEX", "AIFF"):
        # A wrong size of the whole file alone loses no sample.
        found = [line for line in found if line[0] in ("data", "SSND")]
    return any(int(held) < int(said) < _STREAMED_BYTES for _, said, held in found)


def _end_is_read(file: soundfile.SoundFile, frames: int) -> bool:
    try:
        file.seek(frames - 1)
        return len(file.read(1)) == 1
    except _READ_ERRORS:
        return False


def _name(path: Path) -> str:
    return f"{path.parent.name}/{path.name}" if path.parent.name else path.name


def _reason(error: Exception) -> str:
    return (
        (getattr(error, "error_string", "") or str(error))
        .removeprefix("Error : ")
        .rstrip(".")
        .lower()
    )
