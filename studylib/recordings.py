"""Open recordings: what a file holds, and windows of time from it, as they were recorded.

Any file that libsndfile reads, whatever its name says: WAV (broadcast, extensible, RF64, W64),
FLAC, AIFF, CAF. Samples come as float64 with full scale at 1.0, one row a channel, never
resampled, mixed or scaled; NaN, infinity and values beyond full scale come as they stand.
Frames are counted from 0; a frame is one sample of every channel.

libsndfile does not complain about a WAV or AIFF file that breaks off: it gives what is left.
What the header announced stands in its log, from which `truncated` is taken. A compressed
file is tried at its end instead. A header of an unknown length (all ones, as a program
writes that streams its output) is no fault.

Functions: `probe`, `read_window`, `windows`, `sha256`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from studylib.errors import InputError
from studylib.sheets.files import sha256

__all__ = ["RecordingInfo", "probe", "read_window", "sha256", "windows"]

LOWEST_RATE_HZ = 8000  # below it, there is too little left of a tone's harmonics and the noise
_UNKNOWN_FRAMES = 2**62  # libsndfile gives 2^63 - 1 where a FLAC header has no length
_STREAMED_BYTES = 0x7FFF_0000  # sizes from here to all ones stand for "not known yet"
_ANNOUNCED = re.compile(r"^\s*(\w+)[^:\n]*:\s*([0-9]+) \(should be ([0-9]+)\)", re.MULTILINE)
_UNREAD = re.compile(r"Unknown chunk marker|Chunk size \S+ > file length")
_ENDINGS = {
    ".wav": ("WAV", "WAVEX", "RF64", "W64"),
    ".flac": ("FLAC",),
    ".aif": ("AIFF",),
    ".aiff": ("AIFF",),
    ".caf": ("CAF",),
    ".w64": ("W64",),
    ".rf64": ("RF64", "WAV", "WAVEX"),
}
# ValueError: a damaged MP3 may stand behind its own end, and less than nothing is left of it.
_READ_ERRORS = (soundfile.LibsndfileError, RuntimeError, ValueError)
_LOSSY = re.compile(r"MPEG|VORBIS|OPUS|ADPCM|GSM|ULAW|ALAW|G72|NMS|DWVW|DPCM|VOX")


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
    remark : sentences about what is unusual ("" when nothing is).
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
        if frames < 1:
            raise InputError(
                f"{_name(path)} holds no samples (the recorder was most likely stopped before it "
                "could close the file); record the take again"
            )
        if file.samplerate < LOWEST_RATE_HZ:
            raise InputError(
                f"{_name(path)} was recorded at {file.samplerate} Hz; record at "
                f"{LOWEST_RATE_HZ} Hz or more"
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
            remark="; ".join(remarks),
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
        raise ValueError("start and count are 0 or more and frames_each is 1 or more")
    path = Path(path)
    with _opened(path) as file:
        for k in range(count):
            first = start + k * frames_each
            block = _block(path, file, first, frames_each, seek=k == 0)
            yield np.ascontiguousarray(block.T)


def _block(
    path: Path, file: soundfile.SoundFile, first: int, frames: int, *, seek: bool
) -> np.ndarray:
    if first + frames > file.frames:
        raise InputError(_short(path, first, frames, file.frames))
    try:
        if seek and first:
            file.seek(first)
        block = file.read(frames, dtype="float64", always_2d=True)
    except _READ_ERRORS as error:
        raise InputError(
            f"{_name(path)} is damaged or breaks off between {_time(file, first)} and "
            f"{_time(file, first + frames)} ({_reason(error)}); copy it again from the recorder "
            "or record the take again"
        ) from None
    if len(block) < frames:
        raise InputError(_short(path, first, frames, first + len(block)))
    return block


def _short(path: Path, first: int, frames: int, held: int) -> str:
    return (
        f"{_name(path)} holds {held} frames but frames {first} to {first + frames} were asked "
        "for; record longer, or set a shorter length_s in study.toml"
    )


@contextmanager
def _opened(path: Path) -> Iterator[soundfile.SoundFile]:
    if not path.is_file():
        raise InputError(f"{_name(path)} is not there; put the recording there")
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, TypeError) as error:
        # TypeError: a name that ends in .raw has no header to look into.
        raise InputError(
            f"{_name(path)} cannot be read as audio ({_reason(error)}); "
            "give a WAV, FLAC or AIFF file"
        ) from None
    with file:
        if file.frames >= _UNKNOWN_FRAMES:
            raise InputError(
                f"{_name(path)} has no length in its header (it was written as a stream), which "
                "FLAC needs to be read by parts; save it again as FLAC or WAV"
            )
        yield file


def _state(path: Path, file: soundfile.SoundFile, frames: int) -> tuple[bool, list[str]]:
    """Whether the file breaks off, and what is unusual about it."""
    log, remarks = file.extra_info, []
    breaks_off = _announces_more(file.format, log)
    if breaks_off:
        remarks.append("the file breaks off: it holds less than its header announces")
    elif _UNREAD.search(log):
        breaks_off = True
        remarks.append("the header announces less than the file holds: the rest cannot be read")
    elif file.format in ("FLAC", "OGG", "MP3") and not _end_is_read(file, frames):
        breaks_off = True
        remarks.append("the file is damaged or breaks off: its end cannot be read")
    elif any(int(size) >= _STREAMED_BYTES for _, size, _ in _ANNOUNCED.findall(log)):
        remarks.append("the header leaves the length open; it was taken from the file")
    expected = _ENDINGS.get(path.suffix.lower())
    if expected and file.format not in expected:
        remarks.append(f"the name ends in {path.suffix} but the content is {file.format}")
    if _LOSSY.search(file.subtype) or file.format == "MP3":
        remarks.append("lossy compression: weak components are altered; record WAV or FLAC")
    return breaks_off, remarks


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


def _time(file: soundfile.SoundFile, frame: int) -> str:
    return f"{frame / file.samplerate:.3f} s"


def _reason(error: Exception) -> str:
    text = getattr(error, "error_string", "") or str(error)
    return text.removeprefix("Error : ").rstrip(".").lower()
