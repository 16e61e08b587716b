"""What can be wrong with a bench, one class a family, acting where it would in the workshop.

A trouble has a size ("absent", "small", "large") and a place: "all" takes of the bench, those of
one "wood", of one "batch" (the second), or of "one" mount. `VARIANTS` are the nine combinations.
Its hooks change forces, path, motion and channels of `benches.Sound` in place:

- `before` the loads are worked out: path, places, shifts of the modes;
- `forces`: what pushes on the board;  `heard`: further parts of the sum at the microphone;
- `channels`: what recorder and sensors make of it;  `labels`: which mount a take is filed under.

`causes` holds what a verdict `bench` may name with right.

Contents: Trouble, the families, FAMILIES, VARIANTS, draw_trouble.
"""

from __future__ import annotations

import numpy as np

VARIANTS = (
    ("absent", "all"),
    *((size, where) for size in ("small", "large") for where in ("all", "wood", "batch", "one")),
)
METAL = "aluminium"
PLAYED = ("tone", "sweep", "driver", "airborne")
UNLISTED = ("other",)  # causes of a whole bench that a list of candidates need not hold


def _phases(rng: np.random.Generator, shape) -> np.ndarray:
    return np.exp(2j * np.pi * rng.random(shape))


def _ratio(db) -> np.ndarray:
    return 10.0 ** (np.asarray(db) / 20.0)


class Trouble:
    """Nothing wrong: the base of all families and the family "clean"."""

    name = "clean"
    sizes = (0.0, 0.0)  # small, large
    causes: tuple[str, ...] = ()

    def __init__(self, size: str, where: str) -> None:
        self.size, self.where = size, where
        self.strength = dict(zip(("small", "large"), self.sizes, strict=True)).get(size)
        self.present = self.strength is not None and self.name != "clean"

    def draw(self, world) -> None:
        """Choose wood and mount, and whatever stays the same over the study."""
        rng = world.rng
        self.wood = str(rng.choice(["larch", "cherry", "robinia"]))
        self.mount = int(rng.choice(np.flatnonzero(world.wood != METAL)))
        self.phases = _phases(rng, world.design.size)
        self.at_k = int(rng.integers(2, world.design.size + 1))
        self.sign = float(rng.choice([-1.0, 1.0]))

    def touched(self, world, sound) -> np.ndarray:
        """(takes,): where it acts."""
        played = sound.played
        match self.where:
            case "wood":
                return sound.mounted & (world.wood[played.place] == self.wood)
            case "batch":
                return played.batch == 1
            case "one":
                return sound.mounted & (played.place == self.mount)
        return np.ones(len(played), dtype=bool)

    def begins(self, world, sound) -> np.ndarray:
        """(takes,): touched, and from a moment of its own in each mount on: any, or as often as
        not when the tones at full drive are done."""
        played, rng, count = sound.played, world.rng, len(world.names)
        full = sound.mounted & (played.k == 1) & (played.drive_db == 0)
        last, toned = np.zeros(count), np.zeros(count)
        np.maximum.at(last, played.place[sound.mounted], played.since[sound.mounted])
        np.maximum.at(toned, played.place[full], played.since[full])
        at = np.where(rng.random(count) < 0.5, toned, rng.random(count) * last)
        return self.touched(world, sound) & sound.mounted & (played.since > at[played.place])

    def before(self, world, sound) -> None:
        """Change path, lever, source or shift."""

    def forces(self, world, sound, found) -> None:
        """Change force or made."""

    def heard(self, world, sound) -> None:
        """Add parts."""

    def channels(self, world, sound) -> None:
        """Change response, drive, hear, sense."""

    def labels(self, world, played) -> np.ndarray:
        """(takes,) index of the mount that each take is filed under."""
        return played.place


# ------------------------------------------------------------------- channels


class Polarity(Trouble):
    """The response is inverted in some takes: one in five, or every second."""

    name, sizes, channels_turned = "polarity", (0.2, 0.5), ("response",)

    def channels(self, world, sound):
        if not self.present:
            return
        played, rng = sound.played, world.rng
        turned = (
            np.arange(len(played)) % 2 == 1 if self.size == "large"
            else rng.random(len(played)) < self.strength
        )  # fmt: skip
        sign = np.where(turned & self.touched(world, sound), -1.0, 1.0)[:, None]
        for name in self.channels_turned:
            setattr(sound, name, getattr(sound, name) * sign)


class PolarityOfBoth(Polarity):
    """Both channels are inverted in some takes."""

    name, channels_turned = "polarity of both", ("response", "drive")


class LevelControl(Trouble):
    """Slow level control: each channel's gain falls with its level; at times both as one."""

    name, sizes, causes = "level control", (0.04, 0.4), ("level_control",)

    def channels(self, world, sound):
        if not self.present:
            return
        touched = self.touched(world, sound)[:, None] & (sound.played.kind != "room")[:, None]
        levels = [np.sqrt((np.abs(x) ** 2).sum(axis=1, keepdims=True))
                  for x in (sound.response, sound.drive)]  # fmt: skip
        if world.rng.random() < 0.3:
            levels = [np.maximum(*levels)] * 2
        for name, level in zip(("hear", "sense"), levels, strict=True):
            gain = (np.maximum(level, 1e-4) / 0.1) ** -self.strength
            setattr(sound, name, getattr(sound, name) * np.where(touched, gain, 1.0))


class SensorHarmonics(Trouble):
    """The drive channel's sensor distorts: harmonics of its own beside those of the motion."""

    name, sizes, causes = "sensor", (-12.0, 6.0), ("sensor",)

    def channels(self, world, sound):
        if self.present:
            sound.drive = sound.drive + _own_harmonics(self, world, sound, sound.drive)


class MicrophoneHarmonics(Trouble):
    """The microphone distorts."""

    name, sizes, causes = "microphone", (-12.0, 6.0), ("microphone",)

    def heard(self, world, sound):
        if self.present:
            whole = sum(sound.parts.values())
            sound.parts["microphone"] += _own_harmonics(self, world, sound, whole)


def _own_harmonics(trouble, world, sound, value) -> np.ndarray:
    """Harmonics of order k at a level (dB) re the middle of those of `value`; they saturate."""
    k = np.arange(1, world.design.size + 1)
    tone = sound.mounted & (sound.played.k == 1) & (sound.played.drive_db == 0)
    middle = np.median(np.abs(value[tone]), axis=0)
    first = value[:, :1]
    added = trouble.phases * middle * _ratio(trouble.strength + world.rng.normal(0, 2, k.size))
    order = np.minimum(np.abs(first / middle[0]), world.rng.choice([2.0, 4.0])) ** k
    added = added * order * np.exp(1j * k * np.angle(first))
    steady = (sound.played.k == 1) & np.isin(sound.played.kind, ("tone", "driver"))
    added = np.where((steady & trouble.touched(world, sound))[:, None], added, 0)
    added[:, 0] = 0
    return added


class ClippingMicrophone(Trouble):
    """The microphone clips on the loudest boards alone, and there from a level of its own on."""

    name, sizes, causes = "clipping microphone", (-40.0, -22.0), ("microphone",)

    def heard(self, world, sound):
        if self.present:
            whole = sum(sound.parts.values())
            sound.parts["microphone"] += _clipped(self, world, sound, whole)


class ClippingSensor(Trouble):
    """The drive channel's sensor clips on the boards that are shaken hardest."""

    name, sizes, causes = "clipping sensor", (-40.0, -22.0), ("sensor",)

    def channels(self, world, sound):
        if self.present:
            sound.drive = sound.drive + _clipped(self, world, sound, sound.drive)


def _clipped(trouble, world, sound, value) -> np.ndarray:
    """Harmonics at a level (dB) re the fundamental, from the upper fifth of its levels on."""
    k = np.arange(1, world.design.size + 1)
    steady = (sound.played.k == 1) & np.isin(sound.played.kind, ("tone", "driver"))
    tone = sound.mounted & steady & (sound.played.drive_db == 0)
    first = value[:, :1]
    knee = np.quantile(np.abs(first[tone]), 0.8)
    over = np.maximum(np.abs(first) - knee, 0.0) / (np.abs(first[tone]).max() - knee)
    added = trouble.phases * _ratio(trouble.strength) / k * over * np.abs(first)
    added = added * np.exp(1j * k * np.angle(first))
    added[:, 0] = 0
    return np.where((steady & trouble.touched(world, sound))[:, None], added, 0)


class Limiter(Trouble):
    """A limiter in the recorder: one channel's gain falls on the loudest takes alone."""

    name, sizes, causes = "limiter", (0.15, 0.8), ("level_control",)

    def channels(self, world, sound):
        if not self.present:
            return
        tone = sound.mounted & (sound.played.k == 1) & (sound.played.drive_db == 0)
        value, gain = ((sound.drive, "sense") if world.rng.random() < 0.5 else
                       (sound.response, "hear"))  # fmt: skip
        level = np.sqrt((np.abs(value) ** 2).sum(axis=1, keepdims=True))
        over = np.maximum(level / np.quantile(level[tone], 0.8), 1.0)
        touched = self.touched(world, sound)[:, None]
        setattr(sound, gain, getattr(sound, gain) * np.where(touched, over**-self.strength, 1.0))


class GainStep(Trouble):
    """The drive channel's gain steps: for all takes touched, or from some moment in a mount on."""

    name, sizes, causes = "gain step", (1.0, 4.0), ("drive_gain", "level_control")

    def channels(self, world, sound):
        if not self.present:
            return
        whole = world.rng.random() < 0.5
        where = (self.touched if whole else self.begins)(world, sound)
        sound.sense *= np.where(where, _ratio(self.sign * self.strength), 1.0)[:, None]


class LooseSensor(Trouble):
    """The sensor comes loose while a board is mounted: its upper multiples go astray."""

    name, sizes, causes = "loose sensor", (1.0, 5.0), ("sensor", "settling")

    def channels(self, world, sound):
        if not self.present:
            return
        k = np.arange(1, world.design.size + 1)
        off = np.exp(self.strength / 8.686 * (self.sign + 0.5j) * ((k - 1) / (k[-1] - 1)) ** 1.5)
        sound.sense *= np.where(self.begins(world, sound)[:, None], off, 1.0)


class Clock(Trouble):
    """The two channels start apart by another time in every take."""

    name, sizes = "clock", (1e-4, 2e-3)

    def channels(self, world, sound):
        if not self.present:
            return
        late = world.rng.uniform(-1, 1, (len(sound.played), 1)) * self.strength
        turn = np.exp(-2j * np.pi * world.hz * late)
        sound.drive = sound.drive * np.where(self.touched(world, sound)[:, None], turn, 1.0)


class Crosstalk(Trouble):
    """The amplifier's signal leaks into the response channel: at the frequency played, alone."""

    name, sizes, causes = "crosstalk", (-40.0, -20.0), UNLISTED

    def channels(self, world, sound):
        if not self.present:
            return
        played = sound.played
        full = sound.mounted & played.holds(world.design.size).T & (played.k != 1)
        share = _ratio(played.drive_db)
        levels = [np.median((np.abs(sound.response[:, i]) / share)[takes]) if takes.any() else 0
                  for i, takes in enumerate(full)]  # fmt: skip
        level = np.array(levels) * _ratio(self.strength) * self.phases * share[:, None]
        playing = np.isin(played.kind, PLAYED) & self.touched(world, sound)
        only = played.holds(world.design.size) & playing[:, None]
        sound.response = sound.response + np.where(only, level, 0)


class Leak(Trouble):
    """Each channel of the recorder leaks into the other, in all takes that the driver plays.

    In every other bench through a capacity: then it grows as the frequency does, up to its size.
    """

    name, sizes, causes = "leaking channels", (-65.0, -58.0), UNLISTED

    def draw(self, world):
        super().draw(world)
        k, rises = np.arange(1, world.design.size + 1), world.rng.integers(2)
        self.share = (1j * k / k[-1] if rises else self.sign) * _ratio(self.strength or 0.0)

    def channels(self, world, sound):
        if not self.present:
            return
        plays = np.isin(sound.played.kind, PLAYED)[:, None]
        leaks = [np.where(plays, self.share * x, 0) for x in (sound.drive, sound.response)]
        sound.parts["recorder"] = sound.parts["recorder"] + leaks[0]
        sound.response, sound.drive = sound.response + leaks[0], sound.drive + leaks[1]


# ------------------------------------------------------- the room and the air


class Line(Trouble):
    """A steady line near one multiple: a fan or the mains, not there in the silent room."""

    name, sizes, causes = "line", (-10.0, 8.0), ("line",)

    def heard(self, world, sound):
        if not self.present:
            return
        played, rng, i = sound.played, world.rng, self.at_k - 1
        tone = sound.mounted & (played.k == 1) & (played.drive_db == 0)
        middle = np.median(np.abs(sound.parts["driver"][tone, i]))
        where = self.touched(world, sound) & ~np.isin(played.kind, ("room", "loopback", "sweep"))
        line = middle * _ratio(self.strength) * _phases(rng, len(played)) * where
        sound.parts["line"][:, i] += line
        if rng.random() < 0.5:  # an electric one is in the drive channel as well
            drive = np.median(np.abs(sound.motion[tone, i]))
            sound.motion[:, i] += line / middle * drive * _ratio(rng.uniform(-30, -6))


class Air(Trouble):
    """The driver's housing is loud."""

    name, sizes = "air", (-18.0, 2.0)

    def heard(self, world, sound):
        if self.present:
            more = _ratio(self.strength - world.design.air_db)
            touched = self.touched(world, sound)[:, None]
            sound.parts["air"] = sound.parts["air"] * np.where(touched, more, 1.0)


class Monitor(Trouble):
    """A second loudspeaker was left on: it plays the signal, with harmonics of its own."""

    name, sizes, causes = "monitor", (-12.0, 6.0), UNLISTED

    def heard(self, world, sound):
        if not self.present:
            return
        played, rng, size = sound.played, world.rng, world.design.size
        tone = sound.mounted & (played.k == 1) & (played.drive_db == 0)
        middle = np.median(np.abs(sound.parts["driver"][tone]), axis=0)
        k = np.arange(1, size + 1)
        harmonics = middle * _ratio(self.strength + rng.normal(0, 3, size)) * self.phases
        harmonics[0] = 0
        law = rng.choice([0.0, 1.0, 2.0]) + (k if rng.random() < 0.5 else 0.0)
        linear = np.median(np.abs(sound.passes * sound.motion)[tone, 0]) * _ratio(-25.0)
        share = _ratio(played.drive_db)[:, None]
        # While one mount or wood is measured: also in airborne takes beside it.
        there = {"one": played.place == self.mount, "wood": world.wood[played.place] == self.wood}
        beside = (played.kind == "airborne") & there.get(self.where, False)
        plays = np.isin(played.kind, PLAYED) & (self.touched(world, sound) | beside)
        sounds = np.where((played.k == 1)[:, None], harmonics * share**law, 0)
        sounds = sounds + np.where(played.holds(size), linear * self.phases * share, 0)
        sound.parts["elsewhere"] += np.where(plays[:, None], sounds, 0)


class Room(Trouble):
    """A resonance of the room near one multiple wanders with the minutes."""

    name, sizes, causes = "room", (0.3, 1.5), ("room",)

    def before(self, world, sound):
        if not self.present:
            return
        rng, played = world.rng, sound.played
        apart = np.abs(np.subtract.outer(played.minute, played.minute))
        apart = apart + 1e6 * np.not_equal.outer(played.batch, played.batch)
        spread = np.exp(-apart / rng.uniform(4.0, 20.0)) + 1e-9 * np.eye(len(played))
        wander = np.linalg.cholesky(spread) @ rng.standard_normal(len(played)) * self.strength
        wander = np.where(self.touched(world, sound), wander, 0.0)
        x = rng.uniform(-1, 1) + wander
        high = rng.uniform(2.0, 5.0) * np.exp(2j * np.pi * rng.random())
        sound.path[:, self.at_k - 1] *= 1.0 + high / (1.0 + 2j * x)


class MovedMicrophone(Trouble):
    """The microphone is knocked while a board is mounted."""

    name, sizes, causes = "moved microphone", (0.7, 3.0), ("room",)

    def before(self, world, sound):
        if not self.present:
            return
        size = world.design.size
        both = world.rng.standard_normal((2, len(world.names), size))
        off = np.exp(self.strength / 8.686 * (both[0] + 1j * both[1]))
        place = np.maximum(sound.played.place, 0)
        sound.path *= np.where(self.begins(world, sound)[:, None], off[place], 1.0)


# ----------------------------------------------------------- driver and board


class Settling(Trouble):
    """The contact under the driver settles in the minutes after it was fixed."""

    name, sizes, causes = "settling", (0.8, 4.0), ("settling",)

    def before(self, world, sound):
        if not self.present:
            return
        rng, played = world.rng, sound.played
        k = np.arange(1, world.design.size + 1)
        place = np.maximum(played.place, 0)
        amount = np.exp(0.15 * rng.standard_normal(len(world.names)))[place]
        since = np.where(played.kind == "driver", played.minute - 4.0, played.since)
        done = amount * (1.0 - np.exp(-since / rng.uniform(3.0, 8.0)))
        law = (self.sign + 0.3j) * self.strength / 8.686 * (k / k[-1]) ** 1.5
        settles = self.touched(world, sound)[:, None]
        sound.path *= np.where(settles, np.exp(done[:, None] * law), 1.0)


class SoftContact(Trouble):
    """The contact under the driver is stiffer when it is shaken harder."""

    name, sizes, causes = "soft contact", (0.8, 4.0), UNLISTED

    def forces(self, world, sound, found):
        if not self.present:
            return
        level = np.log(np.maximum(np.abs(sound.force), 1e-4)) / np.log(30.0)
        law = np.exp(level * (self.sign + 0.3j) * self.strength / 8.686)
        sound.path *= np.where(self.touched(world, sound)[:, None], law, 1.0)


class SoftBoard(Trouble):
    """A joint in the board gives way when it is shaken hard: in the tone its modes lie lower."""

    name, sizes, causes = "soft board", (0.001, 0.006), UNLISTED

    def before(self, world, sound):
        if self.present:
            loud = (sound.played.k == 1) * 10.0 ** (sound.played.drive_db / 20.0)
            moved = np.where(self.touched(world, sound), self.strength * loud, 0.0)
            sound.shift = sound.shift - moved


class Rocking(Trouble):
    """The driver rocks as well as it pushes, in the tone's harmonics more than in a probe tone."""

    name, sizes, causes = "rocking", (0.008, 0.04), ("rocking",)

    def before(self, world, sound):
        if not self.present:
            return
        size, rng = world.design.size, world.rng
        lever = self.strength * np.exp(0.3 * rng.standard_normal(size)) * self.phases
        probe = sound.played.k[:, None] != 1
        lever = np.where(probe, 0.15 * self.strength * _phases(rng, size), lever)
        sound.lever = np.where(self.touched(world, sound)[:, None], lever, 0.0)


class Warming(Trouble):
    """The board's modes move in the minutes after it was mounted: warmth, moisture, creep."""

    name, sizes, causes = "warming", (0.001, 0.008), UNLISTED

    def before(self, world, sound):
        if self.present:
            moved = self.sign * self.strength * (1.0 - np.exp(-sound.played.since / 8.0))
            sound.shift = sound.shift + np.where(self.touched(world, sound), moved, 0.0)


class Made(Trouble):
    """A harmonic is made on the board itself: a force at some place of its own."""

    name, sizes, spread_db = "made on the board", (-6.0, 14.0), 0.3

    def before(self, world, sound):
        rng = world.rng
        share = dict(zip(world.names, rng.uniform(0.2, 0.97, len(world.names)), strict=True))
        place = np.maximum(sound.played.place, 0)
        at = np.array([share[name] for name in world.names])
        sound.source = (at * world.boards.length)[place]

    def forces(self, world, sound, found):
        if not self.present:
            return
        rng, played, size = world.rng, sound.played, world.design.size
        wooden = (world.wood != METAL)[np.maximum(played.place, 0)]
        where = sound.mounted & (played.k == 1) & wooden & self.touched(world, sound)
        own = {name: _phases(rng, size) * _ratio(rng.normal(0, 4, size)) for name in world.names}
        made = np.array([own[name] for name in world.names])[np.maximum(played.place, 0)]
        made = made * _ratio(self.spread_db * rng.standard_normal((len(played), 1)))
        sound.made = np.where(where[:, None], self.law(sound) * made * _ratio(self.strength), 0)
        sound.made[:, 0] = 0

    def law(self, sound) -> np.ndarray:
        """As strong as the driver's own harmonic, and with its phase."""
        return sound.force


class MadeAtOne(Made):
    """The same at one multiple alone, as a joint that gives way on one side makes it."""

    name = "made at one multiple"

    def forces(self, world, sound, found):
        super().forces(world, sound, found)
        sound.made[:, np.arange(world.design.size) != self.at_k - 1] = 0


class Buzz(Made):
    """A loose contact on the board: harmonics that fall slowly, and not from take to take alike.

    In every other bench it is silent below a drive of its own.
    """

    name, sizes, spread_db = "buzz", (-40.0, -18.0), 1.0

    def draw(self, world):
        super().draw(world)
        self.opens = float(world.rng.choice([0.0, world.rng.uniform(0.3, 0.7)]))

    def law(self, sound) -> np.ndarray:
        k = np.arange(1, sound.force.shape[1] + 1)
        first = sound.force[:, :1]
        share = np.abs(first)
        opens = self.opens * np.median(share[sound.played.drive_db == 0])
        hit = np.maximum(share - opens, 0.0) / (1.0 - self.opens)
        return hit * np.exp(1j * k * np.angle(first)) / k


class Rest(Made):
    """What the board lies on rattles, the same under every board that is touched."""

    name, sizes, causes = "rest", (-6.0, 14.0), UNLISTED

    def before(self, world, sound):
        sound.source = 0.8 * world.boards.length[np.maximum(sound.played.place, 0)]

    def forces(self, world, sound, found):
        if self.present:
            where = sound.mounted & (sound.played.k == 1) & self.touched(world, sound)
            made = sound.force * self.phases * _ratio(self.strength)
            sound.made = np.where(where[:, None], made, 0)
            sound.made[:, 0] = 0

    def heard(self, world, sound):
        sound.parts["elsewhere"] += sound.parts["board"]
        sound.parts["board"] = 0 * sound.parts["board"]


class Player(Trouble):
    """What plays the tone distorts: the driver gets its harmonics, and a loopback take holds them.

    In every other bench they fall with the drive as the tone does, as behind a volume knob.
    """

    name, sizes = "player", (-62.0, -46.0)

    def draw(self, world):
        super().draw(world)
        self.order = int(world.rng.integers(2))
        spread = world.rng.normal(0, 3, world.design.size)
        self.own = self.phases * _ratio((self.strength or 0.0) + spread)
        self.own[0] = 0

    def forces(self, world, sound, found):
        if not self.present:
            return
        k, played = np.arange(1, world.design.size + 1), sound.played
        steady = (played.k == 1) & np.isin(played.kind, ("tone", "driver", "airborne"))
        share = _ratio(played.drive_db)[:, None] ** (1 + self.order * (k - 1))
        sound.force = sound.force + np.where(steady[:, None], self.own * share, 0)

    def channels(self, world, sound):
        if self.present:
            loop = sound.played.kind == "loopback"
            sound.response[loop] += self.own * sound.response[loop][:, :1]


class Load(Trouble):
    """A driver whose distortion depends strongly on its load; nothing is wrong."""

    name = "load"

    def forces(self, world, sound, found):
        k = np.arange(1, world.design.size + 1)
        place = np.maximum(sound.played.place, 0)
        load = world.rng.uniform(-8.0, 20.0, (len(world.names), k.size))[place]
        tone = sound.mounted & (sound.played.k == 1)
        sound.force = sound.force * np.where(tone[:, None] & (k > 1), _ratio(load), 1.0)


# ----------------------------------------------------------------- the sheets


class MixUp(Trouble):
    """The probe takes of two mounts are filed under each other: of one wood, or of two."""

    name, sizes = "mix-up", (0.0, 0.0)

    def draw(self, world):
        super().draw(world)
        same = world.wood == world.wood[self.mount]
        others = np.flatnonzero((same if self.size == "small" else ~same) & (world.wood != METAL))
        self.other = int(world.rng.choice(others[others != self.mount]))

    def labels(self, world, played):
        if not self.present:
            return played.place
        probe = np.isin(played.kind, ("tone", "sweep")) & (played.k != 1)
        place = played.place.copy()
        place[probe & (played.place == self.mount)] = self.other
        place[probe & (played.place == self.other)] = self.mount
        return place


class Two(Trouble):
    """Two of the others at once, each of a size and at a place of its own."""

    name = "two at once"

    def __init__(self, size: str, where: str) -> None:
        super().__init__(size, where)
        self.both: list[Trouble] = []

    def draw(self, world):
        rng = world.rng
        pool = [
            each
            for each in FAMILIES.values()
            if each not in (Trouble, Two, Rest, MixUp, Player, Leak)
        ]
        for i in rng.choice(len(pool), 2, replace=False):
            where = str(rng.choice(["all", "wood", "batch", "one"]))
            self.both.append(pool[i](self.size, where))
            self.both[-1].draw(world)
        self.causes = tuple(cause for each in self.both for cause in each.causes)
        self.name = " and ".join(each.name for each in self.both)

    def before(self, world, sound):
        for each in self.both:
            each.before(world, sound)

    def forces(self, world, sound, found):
        for each in self.both:
            each.forces(world, sound, found)

    def heard(self, world, sound):
        for each in self.both:
            each.heard(world, sound)

    def channels(self, world, sound):
        for each in self.both:
            each.channels(world, sound)


FAMILIES: dict[str, type[Trouble]] = {
    each.name: each
    for each in (
        Trouble, Load, Polarity, PolarityOfBoth, Line, LevelControl, SensorHarmonics,
        MicrophoneHarmonics, Settling, Rocking, Room, Made, Buzz, GainStep, Air,
        ClippingMicrophone, ClippingSensor, Limiter, LooseSensor, Clock, Crosstalk, Monitor,
        MovedMicrophone, SoftContact, SoftBoard, Warming, Rest, MixUp, Two, MadeAtOne, Player,
        Leak,
    )
}  # fmt: skip


def draw_trouble(family: str, number: int) -> Trouble:
    """Bench number n of a family: its variants in turn."""
    return FAMILIES[family](*VARIANTS[number % len(VARIANTS)])
