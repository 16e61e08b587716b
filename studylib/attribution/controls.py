"""What the control takes of a batch say about every multiple of the tone.

- `Room`: noise and mains lines in the very bins of the harmonics.
- Recorder: the recorder's own harmonics, from a loopback take of the tone. A product of order k
  grows k dB a dB; some converters' does not fall that fast. So between the loopback's level and the
  take's both laws are used: the smaller value to name the recorder, the larger to rule it out.
- Air: what the driver in the air sounds like at kf, scaled to the mounted driver's harmonic. Of
  several takes the loudest counts, and one beside the very mount before one beside another.
- `InAir`: what an airborne take of the tone itself holds at kf, board or no board. If the driver's
  own sound makes it, it is the harmonic sensed there times what airborne takes of kf pass on; a
  loudspeaker that was left on, or a cable, makes another. It falls k dB a dB of drive at most.
  Where the recorder lets the drive channel into the response, airborne takes hold that instead: of
  the drive one share at all frequencies, or one that grows as they do (through a capacity). Sound
  turns in phase on its way, so that others have the same share by chance alone.
- `Block`: harmonics of the driver on the inert block, and its probe tones there.

Each source has a `level` (NaN where it was not found, only bounded) and a `bound`; arrays (K,) in
the response's unit. Leaks are coherent: a bound of share b of the observed amplitude shifts it by
20 lg(1 - b) to 20 lg(1 + b).

Contents: Room, Source, InAir, room_of, recorder_of, Airborne, airborne_of, air_of, in_air_of,
Block, block_of.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from studylib.attribution import lines, uncertainty
from studylib.sheets.files import grouped

# 6 dB; 12 dB where a load lies between; a leak beside sound through the air of a third of it.
ALIKE, LOOSELY_ALIKE, SAME = np.log(2.0), np.log(4.0), 0.35


class Room(NamedTuple):
    """u : what the room's noise alone gives a take of the analysed length; line : mains lines."""

    u: np.ndarray
    line: np.ndarray


class Source(NamedTuple):
    """Something that is not the board: `level` where it was found, `bound` where it was tested."""

    level: np.ndarray
    bound: np.ndarray


class InAir(NamedTuple):
    """Of airborne takes of the tone, (K,): most : what each multiple holds at full drive at most;
    agrees : that is the driver's own sound;  leaks : or what leaks from the drive channel;
    beside : one stands beside the very mount."""

    most: np.ndarray
    agrees: np.ndarray
    leaks: np.ndarray
    beside: bool


class Airborne(NamedTuple):
    """Of all airborne takes of a batch, at full drive; arrays (K,).

    loud : specimen and mount -> what the probe tones beside it hold.  tones : what each take of
    the tone holds where it was found.  alike : whether that is its own harmonic, sensed there,
    times what the probe tones pass on, in level and phase; NaN where that is not known.  leaks :
    what is passed on may be a leak from the drive channel.  most : what takes of the tone hold at
    most.  beside : specimens and mounts that they stand beside.
    """

    loud: dict[tuple[str, int], Source]
    tones: list[np.ndarray]
    alike: list[np.ndarray]
    leaks: np.ndarray
    most: np.ndarray
    beside: set[tuple[str, int]]


class Block(NamedTuple):
    """On the inert block: harmonics of the tone (complex, with u) and T from probe tones there.

    excess, u_excess : harmonic over what the block passes on of the sensed one, with its relative
    uncertainty from noise; NaN without a sensed drive.  n : tones and probe tones of a multiple.
    """

    harmonic: np.ndarray
    u_harmonic: np.ndarray
    probe: np.ndarray
    u_probe: np.ndarray
    dof: int
    excess: np.ndarray
    u_excess: np.ndarray
    n: tuple[int, int]


def not_tested(size: int) -> Source:
    """A source for which no control take was recorded."""
    return Source(np.full(size, np.nan), np.full(size, np.nan))


def room_of(takes: Sequence[lines.Lines], *, size: int) -> Room:
    """The loudest room take at each multiple; zeros without one."""
    return (
        Room(
            np.fmax.reduce([take.u_response for take in takes]),
            np.fmax.reduce([np.abs(take.response) for take in takes]),
        )
        if takes
        else Room(np.full(size, np.nan), np.full(size, np.nan))
    )


def recorder_of(
    loopbacks: Sequence[lines.Lines], channel: np.ndarray, *, to_level: float, gain_db: float
) -> Source:
    """The recorder's harmonics in a channel.

    A harmonic of the channel mixes with the tone in the recorder as the tone does with itself; no
    loopback take of the bare tone holds that, so it is bounded from the loopback's second and
    third harmonic.

    Parameters
    ----------
    channel : (K,) amplitudes of the channel, the fundamental first.
    to_level : 1 for a channel re full scale, else the response's factor.
    gain_db : the take's recorder gain; what a recorder distorts is the signal after it.
    """
    size, amplitude = channel.size, abs(channel[0])
    heard = [
        take for take in loopbacks if abs(take.response[0]) > take.presence(take.u_response)[0]
    ]
    if not heard or not amplitude > 0:
        return not_tested(size)
    # From the loopback's amplitudes at the bench's gain to those of this take, both channels.
    units = [
        to_level / take.to_level * 10.0 ** ((take.take.gain_db - gain_db) / 20.0) for take in heard
    ]
    take, unit, ratio = min(
        (
            (take, unit, amplitude / (abs(take.response[0]) * unit))
            for take, unit in zip(heard, units, strict=True)
        ),
        key=lambda one: abs(np.log(one[2])),
    )
    k = np.arange(1, size + 1)
    found, most = take.found
    with np.errstate(over="ignore"):
        level = found * unit * np.minimum(ratio, ratio**k)
        bound = most * unit * np.maximum(ratio, ratio**k)
    return Source(level, bound + _mixed(np.abs(channel), bound))


def _mixed(channel: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Largest products of the tone with the harmonics beside each (K,).

    A quadratic term that makes a share r of the tone into 2f makes 2 r of every other line into
    its sum and difference with f; a cubic one of share r makes 3 r of it into those with 2f.
    """
    others = uncertainty.or_zero(channel)
    others[0] = 0.0
    out = np.zeros(channel.size)
    for order, factor in ((1, 2.0), (2, 3.0))[: own.size - 1]:
        share = factor * (own[order] if np.isfinite(own[order]) else 0.0) / channel[0]
        out[order:] += share * others[:-order]
        out[:-order] += share * others[order:]
    return out


@np.errstate(divide="ignore", invalid="ignore")
def airborne_of(takes: Sequence[lines.Lines], *, size: int) -> Airborne:
    """The airborne takes of a batch, as every mount of it is held against them."""
    k, nothing = np.arange(1, size + 1), np.full(size, np.nan)
    passed, noise = nothing + 0j, nothing.copy()
    # Of several the loudest comes last, and stays.
    for i, take in sorted(
        ((take.number - 1, take) for take in takes if take.number and take.sensed[take.number - 1]),
        key=lambda at: abs(at[1].response / at[1].drive)[at[0]],
    ):
        passed[i], noise[i] = (
            (take.response / take.drive)[i],
            np.hypot(take.u_response / take.found[0], take.u_drive / np.abs(take.drive))[i],
        )
    of_mounts = grouped(
        (
            (take.take.specimen, take.take.mount),
            Source(*(part / take.drive_factor for part in take.found)),
        )
        for take in takes
        if (take.number or 0) > 1
    )
    tones = [take for take in takes if take.number == 1]
    own = [np.where(each.sensed, each.drive * passed, np.nan) for each in tones]
    return Airborne(
        {key: Source(*np.fmax.reduce(group)) for key, group in of_mounts.items()},
        [each.found[0] / each.drive_factor**k for each in tones],
        [
            # In level and phase: nothing was moved in between.
            np.where(np.isfinite(made), np.abs(np.log(heard / made)) < ALIKE, np.nan)
            for each, made in zip(tones, own, strict=True)
            for heard in [np.where(np.isfinite(each.found[0]), each.response, np.nan)]
        ],
        _as_at_others(passed, noise) | _as_at_others(passed / k, noise),
        np.fmax.reduce([nothing, *(each.found[1] / each.drive_factor**k for each in tones)]),
        {(each.take.specimen, each.take.mount) for each in tones},
    )


def _as_at_others(ratio: np.ndarray, u: np.ndarray) -> np.ndarray:
    """(K,) whether a ratio is that at two other frequencies, or at the only other one, in level and
    phase; `u` (K,): its relative uncertainty, NaN where it is not above noise."""
    apart = np.abs(np.log(ratio / ratio[:, None])) - lines.EXPANDED * np.hypot(u, u[:, None])
    # Each is the same as itself.
    return (apart < SAME).sum(axis=0) >= np.clip(np.isfinite(u).sum(), 2, 3)


def air_of(airborne: Airborne, key: tuple[str, int], shares: Sequence[np.ndarray]) -> Source:
    """Sound through the air at each multiple while the mounted driver plays the tone.

    The driver in the air, playing kf at full drive, is heard at some level. The mounted driver's
    own harmonic at kf is a share of that drive: the leak is that share of that level.

    Parameters
    ----------
    key : specimen and mount of the tone.
    shares : (least, most) of full drive at kf that the driver's harmonic amounts to, (K,) each.
    """
    out = not_tested(shares[0].size)
    for beside in (True, False):
        own = [loud for mount, loud in airborne.loud.items() if (mount == key) is beside]
        if own:
            out = Source(*np.where(np.isnan(out.bound), np.fmax.reduce(own) * shares, out))
    return out


@np.errstate(divide="ignore", invalid="ignore")
def in_air_of(airborne: Airborne, key: tuple[str, int], scaled: np.ndarray) -> InAir:
    """What sounds at each multiple while the driver plays the tone in the air.

    Parameters
    ----------
    key : specimen and mount of the tone.
    scaled : (K,) level of the leak as `air_of` has it; where the sensor feels nothing of a driver
        in the air, as one of force does, what is heard is held against it.
    """
    agrees = [
        np.where(np.isnan(alike), np.abs(np.log(sound / scaled)) < LOOSELY_ALIKE, alike == 1.0)
        for sound, alike in zip(airborne.tones, airborne.alike, strict=True)
    ]
    return InAir(
        airborne.most,
        np.any([np.zeros(scaled.size), *agrees], axis=0),
        airborne.leaks,
        key in airborne.beside,
    )


@np.errstate(divide="ignore", invalid="ignore")
def block_of(
    tones: Sequence[lines.Lines], probes: dict[int, list[lines.Lines]], *, size: int
) -> Block | None:
    """The driver on the block at full drive; None without such a take of the tone."""
    if not tones:
        return None
    tone = lines.mean_lines(tones)
    probe, u_probe, drive, u_drive = (np.full(size, each) for each in (np.nan + 0j, np.nan) * 2)
    for k, takes in probes.items():
        if 2 <= k <= size:
            probe[k - 1], u_probe[k - 1] = lines.at_full_drive(takes, "response", k)
            drive[k - 1], u_drive[k - 1] = lines.at_full_drive(takes, "drive", k)
    excess = tone.response / tone.drive * drive / probe
    shares = (
        (tone.u_response, tone.response), (tone.u_drive, tone.drive),
        (u_probe, probe), (u_drive, drive),
    )  # fmt: skip
    u_excess = np.sqrt(sum((u / np.abs(value)) ** 2 for u, value in shares))
    return Block(
        tone.response, tone.u_response, probe, u_probe, tone.dof, excess, u_excess,
        (tone.n, min(map(len, probes.values()), default=1)),
    )  # fmt: skip
