"""A recording session without its keys and its screen: which take is next, how loud, is it kept.

A take is written block by block under a hidden name beside its place, `.NAME.part`, as a 24-bit WAV
file whose header announces all of it from the start: what a crash leaves can be read as far as it
goes, and does not pass for whole. It is looked at there as a run will look at it, and only keeping
it gives it its name.

Loudness comes up in steps. What was heard since the bench was last set up is remembered, for tones
and for sweeps apart; nothing is played that is more than 10 dB above it, and the first sound of a
setting is at least 20 dB below its own level. That bound is held against the samples themselves,
whatever the file in signals/ holds. A step that clips ends there.

Where the session stands is in the folder: what has its recording is recorded. What was skipped is
in `.record.json`; the devices and the last loopback are in `sound.json`.

Sound devices through PortAudio: a signal is played while the input is heard.

Input and output are two streams, input first and silence before the signal: a stream for both can
garble what it records without a word, and one that was aborted gives back memory that nobody wrote.
So a block stands as NaN until it is filled, only what came counts, and no flag is taken as proof
that all is well; a flag that is raised does count.

The signal's place is known by counting: with each block that is heard goes the number of samples
that were handed to the output by then.

What a cable from output to input tells: latency, both clocks, and whether samples are changed. The
signal is a short sweep, which finds the latency by cross-correlation, and a steady tone. The tone
is fitted (`signal.tone`) and taken away with its harmonics. What is left is the residual: where it
stands above the noise that was there before the signal, something changes the samples on the way.
A converter of rates in a server between program and device is the usual cause and raises no flag;
where device and stream agree on one rate, nothing but noise is left.

A recorder that loses or repeats samples moves all that follows in time, and so the phase of a tone
for good: `time_jump` finds that in any take of a steady tone.

Conventions: samples re full scale, frames in rows, (frames, channels); dB of a loopback relative to
its tone. `sound` is the module `sounddevice`, or whatever behaves like it.

Class: `RecordingSession`.
Functions: `open_sound`, `play_and_record`; `probe_signal`, `probed`, `remarks`, `time_jump`.
Source: the limits of a loopback are common practice; the figures beside them were measured on a
server in user space (a null sink).
"""

import importlib
import math
import os
import queue
import time
import wave
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import correlate

from studylib import codes, errors, writing
from studylib.bench import sheet, signals, watch
from studylib.sheets import Take, read_study, rows
from studylib.signal.stimuli import steady_tone
from studylib.signal.sweep import SweepShape, sweep_signal
from studylib.signal.tone import fit_tone, record_length
from studylib.words.text import nearest

MEMORY, BENCH, WAYS = ".record.json", "sound.json", ("input", "output")
FIRST_DB, STEP_DB = 20.0, 10.0  # the first step is so far below; each further one so much louder
STEP_S = 2.0  # of a tone; a sweep is played whole, as its loudest moment may come late
SETTLE_S, BEFORE_S, TAIL_S = 0.3, 0.2, 1.0  # after a tone's fade; before a sweep; after a signal
UNKNOWN_S = 0.5  # of latency, where no loopback told it
LEAST_S, LONGEST_S = 5.0, 120.0  # of silence; of taps, which a key ends
CLIPPED, DITHER = 0.999, 2.0**-21  # full scale; by how much a signal's samples may pass its peak


class RecordingSession:
    """What is recorded, what is next, how loud it may be.

    Parameters
    ----------
    folder : the study folder.
    sound : the module `sounddevice`, or what behaves like it.
    meter : called with each block (frames, channels) and whether the signal is on its way.
    take : only this one; "" for all in their order.
    by_command : nobody is there to end the recording of taps with a key.

    Raises
    ------
    InputError : the sheets have faults, nothing is scheduled, or there is no such take.
    """

    def __init__(
        self,
        folder: Path | str,
        sound: Any,
        *,
        meter: Callable[[np.ndarray, bool], None],
        take: str = "",
        by_command: bool = False,
    ) -> None:
        self.study, self.sound, self.meter = read_study(folder), sound, meter
        self.by_command, self.only, self.wanted = by_command, bool(take), take
        self.takes = tuple(
            t for batch in self.study.all_batches for t in self.study.scheduled_of(batch)
        )
        names = tuple(t.take for t in self.takes)
        errors.InputError.refuse(
            not names or (take and take not in names),
            "record.no_take",
            name=take,
            nearest=nearest(take, names),
        )
        own = self.study.settings.channels
        self.rate_hz, self.column = own.rate_hz or signals.USUAL_RATE_HZ, own.response - 1
        self.bench = writing.read_json(self.study.folder / BENCH)
        self.skipped = [*writing.read_json(self.study.folder / MEMORY).get("skipped", ())]
        self.heard_db: dict[tuple, float] = {}

    @property
    def line(self) -> dict[str, Any]:
        """Devices, rate and channels, as `play_and_record` takes them.

        Raises
        ------
        InputError : no devices were chosen yet.
        """
        errors.InputError.refuse(not all(self.bench.get(way) for way in WAYS), "record.not_chosen")
        wide = max(self.column + 1, self.study.settings.channels.drive or 0)
        return {
            **{way: str(self.bench[way]) for way in WAYS},
            "rate_hz": self.rate_hz, "channels": wide,
        }  # fmt: skip

    def choose(self, **chosen: str | None) -> None:
        """Remember devices by name, "input" and "output"; what the loopback told of others is
        forgotten."""
        kept = {way: self.bench[way] for way in WAYS if way in self.bench}
        new = {**kept, **{way: name for way, name in chosen.items() if name}}
        self.bench = self.bench if new == kept else new
        writing.write_json(self.study.folder / BENCH, self.bench)

    @property
    def current(self) -> Take | None:
        """The take to be recorded next: the one asked for, the first that waits, one that was
        skipped; None when all are recorded."""
        order = [self.wanted, "", *self.skipped]  # "" for those that wait in the schedule's order
        waiting = () if self.only else self.study.planned
        left = [t for t in self.takes if t in waiting or t.take == self.wanted]
        return min(left, key=lambda t: order.index(t.take if t.take in order else ""), default=None)

    def back(self, take: Take) -> None:
        """The one before it is next, recorded or not."""
        self.wanted = self.takes[max(self.takes.index(take) - 1, 0)].take

    def skip(self, take: Take) -> None:
        """Leave it for the end."""
        others = (name for name in self.skipped if name != take.take)
        self.wanted, self.skipped = "", [*others, take.take]
        writing.write_json(self.study.folder / MEMORY, {"skipped": self.skipped})

    def keep(self, take: Take) -> None:
        """Give the recording its name; one that was there before is replaced in the same moment."""
        os.replace(self.part(take), self.study.path_of(take))
        self.study = replace(
            self.study,
            takes=tuple(t for t in self.takes if t in (*self.study.takes, take)),
            planned=tuple(t for t in self.study.planned if t != take),
        )
        self.wanted = ""

    def part(self, take: Take) -> Path:
        """Where a take lies until it is kept."""
        return (path := self.study.path_of(take)).with_name(f".{path.name}.part")

    def left_over(self) -> list[str]:
        """Takes of which a part lies beside their place: a session ended there."""
        return [take.take for take in self.takes if self.part(take).is_file()]

    def plays(self, take: Take) -> bool:
        """Whether a signal is played for it."""
        return take.kind != "room" and bool(signals.signal_name(take))

    def to_do(self, take: Take, among: Iterable[Take]) -> str:
        """What is to be done for a take, as a note; `among` the takes of its group."""
        asked, seconds = codes.fields_of(sheet.to_do(take, among)), self._silent_s(take)
        return codes.note("record.to_do", **asked, level=sheet.level(take), seconds=seconds)

    def steps(self, take: Take) -> list[float]:
        """How far below its own level a take is to be played, dB: the steps, and 0 for itself."""
        _, heard_db, peak_db = self._loudness(take)
        below = (FIRST_DB, STEP_DB) if self.plays(take) else ()
        return [*(db for db in below if peak_db - db > heard_db), 0.0]

    def play(self, take: Take, below_db: float, *, silenced: Callable[[], bool]) -> bool:
        """Play a step, or at 0 dB record the take under its hidden name.

        What nothing is played for is ended, not broken off, by what silences.

        Returns
        -------
        Whether it came to its end.

        Raises
        ------
        InputError : as `play_and_record`; the input clips in a step; the signal is not there or has
            another rate.
        OSError : it cannot be written.
        """
        samples, first, frames = self._window(take)
        key, heard_db, peak_db = self._loudness(take)
        most_db = min(peak_db, max(peak_db - FIRST_DB, heard_db + STEP_DB))
        if below_db:
            size = None if take.kind == "sweep" else round(STEP_S * self.rate_hz)
            samples = 10.0 ** (-below_db / 20.0) * samples[:size]
            # Where it is cut short it fades out.
            samples *= np.minimum(
                np.arange(samples.size)[::-1] / (signals.FADE_S * self.rate_hz), 1.0
            )

        def listen(block: np.ndarray, begins: int) -> None:
            self.meter(block, begins >= 0)
            if add:
                add(block[max(first - begins, 0) : max(first + frames - begins, 0)])
            elif np.max(np.abs(block)) >= CLIPPED:
                raise errors.InputError(codes.note("record.clips", below_db=below_db))

        with ExitStack() as after:
            add = None if below_db else after.enter_context(self._file(take, frames))
            ended = play_and_record(
                self.sound, samples, **self.line, most=10.0 ** (most_db / 20.0) + DITHER,
                on_block=listen, silenced=silenced, tail_s=TAIL_S,
            )  # fmt: skip
        if ended and self.plays(take):
            self.heard_db[key] = max(heard_db, peak_db - below_db)
        return ended or not self.plays(take)

    def look(self, take: Take) -> watch.Look:
        """Whether the take that was just recorded is fit for use, and why not."""
        path = self.part(take)
        if take.kind in rows.TONE_KINDS:  # first: lost samples look like many other faults
            samples, rate_hz = soundfile.read(path, always_2d=True)
            steady = {"rate_hz": rate_hz, "tone_hz": take.tone_hz}
            if jump := time_jump(samples[:, self.column], **steady):
                return watch.Look(watch.REDO, codes.note("record.jump", samples=jump))
        lies = take.model_copy(update={"file": path.relative_to(self.study.folder).as_posix()})
        others = (t for t in self.study.takes if t.take != take.take)
        return watch.first_look(replace(self.study, takes=(*others, lies)), lies)

    def measure_loopback(self, *, silenced: Callable[[], bool], when: str) -> bool:
        """Measure the cable from output to response, and remember what it tells; False where it
        was silenced.

        Raises
        ------
        InputError : as `play_and_record`; nothing comes back.
        """
        peak = 10.0 ** ((self.study.settings.plan.full_drive_dbfs - FIRST_DB) / 20.0)
        heard, ends = [], []

        def listen(block: np.ndarray, begins: int) -> None:
            self.meter(block, begins >= 0)
            heard.append(block[:, self.column])
            ends.append(begins + len(block))

        ended = play_and_record(
            self.sound, probe_signal(self.rate_hz, peak=peak), **self.line,
            most=peak + DITHER, on_block=listen, silenced=silenced, tail_s=TAIL_S,
        )  # fmt: skip
        if ended:
            parts = np.split(np.concatenate(heard), [-ends[-1]])  # before and from the signal on
            self.bench["loopback"] = {
                "when": when,
                **probed(parts[0][-self.rate_hz // 2 :], parts[1], self.rate_hz, peak=peak),
            }
            writing.write_json(self.study.folder / BENCH, self.bench)
        return ended

    def _loudness(self, take: Take) -> tuple[tuple, float, float]:
        """What loudness is remembered for, and peaks, dB re full scale: the loudest that was heard
        of it, and the take's own."""
        key = (take.batch, take.kind == "sweep", *sheet.setting(take))
        return (
            key,
            self.heard_db.get(key, -math.inf),
            self.study.settings.plan.full_drive_dbfs + take.drive_db,
        )

    def _silent_s(self, take: Take) -> float:
        by_key = take.kind in ("tap", "pluck") and not self.by_command
        return LONGEST_S if by_key else max(self.study.settings.plan.play_s, LEAST_S)

    def _window(self, take: Take) -> tuple[np.ndarray, int, int]:
        """What is played for a take, and what of it is kept, of a tone its steady part: the first
        frame, counted as `play_and_record` does, and the number of frames."""
        if not self.plays(take):
            frames = round(self.rate_hz * self._silent_s(take))
            return np.zeros(frames), 0, frames
        path = self.study.folder / signals.FOLDER / signals.signal_name(take)
        samples, own_hz = soundfile.read(path) if path.is_file() else (np.zeros(0), 0)
        errors.InputError.refuse(
            own_hz != self.rate_hz,
            "record.no_signal",
            name=path.name,
            own_hz=own_hz,
            rate_hz=self.rate_hz,
        )
        latency_s = self.bench.get("loopback", {}).get("latency_s", UNKNOWN_S)
        # A tone without its fades; a sweep with what was before it, to its end.
        skip_s, ends = (-BEFORE_S, 1) if take.kind == "sweep" else (signals.FADE_S + SETTLE_S, 2)
        first, less = (round(s * self.rate_hz) for s in (latency_s + skip_s, ends * skip_s))
        return samples, max(first, 0), max(samples.size - less, 0)

    @contextmanager
    def _file(self, take: Take, frames: int) -> Iterator[Callable[[np.ndarray], None]]:
        """A take's hidden file, as what adds a block to it."""
        self.part(take).parent.mkdir(parents=True, exist_ok=True)
        with self.part(take).open("wb") as file, wave.open(file, "wb") as whole:
            whole.setparams((self.line["channels"], 3, self.rate_hz, frames, "NONE", ""))

            def add(block: np.ndarray) -> None:
                steps = np.clip(np.rint(block * 2.0**23), -(2**23), 2**23 - 1).astype("<i4")
                whole.writeframesraw(steps.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
                file.flush()

            yield add


LEAST_LEAD_S = 1.0  # of silence: what streams do in their first moments is over by then
BUFFER_S = 0.25  # asked of each stream
PATIENCE_S, START_S = 1.0, 5.0  # without a block, and without the first: the device is gone
OFF_RATE, RATE_S = 0.05, 2.0  # further off than any clock; shorter, and blocks say little of it
_REFUSED = {
    -9985: "record.device_held",
    -9997: "record.rate_refused",
    -9998: "record.channels_refused",
}  # PortAudio's paDeviceUnavailable, paInvalidSampleRate, paInvalidChannelCount


def open_sound() -> Any:
    """The module `sounddevice`.

    Raises
    ------
    InputError : it is not installed, or PortAudio is not there.
    """
    try:
        return importlib.import_module("sounddevice")
    except ImportError:
        raise errors.InputError("record.no_extra") from None
    except OSError:
        raise errors.InputError("record.no_portaudio") from None


def play_and_record(
    sound: Any,
    samples: np.ndarray,
    *,
    input: str,
    output: str,
    rate_hz: int,
    channels: int,
    most: float,
    on_block: Callable[[np.ndarray, int], None],
    silenced: Callable[[], bool],
    tail_s: float,
    lead_s: float = LEAST_LEAD_S,
) -> bool:
    """Play a signal on the first output channel and hear the input from before it until after it.

    Parameters
    ----------
    samples : (n,), what is played.
    input, output : names of the devices.
    rate_hz, channels : of both streams, and of the input.
    most : no sample may exceed it, whatever the caller meant to play.
    on_block : called with each block (frames, channels) and the number of its first frame, counted
        from the one heard as the first sample was handed over: latency is not taken off, and what
        is before the signal is negative.
    silenced : asked with each block; once it is true, the output is cut off.
    tail_s : heard beyond the length of the signal.
    lead_s : silence before the signal, at least 1 s.

    Returns
    -------
    True, or False where it was silenced.

    Raises
    ------
    InputError : the signal is louder than `most`; a device is missing, held by another program,
        refuses the rate or the channels, ends or falls silent; samples were lost; they come at
        another rate.
    """
    errors.InputError.refuse(
        not np.all(np.abs(samples) <= most),  # NaN does not pass either
        "record.too_loud",
        peak=float(np.max(np.abs(samples))),
        most=most,
    )
    lead = round(max(lead_s, LEAST_LEAD_S) * rate_hz)
    line = {"input": input, "output": output, "rate_hz": rate_hz, "channels": channels}
    whole = np.rint(2.0**31 * np.concatenate([np.zeros(lead), samples]))
    whole = np.clip(whole, -(2.0**31), 2.0**31 - 1).astype(np.int32)
    arrived, handed, flags = queue.SimpleQueue(), 0, []

    def give(out: np.ndarray, frames: int, _: Any, status: Any) -> None:
        nonlocal handed
        part = whole[handed : handed + frames]
        out[:, 0] = np.pad(part, (0, frames - part.size))
        handed += frames
        flags.extend([handed] * bool(status))

    def take(block: np.ndarray, frames: int, _: Any, status: Any) -> None:
        heard = np.full((frames, channels), np.nan)
        heard[: len(block)] = block / 2.0**31
        flags.extend([handed] * bool(status))
        arrived.put((heard, handed, time.monotonic()))

    common = {"samplerate": rate_hz, "dtype": "int32", "latency": BUFFER_S}
    begins, stop, frames, times = None, math.inf, 0, []
    with ExitStack() as after:
        try:
            hears = sound.InputStream(device=input, channels=channels, callback=take, **common)
            after.callback(hears.close)
            plays = sound.OutputStream(device=output, channels=1, callback=give, **common)
            after.callback(plays.close)
            after.callback(plays.abort)  # not stopped: whatever ends this, no more is played
            hears.start()
            while frames < stop:
                if silenced():
                    return False
                heard, given, when = arrived.get(timeout=PATIENCE_S if times else START_S)
                if not times:
                    plays.start()
                errors.InputError.refuse(not np.isfinite(heard).all(), "record.gap")
                if begins is None and given >= lead:
                    begins = frames + len(heard) - (given - lead)
                    stop = begins + samples.size + round(tail_s * rate_hz)
                if not plays.active:
                    raise queue.Empty
                on_block(heard, -len(heard) if begins is None else frames - begins)
                frames += len(heard)
                times.append((frames, when))
        except queue.Empty:
            raise errors.InputError(codes.note("record.unplugged", **line)) from None
        except ValueError as error:  # no device of this name, or more than one
            raise errors.InputError(
                codes.note("record.no_device", why=str(error), **line)
            ) from None
        except sound.PortAudioError as error:
            why, number = [*error.args, "", 0][:2]
            raise errors.InputError(
                codes.note(_REFUSED.get(number, "record.device_fails"), why=str(why), **line)
            ) from None
    errors.InputError.refuse(any(lead < at < whole.size for at in flags), "record.gap")
    # A straight line through all blocks, so that a late one counts little.
    counted, when = np.array(times).T
    own_hz = np.polyfit(when - when[0], counted, 1)[0] if np.ptp(when) > RATE_S else rate_hz
    errors.InputError.refuse(
        abs(own_hz / rate_hz - 1) > OFF_RATE, "record.wrong_rate", heard_hz=own_hz, rate_hz=rate_hz
    )
    return True


# What a cable tells


SWEEP = SweepShape(200.0, 3400.0, 0.5)  # below half of any rate that is recorded at
GAP_S, TONE_HZ, TONE_S, FADE_S = 0.3, 997.0, 2.0, 0.1
HARMONICS, BELOW = 10, 0.45  # of the rate
# A converter left -84 dB, none at all -151 dB; one clock leaves nothing, two of quartz some tens of
# ppm; the sweep is found again where it correlates.
CLEAN_DB, OVER_NOISE_DB, CLOCKS_PPM, LIKE = -100.0, 6.0, 5.0, 0.5
JUMP_S, STEPS = 0.02, 5
LEAST_JUMP, OVER_USUAL = 2.0, 10.0  # samples; times what the phase moves anyway


def probe_signal(rate_hz: int, *, peak: float) -> np.ndarray:
    """(n,) the sweep, a pause, the tone, all at this peak."""
    sweep = peak * sweep_signal(SWEEP, rate_hz=rate_hz, fade_s=0.01)
    tone = steady_tone(TONE_HZ, rate_hz=rate_hz, seconds=TONE_S, peak=peak, fade_s=FADE_S)
    return np.concatenate([sweep, np.zeros(round(GAP_S * rate_hz)), tone])


def probed(before: np.ndarray, heard: np.ndarray, rate_hz: int, *, peak: float) -> dict[str, float]:
    """What became of `probe_signal`.

    Parameters
    ----------
    before : (m,), heard before the signal.
    heard : (n,), heard from the moment at which its first sample was handed over.
    peak : as it was played.

    Returns
    -------
    latency_s : from handing over to hearing.  gain_db : heard over played.  clocks_ppm : the
    input's clock against the output's.  residual_db, noise_db : what the tone leaves, and what was
    there before it, both relative to the tone.

    Raises
    ------
    InputError : the signal does not come back, or breaks off.
    """
    sweep = sweep_signal(SWEEP, rate_hz=rate_hz, fade_s=0.01)
    found = correlate(heard, sweep, mode="valid", method="fft")
    at = int(np.argmax(np.abs(found)))
    size = np.linalg.norm(heard[at : at + sweep.size]) * np.linalg.norm(sweep)
    start = at + sweep.size + round((GAP_S + 2 * FADE_S) * rate_hz)
    n = record_length(round((TONE_S - 2 * FADE_S) * rate_hz))
    tone = heard[start : start + n]
    errors.InputError.refuse(
        abs(found[at]) < LIKE * size or tone.size < n or not size, "record.no_loopback"
    )
    spectrum, count = np.fft.rfft(tone)[None], min(HARMONICS, int(BELOW * rate_hz / TONE_HZ))
    fit = fit_tone(spectrum, n=n, rate_hz=rate_hz, nominal_hz=TONE_HZ, harmonics=count)
    turns = np.arange(n)[:, None] * (fit.frequency_hz / rate_hz) * np.arange(count + 1)
    model = np.hstack([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns[:, 1:])])
    parts = np.linalg.lstsq(model, tone, rcond=None)[0]
    amplitude = float(np.hypot(parts[1], parts[count + 1]))

    def relative(x: np.ndarray) -> float:
        return float(10.0 * np.log10(max(2.0 * np.mean(x**2) / amplitude**2, 1e-30)))

    return {
        "latency_s": at / rate_hz,
        "gain_db": float(20.0 * np.log10(amplitude / peak)),
        "clocks_ppm": 1e6 * (fit.frequency_hz / TONE_HZ - 1.0),
        "residual_db": relative(tone - model @ parts),
        "noise_db": relative(before - before.mean()),
    }


def remarks(found: Mapping[str, float], *, rate_hz: int) -> list[str]:
    """What is to be said of what `probed` found, as notes; none where nothing changes samples."""
    left_db, clocks_ppm = found["residual_db"], found["clocks_ppm"]
    return codes.holding(
        (
            left_db > max(CLEAN_DB, found["noise_db"] + OVER_NOISE_DB),
            codes.note("record.converted", residual_db=left_db, rate_hz=rate_hz),
        ),
        (
            abs(clocks_ppm) > CLOCKS_PPM,
            codes.note("record.two_clocks", clocks_ppm=clocks_ppm),
        ),
    )


def time_jump(x: np.ndarray, *, rate_hz: int, tone_hz: float) -> float:
    """By how many samples a steady tone jumps in time, where it jumps most; 0 for not at all.

    Parameters
    ----------
    x : (n,), the tone at full strength throughout.

    Returns
    -------
    positive where samples are missing, known up to whole periods of the tone. What the phase does
    everywhere (noise, slow drift) is no jump: only what stands out of it tenfold, and moves the
    phase before and behind it apart for good.
    """
    width = round(max(JUMP_S, 4 / tone_hz) * rate_hz)
    if (count := x.size // width) < 2 * STEPS + 2:
        return 0.0
    turned = x * np.exp(-2j * np.pi * tone_hz / rate_hz * np.arange(x.size))
    parts = turned[: count * width].reshape(count, width) @ np.hanning(width)
    steps = np.angle(parts[1:] * parts[:-1].conj())
    path = np.concatenate([[0.0], np.cumsum(steps - np.median(steps))])
    held = np.median(np.lib.stride_tricks.sliding_window_view(path, STEPS), axis=1)
    moved = (held[STEPS + 1 :] - held[: -STEPS - 1]) * rate_hz / (2 * np.pi * tone_hz)
    jump = float(moved[np.argmax(np.abs(moved))])
    least = max(LEAST_JUMP, OVER_USUAL * float(np.median(np.abs(moved))))
    return jump if abs(jump) > least else 0.0
