"""Recordings of every container and depth, and every way in which a file can be broken.

The files are written by libsndfile and then cut or changed by bytes; where the layout of a
chunk matters it is that of the RIFF/WAVE, AIFF-C, EBU Tech 3285 (broadcast WAV) and FLAC
format descriptions, from memory.
"""

from __future__ import annotations

import hashlib
import struct
import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest
import soundfile

from studylib.codes import code_of, each, fields_of, note
from studylib.errors import InputError
from studylib.recordings import in_study, other_rate, probe, read_window, windows
from studylib.sheets.files import sha256
from studylib.words import say
from tests.notes import holds

RATE = 24_000
FRAMES = 6_000

FORMATS = [
    # container, subtype, ending, step of the quantiser relative to full scale
    ("WAV", "PCM_16", "wav", 2.0**-15),
    ("WAV", "PCM_24", "wav", 2.0**-23),
    ("WAV", "PCM_32", "wav", 2.0**-31),
    ("WAV", "FLOAT", "wav", 2.0**-24),
    ("WAV", "DOUBLE", "wav", 2.0**-50),
    ("WAVEX", "PCM_24", "wav", 2.0**-23),
    ("RF64", "PCM_16", "rf64", 2.0**-15),
    ("W64", "PCM_24", "w64", 2.0**-23),
    ("FLAC", "PCM_16", "flac", 2.0**-15),
    ("FLAC", "PCM_24", "flac", 2.0**-23),
    ("AIFF", "PCM_16", "aiff", 2.0**-15),
    ("AIFF", "FLOAT", "aif", 2.0**-24),
    ("CAF", "PCM_24", "caf", 2.0**-23),
]


@pytest.fixture
def noise(rng) -> np.ndarray:
    """(frames, channels), well inside full scale."""
    return rng.uniform(-0.5, 0.5, size=(FRAMES, 2))


@pytest.fixture
def wav(tmp_path, noise):
    """A good 16-bit WAV file and its bytes."""
    path = tmp_path / "good.wav"
    soundfile.write(path, noise, RATE, subtype="PCM_16")
    return path, path.read_bytes()


def refused(call: Callable, code: str) -> dict:
    """The fields of the one fault with which a call is refused; it can be told in words."""
    with pytest.raises(InputError) as caught:
        call()
    assert caught.value.codes == (code,)
    assert str(caught.value)
    return fields_of(caught.value.notes[0])


def patched(path, data: bytes, at: int, new: bytes):
    path.write_bytes(data[:at] + new + data[at + len(new) :])
    return path


def data_size_at(data: bytes) -> int:
    return data.index(b"data") + 4


# Whole files


@pytest.mark.parametrize(("container", "subtype", "ending", "step"), FORMATS)
def test_every_container_and_depth(tmp_path, noise, container, subtype, ending, step):
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, noise, RATE, format=container, subtype=subtype)
    info = probe(path)
    assert (info.path, info.rate_hz, info.channels, info.frames) == (path, RATE, 2, FRAMES)
    assert (info.container, info.subtype) == (container, subtype)
    assert not info.truncated
    assert info.remark == ""
    x = read_window(path, start=1_000, frames=2_000)
    assert x.shape == (2, 2_000)
    assert x.dtype == np.float64
    assert x.flags.c_contiguous
    assert np.abs(x - noise.T[:, 1_000:3_000]).max() <= step


@pytest.mark.parametrize("channels", range(1, 9))
@pytest.mark.parametrize("rate", [8_000, 192_000])
def test_one_to_eight_channels_at_the_ends_of_the_range_of_rates(tmp_path, rng, channels, rate):
    data = rng.uniform(-0.5, 0.5, size=(500, channels))
    path = tmp_path / "take.wav"
    soundfile.write(path, data, rate, subtype="DOUBLE")
    assert (probe(path).channels, probe(path).rate_hz) == (channels, rate)
    assert np.array_equal(read_window(path, start=0, frames=500), data.T)


def test_a_broadcast_wav(tmp_path, wav):
    _, data = wav
    bext = b"bext" + struct.pack("<I", 602) + b"Rail take".ljust(602, b"\0")
    fmt = data.index(b"fmt ")
    size = struct.pack("<I", len(data) - 8 + len(bext))
    path = tmp_path / "broadcast.wav"
    path.write_bytes(data[:4] + size + data[8:fmt] + bext + data[fmt:])
    assert (probe(path).frames, probe(path).truncated, probe(path).remark) == (FRAMES, False, "")


@pytest.mark.parametrize("rate", [1, 7, 7_999])
def test_a_rate_below_8_khz_is_refused(tmp_path, noise, rate):
    path = tmp_path / "slow.wav"
    soundfile.write(path, noise, rate)
    fault = refused(lambda: probe(path), "recordings.low_rate")
    assert (fault["rate_hz"], fault["lowest_hz"]) == (rate, 8_000)


def test_chunks_after_the_samples_are_no_fault(tmp_path, wav):
    _, data = wav
    extra = b"LIST" + struct.pack("<I", 16) + b"INFOICMT" + struct.pack("<I", 4) + b"rail"
    path = tmp_path / "notes.wav"
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8 + len(extra)) + data[8:] + extra)
    assert (probe(path).frames, probe(path).truncated, probe(path).remark) == (FRAMES, False, "")


def test_what_is_not_finite_or_beyond_full_scale_comes_as_it_stands(tmp_path):
    data = np.array([[np.nan, 0.0], [np.inf, 1.5], [-np.inf, -3.0]])
    path = tmp_path / "odd.wav"
    soundfile.write(path, data, RATE, subtype="FLOAT")
    assert not probe(path).truncated
    assert np.array_equal(read_window(path, start=0, frames=3), data.T, equal_nan=True)


# Files that break off


def test_a_truncated_wav(tmp_path, wav, noise):
    _, data = wav
    path = tmp_path / "cut.wav"
    path.write_bytes(data[: len(data) // 2])
    info = probe(path)
    assert info.truncated
    assert info.remark == "recordings.breaks_off"
    assert FRAMES // 2 - 20 < info.frames < FRAMES // 2
    x = read_window(path, start=0, frames=info.frames)
    assert np.abs(x - noise.T[:, : info.frames]).max() <= 2.0**-15
    fault = refused(lambda: read_window(path, start=0, frames=FRAMES), "recordings.too_short")
    assert (fault["held"], fault["first"], fault["last"]) == (info.frames, 0, FRAMES)


@pytest.mark.parametrize(
    ("container", "ending"), [("AIFF", "aiff"), ("W64", "w64"), ("RF64", "rf64")]
)
def test_other_truncated_files(tmp_path, noise, container, ending):
    path = tmp_path / f"cut.{ending}"
    soundfile.write(path, noise, RATE, format=container, subtype="PCM_16")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    info = probe(path)
    assert info.truncated
    assert info.frames < FRAMES


@pytest.mark.parametrize("cut", [1, 3, 4])
def test_a_wav_cut_by_a_few_bytes(tmp_path, wav, cut):
    _, data = wav
    path = tmp_path / "cut.wav"
    path.write_bytes(data[:-cut])
    assert (probe(path).truncated, probe(path).frames) == (True, FRAMES - 1)


def test_a_wav_cut_in_a_chunk_after_the_samples_has_all_its_samples(tmp_path, wav):
    _, data = wav
    path = tmp_path / "notes.wav"
    extra = b"LIST" + struct.pack("<I", 100) + b"INFO"
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8 + 108) + data[8:] + extra)
    assert (probe(path).frames, probe(path).truncated) == (FRAMES, False)


def test_a_truncated_caf_is_refused(tmp_path, noise):
    path = tmp_path / "cut.caf"
    soundfile.write(path, noise, RATE, format="CAF", subtype="PCM_16")
    path.write_bytes(path.read_bytes()[:12_000])
    assert refused(lambda: probe(path), "recordings.no_audio")["file"].endswith("/cut.caf")


@pytest.mark.parametrize("both", [True, False])
def test_a_data_size_of_zero(tmp_path, wav, both):
    _, data = wav
    path = patched(tmp_path / "zero.wav", data, data_size_at(data), b"\0\0\0\0")
    if both:
        patched(path, path.read_bytes(), 4, b"\0\0\0\0")
    refused(lambda: probe(path), "recordings.no_samples")
    fault = refused(lambda: read_window(path, start=0, frames=1), "recordings.too_short")
    assert fault["held"] == 0


def test_an_aiff_without_frames(tmp_path):
    path = tmp_path / "none.aiff"
    soundfile.write(path, np.zeros((0, 2)), RATE)
    refused(lambda: probe(path), "recordings.no_samples")


def test_a_header_that_announces_too_little(tmp_path, wav):
    _, data = wav
    path = patched(tmp_path / "little.wav", data, data_size_at(data), struct.pack("<I", 4_000))
    info = probe(path)
    assert info.frames == 1_000
    assert info.truncated
    assert info.remark == "recordings.holds_more"


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFF024])
def test_a_streamed_wav_is_read_whole(tmp_path, wav, noise, size):
    _, data = wav
    path = patched(tmp_path / "streamed.wav", data, data_size_at(data), struct.pack("<I", size))
    patched(path, path.read_bytes(), 4, struct.pack("<I", size))
    info = probe(path)
    assert (info.frames, info.truncated) == (FRAMES, False)
    assert info.remark == "recordings.open_length"
    assert np.abs(read_window(path, start=0, frames=FRAMES) - noise.T).max() <= 2.0**-15


def test_a_truncated_flac(tmp_path, noise):
    path = tmp_path / "cut.flac"
    soundfile.write(path, np.tile(noise, (4, 1)), RATE)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    info = probe(path)
    assert info.frames == 4 * FRAMES
    assert info.truncated
    assert info.remark == "recordings.end_unread"
    fault = refused(lambda: read_window(path, start=0, frames=4 * FRAMES), "recordings.damaged")
    assert (fault["from_s"], fault["to_s"]) == (0.0, 4 * FRAMES / RATE)


def test_a_flac_with_one_bit_turned(tmp_path, noise):
    path = tmp_path / "bit.flac"
    soundfile.write(path, np.tile(noise, (4, 1)), RATE)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(data)
    assert probe(path).frames == 4 * FRAMES
    whole = {"start": 0, "frames_each": FRAMES, "count": 4}
    refused(lambda: list(windows(path, **whole)), "recordings.damaged")


def test_a_flac_without_a_length_in_its_header(tmp_path, noise):
    path = tmp_path / "open.flac"
    soundfile.write(path, noise, RATE)
    data = bytearray(path.read_bytes())
    # STREAMINFO begins at byte 8; its 36-bit number of samples ends 18 bytes on. 0: not known.
    data[21] &= 0xF0
    data[22:26] = b"\0\0\0\0"
    path.write_bytes(data)
    for call in (probe, lambda p: read_window(p, start=0, frames=1)):
        refused(lambda call=call: call(path), "recordings.no_length")


# Files that are something else


@pytest.mark.parametrize("ending", [".wav", ".aifc", ".ogg", ".mp3"])
def test_flac_under_another_name(tmp_path, noise, ending):
    path = tmp_path / f"take{ending}"
    soundfile.write(path, noise, RATE, format="FLAC", subtype="PCM_16")
    info = probe(path)
    assert (info.container, info.frames) == ("FLAC", FRAMES)
    assert info.remark == note("recordings.other_content", ending=ending, container="FLAC")


def test_mp3_under_the_name_of_wav(tmp_path, noise):
    path = tmp_path / "take.wav"
    soundfile.write(path, noise, RATE, format="MP3")
    info = probe(path)
    assert info.container == "MP3"
    assert list(map(code_of, each(info.remark))) == [
        "recordings.other_content",
        "recordings.lossy",
    ]
    assert read_window(path, start=0, frames=1_000).shape == (2, 1_000)


@pytest.mark.parametrize(
    ("container", "subtype", "ending", "named"),
    [
        ("OGG", "VORBIS", "ogg", "Vorbis"),
        ("OGG", "OPUS", "ogg", "Opus"),
        ("MP3", "MPEG_LAYER_III", "mp3", "MP3"),
        ("WAV", "IMA_ADPCM", "wav", "IMA ADPCM"),
        ("WAV", "MS_ADPCM", "wav", "Microsoft ADPCM"),
        ("WAV", "ULAW", "wav", "µ-law"),
        ("WAV", "ALAW", "wav", "A-law"),
        ("WAV", "GSM610", "wav", "GSM 6.10"),
        ("WAV", "G721_32", "wav", "G721_32"),
        ("WAV", "NMS_ADPCM_32", "wav", "NMS_ADPCM_32"),
        ("AIFF", "ULAW", "aifc", "µ-law"),
        ("CAF", "ALAW", "caf", "A-law"),
    ],
)
def test_lossy_coding_is_remarked_in_every_container(
    tmp_path, noise, container, subtype, ending, named
):
    path = tmp_path / f"take.{ending}"
    soundfile.write(path, noise[:, 0], RATE, format=container, subtype=subtype)
    info = probe(path)
    assert holds(info.remark, "recordings.lossy", coding=subtype)
    assert f"coded with loss ({named})" in say(info.remark)
    assert not info.truncated
    (x,) = windows(path, start=0, frames_each=info.frames, count=1)
    assert np.isfinite(x).all()


def test_mp3_inside_a_wav_is_lossy_by_its_content(tmp_path, noise):
    """A WAV file's format tag 0x55 stands for MPEG layer III (RFC 2361)."""
    soundfile.write(tmp_path / "take.mp3", noise[:, 0], RATE)
    data = (tmp_path / "take.mp3").read_bytes()
    fmt = struct.pack("<HHIIHHHHIHHH", 0x55, 1, RATE, 8_000, 1, 0, 12, 1, 2, 192, 1, 1_393)
    chunks = ((b"fmt ", fmt), (b"fact", struct.pack("<I", FRAMES)), (b"data", data))
    body = b"WAVE" + b"".join(name + struct.pack("<I", len(c)) + c for name, c in chunks)
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    info = probe(path)
    assert (info.container, info.rate_hz) == ("WAV", RATE)
    assert holds(info.remark, "recordings.lossy", coding="MPEG_LAYER_III")


@pytest.mark.parametrize(
    ("container", "subtype"), [("CAF", "ALAC_16"), ("AIFF", "DWVW_16"), ("XI", "DPCM_16")]
)
def test_coding_without_loss_is_not_remarked(tmp_path, noise, container, subtype):
    path = tmp_path / f"take.{container.lower()}"
    soundfile.write(path, noise[:, 0], 44_100, format=container, subtype=subtype)
    assert probe(path).remark == ""


def test_a_strange_rate_is_told_with_the_studys(tmp_path, noise):
    path = tmp_path / "take.wav"
    soundfile.write(path, noise, RATE)
    info = probe(path)
    assert other_rate(info, RATE) == ""
    told = other_rate(info, 48_000)
    rates = {"rate_hz": RATE, "study_hz": 48_000}
    assert holds(told, "recordings.other_rate", file=f"{tmp_path.name}/take.wav", **rates)
    soundfile.write(path, noise, 4_000)
    fault = note("recordings.low_rate", **refused(lambda: probe(path), "recordings.low_rate"))
    assert say(fault).endswith("record at 8000 Hz or more")
    assert say(in_study(fault, 48_000)).endswith("record at 48000 Hz, the rate of the study")
    assert in_study(fault, None) == fault
    other = note("recordings.not_there", file="take.wav")
    assert in_study(other, 48_000) == other


@pytest.mark.parametrize("name", ["text.wav", "text.flac", "text.raw", "text.wav\N{BULLET}"])
@pytest.mark.parametrize("data", [b"", b"RIFF", b"not audio at all " * 10])
def test_what_is_no_audio(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    refused(lambda: probe(path), "recordings.no_audio")


@pytest.mark.parametrize("name", ["take.m4a", "take.MP4", "take.mov", "take.3gp"])
def test_a_phones_file_is_told_how_to_convert(tmp_path, name):
    (tmp_path / name).write_bytes(b"\0\0\0\x20ftypM4A \0\0\2\0isomiso2" + bytes(64))
    told = refused(lambda: probe(tmp_path / name), "recordings.convert")
    assert told["file"].endswith(name)


def test_what_is_not_there(tmp_path):
    for path in (tmp_path / "none.wav", tmp_path):
        for call in (probe, lambda p: read_window(p, start=0, frames=1)):
            refused(lambda call=call, path=path: call(path), "recordings.not_there")
    with pytest.raises(InputError, match=r"none\.wav cannot be read"):
        sha256(tmp_path / "none.wav")


# Windows


def test_windows_follow_one_another(wav):
    path, _ = wav
    whole = read_window(path, start=0, frames=FRAMES)
    parts = list(windows(path, start=500, frames_each=1_500, count=3))
    assert all(part.flags.c_contiguous for part in parts)
    assert np.array_equal(np.concatenate(parts, axis=1), whole[:, 500:5_000])
    assert list(windows(path, start=0, frames_each=10, count=0)) == []


def test_the_last_window_ends_with_the_file(wav):
    path, _ = wav
    assert read_window(path, start=FRAMES - 1, frames=1).shape == (2, 1)
    fault = refused(lambda: read_window(path, start=FRAMES - 1, frames=2), "recordings.too_short")
    assert (fault["held"], fault["first"], fault["last"]) == (FRAMES, FRAMES - 1, FRAMES + 1)
    taken = windows(path, start=0, frames_each=4_000, count=2)
    next(taken)
    refused(lambda: next(taken), "recordings.too_short")


@pytest.mark.parametrize("wrong", [{"start": -1}, {"frames_each": 0}, {"count": -1}])
def test_a_window_that_makes_no_sense_is_the_callers_mistake(wav, wrong):
    with pytest.raises(ValueError, match="0 or more"):
        list(windows(wav[0], **{"start": 0, "frames_each": 1, "count": 1, **wrong}))


def test_memory_stays_flat_over_a_long_take(tmp_path, rng):
    path = tmp_path / "long.wav"
    block = rng.uniform(-0.5, 0.5, size=(96_000, 2))
    with soundfile.SoundFile(path, "w", 96_000, 2, "PCM_24") as file:
        for _ in range(30):
            file.write(block)
    frames, each = 30 * 96_000, 48_000  # 46 MB as float64
    tracemalloc.start()
    try:
        assert probe(path).frames == frames
        assert sha256(path)
        count = sum(1 for _ in windows(path, start=0, frames_each=each, count=60))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert count == 60
    # A window, its transpose and the one the caller still holds, 0.77 MB each.
    assert peak < 4e6


def test_sha256_is_that_of_the_bytes(wav):
    path, data = wav
    assert sha256(path) == hashlib.sha256(data).hexdigest()
    assert sha256(str(path)) == sha256(path)
