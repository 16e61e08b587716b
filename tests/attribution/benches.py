"""Simulated benches with a stated truth: whole studies as complex amplitudes, from the physics.

Boards are the beams of `beams`. The driver pushes with F_k at k times the tone; its own harmonics
grow with the travel between its base and its moving mass, and so with the load. The drive channel
senses acceleration or force at the driving point; the far end is heard in a room, and through the
air from the driver's housing. What is wrong with a bench (`troubles`) acts on forces, motion, path
or channels where it would in the workshop, take by take and in the order of the takes.

The truth of a row is what its tones at full drive held at the microphone, part by part: the driver
through the board (in whichever direction it pushes), a harmonic made elsewhere on the board, the
air, a line that has nothing to do with the tone, what microphone and recorder added. The excess is
that of the board's path over T times the true motion at the driving point.

Conventions: one row a take in `Played`, arrays (takes, K); amplitudes re full scale; K harmonics;
noise complex Gaussian with u of each part, u estimated with 64 degrees of freedom; phases re k
times the phase of the response's own fundamental, as measure.harmonic_rows gives them.

Contents: Design, draw_design, World, Played, Simulated, simulate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studylib.attribution.board_facts import BoardFacts, BoardModes
from studylib.sheets import Take
from studylib.tables import TABLES
from tests.attribution import troubles
from tests.attribution.beams import Boards, Driver, load, mounted_modes

DOF, SECONDS = 64, 0.8
WOODS = ("larch", "cherry", "robinia")
METAL = "aluminium"
# E in GPa, density in kg/m3: middle of ranges of handbooks; loss factor.
MATERIALS = {
    "larch": (12.5, 570.0, 0.011, 15.0),
    "cherry": (10.3, 580.0, 0.013, 12.0),
    "robinia": (14.5, 740.0, 0.009, 13.0),
    METAL: (69.0, 2700.0, 0.006, 2.6),
}
BLOCK_KG = 0.6
LOUDEST = 0.4
PARTS = ("driver", "board", "air", "line", "microphone", "recorder", "elsewhere")


@dataclass(frozen=True)
class Design:
    """What one study holds; `left_out` names kinds of take."""

    fundamental_hz: float = 172.0
    size: int = 6
    boards: int = 4
    mounts: int = 2
    repeats: int = 3
    probes: int = 1  # takes of each probe tone after the tones
    before: bool = True  # probe tones before them as well
    metal: bool = True
    turned: bool = True
    steps: str = "all"  # mounts with the tone at lower drive: "all", "reference", "none"
    split: str = "boards"  # what the two batches share out: "boards" or "mounts"
    force: bool = False  # the drive channel senses force
    take_db: float = 0.15
    mount_db: float = 0.4
    air_db: float = -50.0
    recorder_db: float = -70.0
    u: float = 2e-6
    gaps: bool = False  # taps miss some modes
    placed: bool = True  # study.toml says where the driver sits
    swept: bool = False  # a sweep of each mount instead of probe tones
    left_out: frozenset[str] = field(default_factory=frozenset)


def draw_design(rng: np.random.Generator) -> Design:
    """Three benches in five hold every control; the others lack some."""
    whole = rng.random() < 0.6
    lacks = (lambda share: False) if whole else (lambda share: bool(rng.random() < share))
    kinds = ("room", "idle", "loopback", "airborne", "block")
    return Design(
        fundamental_hz=float(rng.choice([172.0, 172.0, 150.0, rng.uniform(110.0, 260.0)])),
        size=int(rng.integers(4, 7)),
        mounts=2 if whole else int(rng.integers(1, 3)),
        repeats=3 if whole else int(rng.integers(2, 4)),
        probes=int(rng.integers(1, 3)),
        before=not lacks(0.5),
        metal=not lacks(0.4),
        turned=not lacks(0.5),
        steps="all" if whole else str(rng.choice(["all", "reference", "none"])),
        split=str(rng.choice(["boards", "mounts"])),
        force=bool(rng.random() < 0.2),
        take_db=rng.uniform(0.08, 0.2),
        mount_db=rng.uniform(0.2, 0.8),
        air_db=rng.uniform(-65.0, -40.0),
        recorder_db=rng.uniform(-85.0, -60.0),
        u=10.0 ** rng.uniform(-6.5, -5.3),
        gaps=lacks(0.4),
        placed=not lacks(0.4),
        swept=lacks(0.25),
        left_out=frozenset(kind for kind in kinds if lacks(0.25)),
    )


@dataclass
class Played:
    """The takes of a study, one a row: arrays (takes,)."""

    kind: np.ndarray  # "tone", "sweep", "driver" (on the block), "airborne", "loopback", ...
    place: np.ndarray  # index of the mount; -1 without one
    k: np.ndarray  # 1: the tone with all harmonics; 0: a sweep; a probe tone else
    drive_db: np.ndarray
    batch: np.ndarray
    repeat: np.ndarray
    minute: np.ndarray  # within the batch
    since: np.ndarray  # minutes since the board was mounted

    def __len__(self) -> int:
        return len(self.kind)

    def holds(self, size: int) -> np.ndarray:
        """(takes, K): the signal that is played holds that multiple."""
        return (np.arange(1, size + 1) == self.k[:, None]) | (self.k[:, None] == 0)


@dataclass(frozen=True)
class World:
    """What a bench is made of. Mounts: arrays (mounts,), boards of the woods first."""

    design: Design
    rng: np.random.Generator
    boards: Boards  # one row a mount, sizes of its board
    names: list[str]
    wood: np.ndarray
    number: np.ndarray  # of the mount
    batch: np.ndarray
    turned: np.ndarray
    at: np.ndarray
    far: np.ndarray
    shift: np.ndarray
    gain: np.ndarray  # (mounts, K), the microphone put back
    driver: Driver
    harmonics: np.ndarray  # the driver's own on the block, over its fundamental
    room: np.ndarray
    housing: np.ndarray

    @property
    def hz(self) -> np.ndarray:
        return self.design.fundamental_hz * np.arange(1, self.design.size + 1)

    def facts(self) -> dict[str, BoardFacts]:
        """What sheets and taps say of each specimen: modes with errors, and now and then a gap."""
        rng, found, modes = self.rng, {}, self.modes()
        for i, name in enumerate(self.names):
            if name in found:
                continue
            frequency, width = modes[name]
            order = np.argsort(frequency)[2:]
            frequency, loss = frequency[order], width[order] / frequency[order]
            heard = frequency < 1.5 * self.hz[-1]
            if self.design.gaps:
                heard &= rng.random(frequency.size) > 0.1
            frequency = frequency * (1 + 0.002 * rng.standard_normal(frequency.size))
            loss = loss * np.exp(0.1 * rng.standard_normal(loss.size))
            place = 0.100 / self.boards.length[i] if self.design.placed else None
            metal = bool(self.wood[i] == METAL)
            taps = BoardModes(frequency[heard], loss[heard], True, place) if heard.any() else None
            role = "reference" if metal else ""
            found[name] = BoardFacts(str(self.wood[i]), role, metal, taps)
        return found

    def modes(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """specimen -> (frequency, bandwidth) in Hz of its modes with the driver on it."""
        found = mounted_modes(self.boards, self.driver, at=self.at)
        return dict(zip(self.names, zip(*found, strict=True), strict=True))


@dataclass(frozen=True)
class Simulated:
    """A study with its truth: a row a specimen, mount and harmonic of the woods and the reference.

    truth : specimen, wood, mount, batch, harmonic; excess_db of the board's path;
        `{part}_db` over the sum for each of PARTS; own_db: the sum over the driver's part;
        made_db: driver and board over the driver's part; snr_db; near_mode: within three
        bandwidths of a mode of the board with the driver on it.
    trouble : what is wrong with the bench.
    """

    world: World
    trouble: troubles.Trouble
    harmonics: pd.DataFrame
    takes: list[Take]
    truth: pd.DataFrame


def near_one(rng: np.random.Generator, shape, sd_db: float) -> np.ndarray:
    """Factors near 1: level and phase spread alike (nepers and radians)."""
    both = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    return np.exp(sd_db / 8.686 * both)


def phasors(rng: np.random.Generator, shape, *, db=0.0, sd: float = 0.0) -> np.ndarray:
    """Amplitudes around a level, with any phase."""
    level = (db + sd * rng.standard_normal(shape)) / 8.686
    return np.exp(level + 2j * np.pi * rng.random(shape))


# ------------------------------------------------------------------ the bench


def _world(design: Design, rng: np.random.Generator) -> World:
    woods = [wood for wood in WOODS for _ in range(design.boards)]
    names = [f"{wood[0].upper()}{i + 1}" for wood in WOODS for i in range(design.boards)]
    mounts = [(b, m) for b in range(len(woods)) for m in range(1, design.mounts + 1)]
    if design.metal:
        woods, names = [*woods, METAL], [*names, "REF"]
        mounts += [(len(woods) - 1, m) for m in (1, 2, *((3,) if design.turned else ()))]
    which, number = np.array(mounts).T
    each = _boards(woods, rng)
    boards = Boards(*(part[which] for part in each))
    wood = np.array(woods)[which]
    shared = which % design.boards if design.split == "boards" else number - 1
    shared = np.where(wood == METAL, number - 1, shared)
    n, size = len(which), design.size
    harmonics = phasors(rng, size, db=-29.0 - 3.0 * np.arange(1, size + 1), sd=5.0)
    harmonics[0] = 1.0
    return World(
        design=design, rng=rng, boards=boards, names=[names[i] for i in which], wood=wood,
        number=number, batch=shared % 2, turned=(wood == METAL) & (number == 3),
        at=0.100 + 0.0008 * rng.standard_normal(n),
        far=boards.length - 0.015 + 0.002 * rng.standard_normal(n),
        shift=0.0015 * rng.standard_normal(n),
        gain=near_one(rng, (n, 1), 0.3) * near_one(rng, (n, size), design.mount_db),
        driver=Driver(rng.uniform(0.006, 0.02), 0.060, rng.uniform(30.0, 45.0), 0.3),
        harmonics=harmonics,
        room=phasors(rng, size, sd=4.0),
        housing=phasors(rng, size, sd=3.0),
    )  # fmt: skip


def _boards(woods: list[str], rng: np.random.Generator) -> Boards:
    modulus, density, loss, shear = np.array([MATERIALS[wood] for wood in woods]).T
    n = len(woods)
    metal = np.array(woods) == METAL
    spread = np.where(metal, 0.0, 1.0)
    return Boards(
        length=0.745 + 0.0005 * rng.standard_normal(n),
        width=0.038 + 0.0001 * rng.standard_normal(n),
        thickness=np.where(metal, 0.012, 0.018) + 0.00005 * rng.standard_normal(n),
        density=density * np.exp(0.04 * spread * rng.standard_normal(n)),
        modulus=1e9 * modulus * np.exp(0.08 * spread * rng.standard_normal(n)),
        shear=shear,
        loss=loss * np.exp(0.12 * rng.standard_normal(n)),
    )


def _schedule(world: World) -> Played:
    """All takes in the order in which they are made; mounts in random order in their batch."""
    design, rng = world.design, world.rng
    probes = range(2, design.size + 1)
    rows: list[tuple] = []
    minutes = [0.0, 0.0]

    def take(kind, batch, place=-1, k=1, drive_db=0.0, repeat=1, since=0.0):
        rows.append((kind, place, k, drive_db, batch, repeat, minutes[batch], since))
        minutes[batch] += 1.0

    for batch in (0, 1):
        here = rng.permutation(np.flatnonzero(world.batch == batch))
        if not here.size:
            continue
        _controls(design, take, batch, int(here[0]), probes)
        for place in here.tolist():
            minutes[batch] += 4.0
            start = minutes[batch]

            def of(k=1, *, batch=batch, place=place, start=start, **cells):
                take("tone", batch, place, k, since=minutes[batch] - start, **cells)

            for k in probes if design.before and not design.swept else ():
                of(k, drive_db=-6.0)
            for repeat in range(1, design.repeats + 1):
                of(repeat=repeat)
            if design.steps == "all" or (design.steps, world.wood[place]) == ("reference", METAL):
                for drive_db in (-6.0, -12.0):
                    of(drive_db=drive_db)
            if design.swept:
                take("sweep", batch, place, 0, -20.0, since=minutes[batch] - start)
                continue
            for k in probes:
                for repeat in range(1, design.probes + 1):
                    of(k, drive_db=-6.0, repeat=repeat + int(design.before))
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return Played(*columns)


def _controls(design: Design, take, batch: int, place: int, probes) -> None:
    for kind in ("room", "idle", "loopback"):
        if kind not in design.left_out:
            take(kind, batch)
    if "block" not in design.left_out:
        for drive_db in (0.0, -6.0, -12.0) if design.steps != "none" else (0.0,):
            take("driver", batch, drive_db=drive_db)
        for k in probes:
            take("driver", batch, k=k, drive_db=-6.0)
    if "airborne" not in design.left_out:
        take("airborne", batch, place)
        for k in range(2, design.size + 1):
            take("airborne", batch, place, k, drive_db=-10.0)


# ------------------------------------------------------------------ the takes


@dataclass
class Sound:
    """What every take holds, (takes, K); troubles change it in place.

    force : the driver's;  lever : m, moment over force;  made : a force made on the board;
    shift : (takes,) of the board's modes.
    path : factor on all that the far end hears from the board;  sense : on the drive channel;
    hear : on the response channel.
    driver, board, ... : parts of the response;  motion : what is at the driving point;
    passes : far end over true motion, of the driver alone.
    """

    played: Played
    mounted: np.ndarray
    force: np.ndarray
    lever: np.ndarray
    made: np.ndarray
    source: np.ndarray
    shift: np.ndarray
    path: np.ndarray
    sense: np.ndarray
    hear: np.ndarray
    parts: dict[str, np.ndarray] = field(default_factory=dict)
    motion: np.ndarray | None = None
    passes: np.ndarray | None = None
    drive: np.ndarray | None = None
    response: np.ndarray | None = None


def _sound(world: World, played: Played, trouble: troubles.Trouble) -> Sound:
    design, rng = world.design, world.rng
    n, size = len(played), design.size
    one = np.ones((n, size), dtype=complex)
    mounted = np.isin(played.kind, ("tone", "sweep"))
    place = np.maximum(played.place, 0)
    sound = Sound(
        played, mounted, 0 * one, 0 * one, 0 * one, 0.5 * world.boards.length[place],
        world.shift[place] + 0.00005 * rng.standard_normal(n),
        one * world.room * near_one(rng, (n, size), design.take_db), one.copy(), one.copy(),
    )  # fmt: skip
    sound.path[mounted] *= world.gain[place[mounted]]
    trouble.before(world, sound)
    boards = Boards(*(part[place] for part in world.boards))
    found = load(
        boards, world.driver, world.hz, shift=sound.shift, at=world.at[place],
        far=world.far[place], source=sound.source,
    )  # fmt: skip
    mass = world.driver.mass(world.hz)
    on_block = 1.0 / (BLOCK_KG + mass) * one
    in_air = 1.0 / mass * one
    block, air = (played.kind == "driver")[:, None], (played.kind == "airborne")[:, None]
    near = np.where(block, on_block, np.where(air, in_air, found.near))
    far = np.where(block, 0.3 * on_block, found.far)
    sound.force = _forces(world, played, near[:, 0]) * np.where(sound.force == 0, 1, sound.force)
    trouble.forces(world, sound, found)
    quiet = ~(mounted[:, None] | block | air)
    sound.force[quiet[:, 0]] = 0
    ring = mounted[:, None]
    turn = np.where(ring, sound.force * sound.lever, 0)
    made = np.where(ring, sound.made, 0)
    if design.force:
        # A force sensor between driver and board: what the base does not keep for itself.
        pushed = np.where(block, BLOCK_KG * on_block, np.where(air, 0, near / found.bare))
        sound.motion = pushed * sound.force - mass * (found.near_turn * turn + found.near_at * made)
        sound.passes = far / np.where(pushed == 0, 1.0, pushed)
    else:
        sound.motion = near * sound.force + found.near_turn * turn + found.near_at * made
        sound.passes = far / near
    sound.passes = sound.passes * sound.path
    heard = ring | block
    zero = np.zeros((n, size), dtype=complex)
    sound.parts = {name: zero.copy() for name in PARTS}
    sound.parts["driver"] = np.where(
        heard, sound.path * (far * sound.force + found.far_turn * turn), 0
    )
    sound.parts["board"] = sound.path * found.far_at * made
    tone = mounted & (played.k == 1) & (played.drive_db == 0)
    middle = np.median(np.abs(sound.passes * near)[tone], axis=0)
    sound.parts["air"] = world.housing * 10.0 ** (design.air_db / 20.0) * middle * sound.force
    return sound


def _forces(world: World, played: Played, near: np.ndarray) -> np.ndarray:
    """The driver's force at every multiple, from its travel under its load."""
    rng, size = world.rng, world.design.size
    n = len(played)
    share = 10.0 ** ((played.drive_db + rng.normal(0, 0.12, n)) / 20.0)
    k = np.arange(1, size + 1)
    travel = 1.0 / world.driver.moving + near
    travel = travel / (1.0 / world.driver.moving + 1.0 / (BLOCK_KG + world.driver.base))
    load_law = np.minimum(k - 1, 2)
    force = world.harmonics * share[:, None] ** k * np.abs(travel)[:, None] ** load_law
    force = force * np.exp(1j * k * np.angle(travel)[:, None])
    force = force * np.where(k > 1, near_one(rng, (n, size), 0.05), 1.0)
    force[:, 0] = share
    alone = played.k != 1
    only = np.where(played.holds(size), share[:, None], 0.0)
    return np.where(alone[:, None], only, force)


def _channels(world: World, sound: Sound, trouble: troubles.Trouble) -> None:
    """From what is there to what the two channels hold, re full scale and without noise."""
    design, rng, played = world.design, world.rng, sound.played
    tone = sound.mounted & (played.k == 1) & (played.drive_db == 0)
    whole = sum(sound.parts.values())
    # Both channels are set so that the loudest board stays well below full scale.
    to_response = LOUDEST / np.max(np.abs(whole[tone, 0]))
    to_drive = LOUDEST / np.max(np.abs(sound.motion[tone, 0]))
    for part in sound.parts.values():
        part *= to_response
    sound.motion = sound.motion * to_drive
    sound.passes = sound.passes * (to_response / to_drive)
    loopback = played.kind == "loopback"
    trouble.heard(world, sound)
    sound.response, sound.drive = sum(sound.parts.values()), sound.motion.copy()
    sound.response[loopback] = sound.drive[loopback] = 0
    sound.response[loopback, 0] = LOUDEST
    trouble.channels(world, sound)
    k = np.arange(1, design.size + 1)
    law = phasors(rng, design.size, db=design.recorder_db) * 0.01
    law[0] = 0.0
    for name in ("response", "drive"):
        value = getattr(sound, name)
        first = value[:, :1]
        steady = played.k == 1
        order = np.abs(first) / LOUDEST
        added = np.where(steady[:, None], law * order**k * np.exp(1j * k * np.angle(first)), 0)
        if name == "response":
            sound.parts["recorder"] = sound.parts["recorder"] + added
        setattr(sound, name, value + added)
    sound.response = sound.response * sound.hear
    sound.drive = sound.drive * sound.sense


# ------------------------------------------------------------------ the study


def simulate(design: Design, trouble: troubles.Trouble, rng: np.random.Generator) -> Simulated:
    """Play one study."""
    world = _world(design, rng)
    trouble.draw(world)
    played = _schedule(world)
    sound = _sound(world, played, trouble)
    _channels(world, sound, trouble)
    u, table = _table(world, sound)
    return Simulated(world, trouble, table, _takes(world, played, trouble), _truth(world, sound, u))


def _table(world: World, sound: Sound) -> tuple[np.ndarray, pd.DataFrame]:
    """(u of the response, the table `harmonics`)."""
    design, rng, played = world.design, world.rng, sound.played
    n, size = len(played), design.size
    u = design.u * 10.0 ** (rng.normal(0, 3, size) / 20.0)
    stated = []
    values = []
    silent = np.isin(played.kind, ("room", "idle"))[:, None]
    for value, own in ((sound.response, u), (sound.drive, 0.6 * u)):
        shake = rng.standard_normal((n, size)) + 1j * rng.standard_normal((n, size))
        noisy = value + own * shake
        # A silent take holds the lines that stand out, and what its noise would give a tone.
        noisy = np.where(silent, np.where(np.abs(value) > 4 * own, np.abs(value), 0), noisy)
        values.append(noisy)
        # A sweep states how much of it rang on after its end at most.
        rang_on = 0.003 * np.abs(value)
        of_noise = own * np.sqrt(rng.chisquare(DOF, (n, 1)) / DOF)
        stated.append(np.where(played.k[:, None] == 0, rang_on, of_noise))
    response, drive = values
    k = np.arange(1, size + 1)
    steady = (played.k == 1) & ~silent[:, 0]
    turn = np.where(steady[:, None], np.exp(-1j * k * np.angle(response[:, :1])), 1.0)
    response, drive = response * turn, drive * turn
    drive = np.where(np.isin(played.kind, ("loopback", "room", "idle"))[:, None], np.nan, drive)
    alone = played.k > 1
    keep = ~alone[:, None] | played.holds(size)
    swept = played.k == 0
    row, column = np.nonzero(keep)
    hz = world.hz * (1 + 2e-6 * rng.standard_normal((n, 1)))
    table = pd.DataFrame(
        {
            "take": np.array([f"t{i}" for i in range(n)])[row], "harmonic": k[column],
            "frequency_hz": hz[keep], "seconds": np.where(swept, 3.0, SECONDS)[row],
            "response_re": response.real[keep], "response_im": response.imag[keep],
            "response_u": np.broadcast_to(stated[0], keep.shape)[keep],
            "drive_re": drive.real[keep], "drive_im": drive.imag[keep],
            "drive_u": np.broadcast_to(stated[1], keep.shape)[keep],
            "dof": np.where(silent[:, 0] | swept, 0, DOF)[row], "offset_db": 0.0,
            "unit": "dB re full scale", "usable": True, "off_cents": 0.0, "off_u_cents": 0.01,
        }
    )  # fmt: skip
    assert list(table) == list(TABLES["harmonics"].names)
    return u, table


def _takes(world: World, played: Played, trouble: troubles.Trouble) -> list[Take]:
    rows = []
    places = trouble.labels(world, played)
    toneless = ("room", "idle", "sweep")
    for i in range(len(played)):
        kind, k, place = str(played.kind[i]), int(played.k[i]), int(places[i])
        placed = place >= 0
        cells = {
            "take": f"t{i}", "batch": f"day{played.batch[i] + 1}", "kind": kind,
            "specimen": world.names[place] if placed else None,
            "mount": int(world.number[place]) if placed else None,
            "repeat": int(played.repeat[i]),
            "tone_hz": None if kind in toneless else world.design.fundamental_hz * k,
            "drive_db": float(played.drive_db[i]), "gain_db": 0.0, "support": "bench",
            "exclude": False, "order": float(i + 1), "started": None, "place": 1, "row": i + 2,
            "turned": bool(placed and world.turned[place]), "moved_mm": None, "mic_times": None,
        }  # fmt: skip
        rows.append(Take.model_construct(**cells))
    return rows


def _truth(world: World, sound: Sound, u: np.ndarray) -> pd.DataFrame:
    """What the tones at full drive held, averaged over the takes of a mount."""
    played, size = sound.played, world.design.size
    tone = sound.mounted & (played.k == 1) & (played.drive_db == 0)
    place = played.place[tone]
    places = np.unique(place)
    average = (place == places[:, None]) / np.bincount(place)[places][:, None]

    def mean(value: np.ndarray) -> np.ndarray:
        """(mounts, K) rms over the takes: parts of any phase to each other do not cancel."""
        return np.sqrt(average @ np.abs(value[tone]) ** 2)

    parts = {name: mean(part) for name, part in sound.parts.items()}
    driver = sound.parts["driver"]
    path = driver + sound.parts["board"]
    whole = sum(sound.parts.values())
    with np.errstate(divide="ignore", invalid="ignore"):
        each = {
            "excess_db": mean(path) / mean(sound.passes * sound.motion),
            "own_db": mean(whole) / mean(driver + sound.parts["air"]),
            "made_db": mean(path) / mean(driver),
            "snr_db": mean(whole) / u,
            **{f"{name}_db": part / mean(whole) for name, part in parts.items()},
        }
        levels = {name: (20 * np.log10(value))[:, 1:].ravel() for name, value in each.items()}
    modes = world.modes()
    names = [world.names[i] for i in places]
    near = [
        (np.abs(f[:, None] - world.hz[1:]) < 3 * width[:, None]).any(axis=0)
        for f, width in (modes[name] for name in names)
    ]
    rows = np.repeat(np.arange(len(places)), size - 1)
    return pd.DataFrame(
        {
            "specimen": np.array(names)[rows], "wood": world.wood[places][rows],
            "mount": world.number[places][rows], "batch": world.batch[places][rows],
            "harmonic": np.tile(np.arange(2, size + 1), len(places)),
            "near_mode": np.ravel(near), **levels,
        }
    )  # fmt: skip
