"""A sound library without a device, for `study record`: it plays into its own input, and misbehaves
where a test asks for it.

A thread stands for the device. It gives one block of input, waits until the output has started, and
then moves both on together as fast as it can, so that no test waits for real time.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import numpy as np

DELAY = 400  # frames from the output to the input
BLOCK = 256


class PortAudioError(Exception):
    """As `sounddevice` raises it: a text and PortAudio's number."""


@dataclass
class FakeSound:
    """What `sounddevice` offers to the library, and what goes wrong.

    gain, noise, offset : of the way from output to input.
    through : what else becomes of a block of input, (frames, channels) at the block's number.
    refuses : PortAudio's number, raised by whichever stream is opened as `refused_by`.
    ends_at : the block at which no more comes; short_at : one that is half as long as it says;
    flag_at : one that comes with a flag.
    """

    gain: float = 1.0
    noise: float = 1e-5
    through: object = None
    refuses: int | None = None
    refused_by: str = "input"
    ends_at: int = 10**9
    short_at: int = -1
    flag_at: int = -1
    devices: tuple = (("inner", 2, 0), ("outer", 0, 2), ("both", 4, 4))
    played: list = field(default_factory=list)
    log: list = field(default_factory=list)
    PortAudioError: type = PortAudioError

    def query_devices(self):
        names = ("name", "max_input_channels", "max_output_channels")
        return [dict(zip(names, device, strict=True)) for device in self.devices]

    def InputStream(self, **options):
        self.hears = _Stream(self, "input", options)
        self.output_on = threading.Event()
        return self.hears

    def OutputStream(self, **options):
        self.plays = _Stream(self, "output", options)
        return self.plays

    def run(self):
        """The device: input and output block by block until one of them is closed."""
        # No two recordings are alike, or they would be taken for copies.
        rng = np.random.default_rng([172, len(self.log)])
        wide, width = self.hears.options["channels"], DELAY + BLOCK
        line = np.zeros(width)
        for number in range(10**6):
            if not self.hears.active or number == self.ends_at:
                return
            out = np.zeros((BLOCK, 1), dtype=np.int32)
            flag = number == self.flag_at
            if number:
                self.output_on.wait(10)
                self.plays.options["callback"](out, BLOCK, None, flag)
                if self.plays.active:
                    self.played.append(out[:, 0] / 2.0**31)
            line = np.concatenate([line[BLOCK:], out[:, 0] / 2.0**31])
            heard = self.gain * line[:BLOCK, None] * np.ones(wide)
            heard = heard + self.noise * rng.standard_normal(heard.shape)
            if self.through is not None:
                heard = self.through(heard, number)
            whole = np.clip(np.rint(heard * 2.0**31), -(2.0**31), 2.0**31 - 1).astype(np.int32)
            given = whole[: BLOCK // 2] if number == self.short_at else whole
            self.hears.options["callback"](given, BLOCK, None, flag)


class _Stream:
    def __init__(self, sound, way, options):
        if sound.refuses is not None and sound.refused_by == way:
            raise PortAudioError("no", sound.refuses)
        name = "max_input_channels" if way == "input" else "max_output_channels"
        if not any(d["name"] == options["device"] and d[name] for d in sound.query_devices()):
            raise ValueError(f"No {way} device matching {options['device']!r}")
        self.sound, self.way, self.options, self.active = sound, way, options, False
        sound.log.append(f"{way} open")

    def start(self):
        self.sound.log.append(f"{self.way} started")
        self.active = True
        if self.way == "output":
            self.sound.output_on.set()
        else:
            self.thread = threading.Thread(target=self.sound.run, daemon=True)
            self.thread.start()

    def abort(self):
        self.sound.log.append(f"{self.way} aborted")
        self.active = False

    def close(self):
        self.sound.log.append(f"{self.way} closed")
        self.active = False
        if self.way == "input" and hasattr(self, "thread"):
            self.sound.output_on.set()
            self.thread.join()
