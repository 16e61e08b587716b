"""Sound devices through PortAudio: a signal is played while the input is heard.

Input and output are two streams, input first and silence before the signal: a stream for both can
garble what it records without a word, and one that was aborted gives back memory that nobody wrote.
So a block stands as NaN until it is filled, only what came counts, and no flag is taken as proof
that all is well; a flag that is raised does count.

The signal's place is known by counting: with each block that is heard goes the number of samples
that were handed to the output by then.

Conventions: samples re full scale, frames in rows, (frames, channels). `sound` is the module
`sounddevice`, or whatever behaves like it.

Functions: `open_sound`, `play_and_record`.
"""

import importlib
import math
import queue
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

import numpy as np

from studylib import codes, errors

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
    if not np.all(np.abs(samples) <= most):  # NaN does not pass either
        raise errors.InputError(
            codes.note("record.too_loud", peak=float(np.max(np.abs(samples))), most=most)
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
                if not np.isfinite(heard).all():
                    raise errors.InputError("record.gap")
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
    if any(lead < at < whole.size for at in flags):
        raise errors.InputError("record.gap")
    # A straight line through all blocks, so that a late one counts little.
    counted, when = np.array(times).T
    own_hz = np.polyfit(when - when[0], counted, 1)[0] if np.ptp(when) > RATE_S else rate_hz
    if abs(own_hz / rate_hz - 1) > OFF_RATE:
        raise errors.InputError(codes.note("record.wrong_rate", heard_hz=own_hz, rate_hz=rate_hz))
    return True
