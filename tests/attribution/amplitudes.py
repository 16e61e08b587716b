"""Whole studies at the level of complex amplitudes, with a stated physical truth.

The bench: a driver with an internal drive I_k at k times the tone moves its driving point by
M_k I_k (M: driver and load together, another one for each mount), and its housing sounds through
the air with H_k I_k. A board passes T_k. So the far end holds T_k M_k I_k + H_k I_k, a buzz B_k, a
mains line, and what the recorder adds to both channels. A probe tone has I = 1 at its own frequency
and is heard through the air as well. T changes with mount and take; the internal harmonics differ
by -2 to +13 dB at 2f and -11 to +21 dB from 3f on between a board and the inert block, and grow
k dB a dB of drive.

The truth of one row is the excess of the board's path, |T D + B| / |T D| in dB with the sensed
motion D = M I, and how far below the sum the leaks lie. Everything is drawn; nothing is measured.

Conventions: amplitudes re full scale, k = 1 .. K; noise complex Gaussian of standard deviation u in
each part, u itself estimated with 64 degrees of freedom as the fit of a tone does.

Contents: SCENARIOS, Plan, draw_plan, Simulated, simulate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studylib.sheets import Take
from studylib.tables import TABLES

DB = 20.0 / np.log(10.0)
DOF = 64
SECONDS = 0.8
MISSING = ("airborne", "loopback", "room", "probe", "driver", "repeats")
SCENARIOS = (
    "driver only", "buzz", "air", "recorder", "hum", "steps", "voltage", "no drive channel",
    "probes elsewhere", "sweep", "noise", *(f"no {name}" for name in MISSING),
)  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """What one study holds; levels in dB, `leave_out` names control takes."""

    scenario: str
    fundamental_hz: float = 172.0
    size: int = 6
    boards: int = 2
    mounts: int = 2
    repeats: int = 3
    probe_repeats: int = 1
    drive: str = "sensed"  # "sensed", "voltage", "none"
    take_db: float = 0.15
    remount_db: float = 0.8
    u: float = 1e-6
    air_db: float = -70.0  # housing through the air over the board's path, at each k
    recorder_db: float = -60.0  # its harmonic, in the loudest channel, over the board's
    recorder_law: bool = True  # True: order k grows k dB a dB; False: 1 dB a dB
    loopback_db: float = 0.0  # loopback's level over the loudest channel's
    hum_db: float = -np.inf
    buzz: frozenset[int] = frozenset()  # which mounts of the first board buzz
    buzz_from: float = 0.0  # share of full drive below which the contact is silent
    steps: bool = False
    probed: str = "own"  # "own", "elsewhere" (first mount only), "sweep"
    leave_out: frozenset[str] = field(default_factory=frozenset)


def draw_plan(rng: np.random.Generator, scenario: str) -> Plan:
    """A study of one scenario; the others are mixed in at times."""

    def mixed(name: str, share: float) -> bool:
        return scenario == name or bool(rng.random() < share)

    mounts = int(rng.integers(1, 5))
    quiet = scenario != "noise"
    drive = {"voltage": "voltage", "no drive channel": "none"}.get(scenario, "sensed")
    hum, buzz, steps = mixed("hum", 0.05), mixed("buzz", 0.3), mixed("steps", 0.25)
    left = {name for name in MISSING if scenario == f"no {name}"}
    return Plan(
        scenario,
        fundamental_hz=150.0 if hum else 172.0,
        size=int(rng.integers(3, 11)),
        boards=int(rng.integers(1, 6)),
        mounts=max(mounts, 2) if scenario in ("probes elsewhere", "no repeats") else mounts,
        repeats=1 if "repeats" in left else int(rng.integers(2, 6)),
        probe_repeats=1 if "repeats" in left else int(rng.integers(1, 4)),
        drive=drive,
        take_db=rng.uniform(0.1, 0.2),
        remount_db=rng.uniform(0.3, 1.5),
        u=10.0 ** (rng.uniform(-7.0, -5.7) if quiet else rng.uniform(-6.0, -3.0)),
        air_db=rng.uniform(-40, 10) if mixed("air", 0.1) else rng.uniform(-90, -55),
        recorder_db=rng.uniform(-50, 6) if mixed("recorder", 0.1) else rng.uniform(-90, -60),
        recorder_law=bool(rng.random() < 0.5),
        loopback_db=rng.uniform(-6, 6),
        hum_db=rng.uniform(-50, 6) if hum else -np.inf,
        buzz=frozenset({int(rng.integers(1, mounts + 1))} if buzz else ()),
        buzz_from=rng.uniform(0.6, 0.9) if steps else 0.0,
        steps=steps,
        probed="elsewhere" if scenario == "probes elsewhere" else
               "sweep" if mixed("sweep", 0.05) else "own",
        leave_out=frozenset(left),
    )  # fmt: skip


@dataclass(frozen=True)
class Simulated:
    """A table of harmonics with its takes, and the truth: one row a specimen, mount and harmonic.

    truth : specimen, mount, harmonic, excess_db (board's path), buzz; air_db, recorder_db, hum_db
        over the clean sum, drive_recorder_db over the motion, snr_db and drive_snr_db over u.
    """

    plan: Plan
    harmonics: pd.DataFrame
    takes: list[Take]
    truth: pd.DataFrame


def _phasor(rng, size, *, db=0.0, sd=0.0) -> np.ndarray:
    """Amplitudes around a level, with any phase."""
    level = (db + sd * rng.standard_normal(size)) / DB
    return np.exp(level + 2j * np.pi * rng.random(size))


def _near_one(rng, size, sd_db: float) -> np.ndarray:
    """Factors near 1: level and phase spread alike (nepers and radians)."""
    return np.exp(sd_db / DB * (rng.standard_normal(size) + 1j * rng.standard_normal(size)))


class _Bench:
    """Collects takes; every amplitude gets its noise here."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan, self.rng = plan, rng
        self.u = plan.u * 10.0 ** (rng.normal(0, 3, plan.size) / 20.0)
        self.u_drive = plan.u * 0.6 * 10.0 ** (rng.normal(0, 3, plan.size) / 20.0)
        self.takes: list[Take] = []
        self.columns: list[list] = []

    def add(
        self, kind: str, response, drive=None, *, k=None, specimen=None, mount=None, repeat=1,
        drive_db=0.0, noise=1.0, bound=None, u=None,
    ) -> None:  # fmt: skip
        """One take; k for a probe tone, `response` then of one value.

        noise : factor on the noise;  bound : (response, drive) to state instead of u.
        """
        rng, plan = self.rng, self.plan
        name, ks = f"t{len(self.takes)}", np.arange(1, plan.size + 1) if k is None else [k]
        at = np.asarray(ks) - 1
        tone_hz = None if kind in ("room", "sweep") else plan.fundamental_hz * (k or 1)
        self.takes.append(
            Take.model_construct(
                take=name, batch="day1", kind=kind, specimen=specimen, mount=mount, repeat=repeat,
                tone_hz=tone_hz, drive_db=drive_db, gain_db=0.0, support="bench", exclude=False,
                order=None, started=None,
            )
        )  # fmt: skip
        both, stated = [], []
        for value, own in ((response, self.u[at]), (drive, self.u_drive[at])):
            if value is None:
                both.append(np.full(at.size, np.nan + 0j))
                stated.append(np.full(at.size, np.nan))
                continue
            shake = rng.standard_normal(at.size) + 1j * rng.standard_normal(at.size)
            both.append(np.asarray(value) + noise * own * shake)
            stated.append(noise * own * np.sqrt(rng.chisquare(DOF) / DOF))
        if bound is not None:
            stated = bound
        if u is not None:
            both[0], stated[0] = np.asarray(response), u
        n = at.size
        frequency = plan.fundamental_hz * np.asarray(ks)
        if kind not in ("room", "sweep"):
            frequency = frequency * (1 + 2e-6 * rng.standard_normal())
        self.columns.append(
            [
                [name] * n, list(ks), frequency, [SECONDS if kind != "sweep" else 3.0] * n,
                both[0].real, both[0].imag, stated[0], both[1].real, both[1].imag, stated[1],
                [0 if kind in ("room", "sweep") else DOF] * n,
            ]
        )  # fmt: skip

    def table(self) -> pd.DataFrame:
        table = pd.DataFrame(
            {
                name: np.concatenate([np.asarray(take[i]) for take in self.columns])
                for i, name in enumerate(TABLES["harmonics"].names[:-5])
            }
        )
        table = table.assign(offset_db=0.0, unit="dB re full scale", usable=True)
        return table.assign(off_cents=0.0, off_u_cents=0.01)


class _World:
    """Everything of a study that does not change from take to take."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan, self.rng, size = plan, rng, plan.size
        k = np.arange(1, size + 1)
        self.k = k
        self.block_internal = _phasor(rng, size, db=-30.0 - 3.0 * k, sd=5.0)
        self.block_internal[0] = 1.0
        self.low = np.select([k == 1, k == 2], [0.0, -2.0], -11.0)
        self.high = np.select([k == 1, k == 2], [0.0, 13.0], 21.0)
        self.block_move, self.block_pass = (_phasor(rng, size, db=db) for db in (-22.0, -8.0))
        self.block_pass[0] = 1.0
        self.recorder = _phasor(rng, size)
        self.recorder[0] = 0.0
        self.hum_at = int(rng.integers(2, size + 1))

    def recorded(self, response: np.ndarray, level: float) -> np.ndarray:
        """What the recorder adds to a channel whose fundamental is `response[0]`.

        level : its harmonics at the amplitude of the loudest channel, re full scale (K,).
        """
        law = self.k if self.plan.recorder_law else 1
        turn = np.exp(1j * self.k * np.angle(response[0]))
        return self.recorder * level * turn * (abs(response[0]) / self.reference) ** law


def simulate(plan: Plan, rng: np.random.Generator) -> Simulated:
    """Draw one study."""
    world, bench = _World(plan, rng), _Bench(plan, rng)
    k, size = world.k, plan.size
    mounts = []
    for number in range(plan.boards):
        board_pass = _phasor(rng, size, db=-8.0, sd=4.0)
        # Both channels are set to about the same level at the fundamental.
        board_pass[0] = _phasor(rng, 1, sd=3.0)[0]
        board_move = _phasor(rng, size, db=-22.0, sd=3.0)
        span = rng.uniform(world.low, world.high)
        for mount in range(1, plan.mounts + 1):
            load = np.clip(span + rng.normal(0, 0.7, size), world.low, world.high)
            internal = world.block_internal * 10.0 ** (load / 20.0)
            internal = internal * np.where(k > 1, _near_one(rng, size, 0.5), 1.0)
            passes = board_pass * _near_one(rng, size, plan.remount_db)
            moves = board_move * _near_one(rng, size, plan.remount_db)
            mounts.append((f"board{number + 1}", mount, passes, moves, internal))
    middle = np.mean([abs(each[2] * each[3] * each[4]) for each in mounts], axis=0)
    world.reference = max(abs(each[3][0]) * max(1.0, abs(each[2][0])) for each in mounts)
    world.level = middle * 10.0 ** (plan.recorder_db / 20.0)
    # The leak through the air stands beside the typical board's path at each k.
    path = np.mean([abs(each[2] * each[3]) for each in mounts], axis=0)
    world.air = path * _phasor(rng, size, db=plan.air_db, sd=3.0)
    hum = np.zeros(size)
    hum[world.hum_at - 1] = middle[world.hum_at - 1] * 10.0 ** (plan.hum_db / 20.0)
    truth = [_mount(world, bench, each, hum) for each in mounts]
    _controls(world, bench, mounts, hum)
    return Simulated(plan, bench.table(), bench.takes, pd.concat(truth, ignore_index=True))


def _mount(world: _World, bench: _Bench, which: tuple, hum: np.ndarray) -> pd.DataFrame:
    """All takes of one mount; returns its truth."""
    plan, rng, k = world.plan, world.rng, world.k
    specimen, mount, passes, moves, internal = which
    at = {"specimen": specimen, "mount": mount}
    buzz = np.zeros(k.size, dtype=complex)
    if specimen == "board1" and mount in plan.buzz:
        wanted = _phasor(rng, k.size) * 10.0 ** (rng.uniform(3, 15, k.size) / 20.0)
        hit = (k > 1) & (rng.random(k.size) < 0.6)
        buzz = np.where(hit, (wanted - 1) * passes * moves * internal, 0)

    def tone(drive_db: float, repeat: int) -> tuple[np.ndarray, np.ndarray]:
        """One take; what the board made of it without spread and noise, and the motion."""
        shake = 10.0 ** (rng.normal(0, 0.15) / 20.0)
        share = shake * 10.0 ** (drive_db / 20.0)
        inside = internal * share**k
        moved = moves * inside
        # A contact opens above a drive of its own; between takes it follows the drive.
        open_ = max(0.0, (share - plan.buzz_from) / (1 - plan.buzz_from)) if plan.buzz_from else 1.0
        taken = _near_one(rng, k.size, plan.take_db)
        heard = passes * taken * moved + world.air * inside + buzz * open_ * share
        heard = heard + hum * _phasor(rng, k.size)
        heard = heard + world.recorded(heard, world.level)
        bench.add("tone", heard, _channel(world, moved, share), drive_db=drive_db,
                  repeat=repeat, **at)  # fmt: skip
        return passes * moved + buzz * open_ * share, moved

    taken = [tone(0.0, repeat) for repeat in range(1, plan.repeats + 1)]
    path, moved = (np.mean(part, axis=0) for part in zip(*taken, strict=True))
    if plan.steps:
        for drive_db in (-6.0, -12.0):
            for repeat in (1, 2):
                tone(drive_db, repeat)
    probed = plan.probed != "elsewhere" or mount == 1
    if probed and "probe" not in plan.leave_out:
        _probe_tones(world, bench, which, hum)
    return _truth(world, bench, which, path, moved, buzz != 0, hum)


def _channel(world: _World, moved: np.ndarray, share: float) -> np.ndarray | None:
    """What the drive channel records of a tone."""
    match world.plan.drive:
        case "sensed":
            return moved + world.recorded(moved, world.level)
        case "voltage":
            return np.where(world.k == 1, 0.2 * share, 1e-6)
    return None


def _probe_tones(world: _World, bench: _Bench, which: tuple, hum: np.ndarray) -> None:
    plan, rng = world.plan, world.rng
    specimen, mount, passes, moves, _ = which
    at = {"specimen": specimen, "mount": mount}
    sensed = plan.drive == "sensed"
    swept = plan.probed == "sweep" and sensed
    for multiple in range(2, 3 if swept else plan.size + 1):
        i = multiple - 1
        for repeat in range(1, plan.probe_repeats + 1):
            share = 0.5 * 10.0 ** (rng.normal(0, 0.15) / 20.0)
            heard = (passes[i] * moves[i] * _near_one(rng, 1, plan.take_db) + world.air[i]) * share
            heard = heard + hum[i] * _phasor(rng, 1)
            drive = moves[i] * share if sensed else 0.2 * share
            bench.add("tone", heard, None if plan.drive == "none" else [drive], k=multiple,
                      repeat=repeat, drive_db=-6.0206, **at)  # fmt: skip
    if swept:
        size = 0.01 / np.sqrt(world.k) * np.exp(2j * np.pi * rng.random(plan.size))
        moved = moves * size
        heard = (passes * moves * _near_one(rng, plan.size, plan.take_db) + world.air) * size
        bounds = [rng.uniform(0, 0.005) * abs(value) for value in (heard, moved)]
        cut = [bound * np.sqrt(rng.random(plan.size)) * _phasor(rng, plan.size) for bound in bounds]
        bench.add("sweep", heard + cut[0], moved + cut[1], noise=np.sqrt(SECONDS / 3.0),
                  bound=bounds, **at)  # fmt: skip


def _truth(world: _World, bench: _Bench, which: tuple, path, moved, buzzes, hum) -> pd.DataFrame:
    """The truth of one mount: `path` and `moved` are what its takes at full drive really held."""
    specimen, mount, passes, _, internal = which
    air = world.air * internal
    recorder = world.recorded(path + air, world.level)
    whole = np.abs(path + air + recorder)
    each = {
        "excess": abs(path) / abs(passes * moved),
        "air": abs(air) / whole,
        "recorder": abs(recorder) / whole,
        "hum": hum / whole,
        "drive_recorder": abs(world.recorded(moved, world.level)) / abs(moved),
        "snr": whole / bench.u,
        "drive_snr": abs(moved) / bench.u_drive,
    }
    with np.errstate(divide="ignore"):
        levels = {f"{name}_db": 20 * np.log10(value) for name, value in each.items()}
    truth = pd.DataFrame(
        {"specimen": specimen, "mount": mount, "harmonic": world.k, "buzz": buzzes, **levels}
    )
    return truth[truth["harmonic"] > 1]


def _controls(world: _World, bench: _Bench, mounts: list[tuple], hum: np.ndarray) -> None:
    plan, rng = world.plan, world.rng
    if "room" not in plan.leave_out:
        stands = hum > 4.0 * bench.u
        bench.add("room", np.where(stands, hum, 0) + 0j, u=bench.u * rng.uniform(0.5, 1.0))
    if "loopback" not in plan.leave_out:
        own = np.zeros(plan.size, dtype=complex)
        own[0] = world.reference * 10.0 ** (plan.loopback_db / 20.0)
        bench.add("loopback", own + world.recorded(own, world.level), noise=0.7)
    sensed = plan.drive == "sensed"
    if "airborne" not in plan.leave_out:
        specimen, mount = mounts[int(rng.integers(len(mounts)))][:2]
        for multiple in range(1, plan.size + 1):
            near = 10.0 ** (rng.normal(0, 0.5) / 20.0)
            bench.add("airborne", world.air[[multiple - 1]] * near + hum[multiple - 1],
                      None if plan.drive == "none" else [0.2], k=multiple,
                      specimen=specimen, mount=mount)  # fmt: skip
    if "driver" not in plan.leave_out:
        moved = world.block_move * world.block_internal
        heard = world.block_pass * moved
        bench.add("driver", heard, _channel(world, moved, 1.0))
        for drive_db in (-6.0, -12.0) if plan.steps else ():
            weaker = 10.0 ** (drive_db * world.k / 20.0)
            share = 10.0 ** (drive_db / 20.0)
            bench.add("driver", heard * weaker, _channel(world, moved * weaker, share),
                      drive_db=drive_db)  # fmt: skip
        for multiple in range(2, plan.size + 1):
            i = multiple - 1
            drive = world.block_move[i] * 0.5 if sensed else 0.1
            bench.add("driver", world.block_pass[[i]] * world.block_move[i] * 0.5,
                      None if plan.drive == "none" else [drive], k=multiple,
                      drive_db=-6.0206)  # fmt: skip
