"""A sound server of our own: PulseAudio in user space with a null sink, which plays into its own
monitor. Nothing of it is shared with a server that may run already: its socket, its state and the
settings of ALSA lie in a folder that goes with it."""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import tempfile
from ctypes.util import find_library
from pathlib import Path

import numpy as np

ALSA = """
pcm_type.pulse { lib "libasound_module_pcm_pulse.so" }
pcm.!default { type pulse }
"""
HISS = 10 ** (-90 / 20) / np.sqrt(2)
PATIENCE_S = 20.0
TICK_S = 0.05


def missing() -> str:
    """What is not installed; "" where everything is."""
    plugin = "libasound_module_pcm_pulse.so"
    found = {
        "pulseaudio": shutil.which("pulseaudio"),
        "pulseaudio-utils": shutil.which("pactl"),
        "libportaudio2": find_library("portaudio"),
        "libasound2-plugins": any(Path("/usr").glob(f"lib*/**/alsa-lib/{plugin}")),
        "the Python package sounddevice": importlib.util.find_spec("sounddevice"),
    }
    return ", ".join(name for name, there in found.items() if not there)


class Server:
    """A running server; `environment` leads a program to it.

    Parameters
    ----------
    rate_hz : of the null sink.
    """

    def __init__(self, rate_hz: int) -> None:
        self.noise: subprocess.Popen | None = None
        self.folder = Path(tempfile.mkdtemp(prefix="studylib-sound-"))  # short: a socket's path
        alsa, socket = self.folder / "alsa.conf", self.folder / "native"
        alsa.write_text(ALSA, encoding="utf-8")
        self.environment = {
            **os.environ,
            "HOME": str(self.folder),
            "XDG_RUNTIME_DIR": str(self.folder),
            "PULSE_RUNTIME_PATH": str(self.folder),
            "PULSE_STATE_PATH": str(self.folder),
            "PULSE_SERVER": f"unix:{socket}",
            "ALSA_CONFIG_PATH": str(alsa),
        }
        self.environment.pop("DISPLAY", None)
        sink = f"module-null-sink sink_name=cable format=float32le rate={rate_hz} channels=2"
        self.process = subprocess.Popen(
            [
                *("pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1"),
                *("--use-pid-file=no", "--log-target=stderr", "-L", sink),
                *("-L", f"module-native-protocol-unix auth-anonymous=1 socket={socket}"),
            ],
            env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        for _ in range(round(PATIENCE_S / TICK_S)):
            if self._answers():
                return
            if self.process.poll() is not None:
                break
        said = self.process.communicate()[1] if self.process.poll() is not None else ""
        self.end()
        raise RuntimeError(f"the sound server did not start: {said}")

    def _answers(self) -> bool:
        """Whether it answers; waits for one tick where it does not."""
        asked = subprocess.run(["pactl", "info"], env=self.environment, capture_output=True)
        if asked.returncode:
            waits_for(self.process, TICK_S)
        return asked.returncode == 0

    def hiss(self) -> None:
        """White noise of -90 dB re a full-scale sine in both channels, from now on."""
        noise = np.random.default_rng(172).standard_normal((10 * 48_000, 2))
        (self.folder / "noise").write_bytes((HISS * noise).astype("<f4").tobytes())
        play = "pacat --raw --format=float32le --rate=48000 --channels=2"
        self.noise = subprocess.Popen(
            ["sh", "-c", f"while cat noise; do :; done | {play}"],
            cwd=self.folder, env=self.environment, start_new_session=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def kill(self) -> None:
        """As if the device were unplugged."""
        self.process.kill()
        self.process.wait()

    def end(self) -> None:
        """End it and remove what belongs to it."""
        if self.noise is not None:
            os.killpg(self.noise.pid, signal.SIGTERM)
            self.noise.wait()
        if self.process.poll() is None:
            self.process.terminate()
            if not waits_for(self.process, PATIENCE_S):
                self.kill()
        self.process.stderr.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def waits_for(process: subprocess.Popen, seconds: float) -> bool:
    """Whether a process ends within so many seconds."""
    try:
        process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        return False
    return True
