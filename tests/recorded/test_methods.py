"""The four methods and the reader of packages, on what is known before they see it."""

from __future__ import annotations

import io
import struct
import tarfile

import numpy as np
import pytest
import soundfile

from tests.recorded.extract import extract, soundfont_samples
from tests.recorded.methods import agreed_modes, decay_rates, peaks
from tests.recorded.score import read_list

RATE = 44100.0
MODES = [(180.0, 0.01, 1.0), (487.0, 0.008, 0.9), (955.0, 0.004, 0.8), (2360.0, 0.002, 0.6)]


def decays(modes, seconds=1.0):
    """A sum of decays in noise 70 dB below full scale."""
    t = np.arange(round(seconds * RATE)) / RATE
    x = sum(a * np.exp(-np.pi * f * eta * t) * np.cos(2 * np.pi * f * t) for f, eta, a in modes)
    return x + 10**-3.5 * np.random.default_rng(4).standard_normal(len(t))


def test_two_methods_find_the_modes_and_three_their_decays():
    x = decays(MODES)
    both, _ = agreed_modes(x, RATE)
    assert sorted(mode.frequency_hz for mode in both) == pytest.approx(
        [f for f, _, _ in MODES], rel=5e-4
    )
    found = peaks(x, RATE)[0]
    for mode in both:
        f, eta, a = min(MODES, key=lambda known: abs(known[0] - mode.frequency_hz))
        others = found[np.abs(found - mode.frequency_hz) > 1.0]
        rates = decay_rates(x, RATE, mode.frequency_hz, others)
        assert mode.rate == pytest.approx(np.pi * f * eta, rel=0.02)
        assert rates["envelope"] == pytest.approx(np.pi * f * eta, rel=0.03)
        assert rates["integral"] == pytest.approx(np.pi * f * eta, rel=0.03)
        assert rates["bend"] == pytest.approx(1.0, abs=0.1)
        assert mode.amplitude == pytest.approx(a, rel=0.03)


def test_a_pair_is_told_apart_and_its_envelope_gives_no_decay():
    both, _ = agreed_modes(decays([(366.0, 0.003, 1.0), (369.0, 0.003, 0.8)]), RATE)
    assert sorted(mode.frequency_hz for mode in both) == pytest.approx([366.0, 369.0], rel=2e-3)
    x = decays([(366.0, 0.003, 1.0), (369.0, 0.003, 0.8)])
    assert np.isnan(list(decay_rates(x, RATE, 366.0, np.array([369.0])).values())).all()


def chunk(kind: bytes, content: bytes) -> bytes:
    return kind + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def soundfont(samples: np.ndarray, records) -> bytes:
    """A SoundFont file of one pool of samples, as the specification lays it out."""
    heads = [
        struct.pack("<20s5IBbHH", name, start, end, loop, end, 8000, 60, 0, 0, kind)
        for name, start, end, loop, kind in records
    ]
    heads.append(struct.pack("<20s5IBbHH", b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0))
    pool = chunk(b"LIST", b"sdta" + chunk(b"smpl", samples.astype("<i2").tobytes()))
    about = chunk(b"LIST", b"pdta" + chunk(b"shdr", b"".join(heads)))
    return chunk(b"RIFF", b"sfbk" + chunk(b"LIST", b"INFO") + pool + about)


def test_a_sample_of_a_soundfont_ends_where_its_loop_begins():
    pool = np.arange(-5000, 5000, dtype=np.int16)
    content = soundfont(
        pool,
        [
            (b"held", 0, 4000, 3000, 1),
            (b"struck", 4000, 9000, 4008, 4),  # a loop at its very start: none
            (b"struck", 9000, 9500, 9008, 2),  # the other side under the same name
            (b"elsewhere", 0, 4000, 8, 0x8001),
        ],
    )
    found = {sample.name: sample.samples for sample in soundfont_samples(content)}
    assert list(found) == ["held", "struck"]
    np.testing.assert_array_equal(found["held"], pool[:3000])
    np.testing.assert_array_equal(found["struck"], pool[4000:9000])
    with pytest.raises(ValueError, match="RIFF"):
        list(soundfont_samples(b"RIFF" + bytes(40)))


def tar_of(files: dict[str, bytes], mode: str) -> bytes:
    written = io.BytesIO()
    with tarfile.open(fileobj=written, mode=mode) as archive:
        for name, content in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return written.getvalue()


def test_recordings_come_out_of_a_package_and_of_what_is_packed_inside_it(tmp_path):
    wav = io.BytesIO()
    soundfile.write(wav, np.linspace(-0.5, 0.5, 100), 8000, format="WAV")
    kit = tar_of({"kit/low.wav": wav.getvalue(), "kit/kit.xml": b"<kit/>"}, "w:gz")
    font = soundfont(np.arange(500, dtype=np.int16), [(b"bar/1", 0, 500, 8, 1)])
    files = {
        "./usr/share/a/kit.h2drumkit": kit,
        "./usr/share/b/bars.sf2": font,
        "./usr/share/samples/bell.wav": wav.getvalue(),
        "./usr/share/doc/README": b"no sound",
    }
    package = b"!<arch>\n"
    for name, content in (("debian-binary", b"2.0\n"), ("data.tar.xz", tar_of(files, "w:xz"))):
        package += f"{name:<16}{0:<12}{0:<6}{0:<6}{100644:<8}{len(content):<10}`\n".encode()
        package += content + b"\n" * (len(content) % 2)
    (tmp_path / "three.deb").write_bytes(package)
    assert extract([tmp_path / "three.deb"], tmp_path / "out") == 3
    found = {str(p.relative_to(tmp_path / "out")) for p in (tmp_path / "out").rglob("*.wav")}
    assert found == {"kit/low.wav", "bars/bar-1.wav", "samples/bell.wav"}
    samples, rate = soundfile.read(tmp_path / "out" / "bars" / "bar-1.wav", dtype="int16")
    np.testing.assert_array_equal(samples, np.arange(500))
    assert rate == 8000
    (tmp_path / "nothing").mkdir()
    with pytest.raises(ValueError, match="no recording"):
        extract([tmp_path / "nothing"], tmp_path / "out")


def test_the_list_names_each_stroke_once_and_is_long_enough():
    rows = read_list()
    assert len({row["file"] for row in rows}) == len(rows)
    assert sum(row["category"] == "stroke" for row in rows) >= 70
    assert {row["category"] for row in rows} == {"stroke", "membrane", "glide"}
