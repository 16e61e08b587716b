"""Rebuild the invented demo study: recordings, sheets and truth.

    python data_demo/build_demo.py                       everything, into this folder
    python data_demo/build_demo.py --into DIR            everything, into another folder
    python data_demo/build_demo.py --into DIR --only 6   a sample of 6 takes, spread over the kinds

The same seed gives the same samples to the last bit under the versions pinned by the project.
With --only the sheets and the truth are still complete; recordings not in the sample are left as
they are. study.toml and README.md are written by hand and are copied along, as the blind test is.
"""

import argparse
import shutil
from pathlib import Path

import numpy as np
from simulation.listeners import write_results
from simulation.mounting import Mounted, free_mount, mount_of
from simulation.plan import PlannedTake, planned_takes
from simulation.recorder import record, write_flac
from simulation.sheets import write_specimens, write_takes
from simulation.streams import stream
from simulation.takes import render
from simulation.truth import write_truth
from simulation.woods import Specimen, specimens

HERE = Path(__file__).resolve().parent
BY_HAND = ("study.toml", "README.md")
# From `study listen data_demo`, on the very recordings that this makes.
TEST = ("listening/trials.csv", "listening/excerpts.csv")


def build(folder: Path, *, only: int | None = None) -> list[PlannedTake]:
    """Write the study into ``folder``; returns the takes whose recordings were written."""
    rails = specimens()
    takes = planned_takes(rails)
    mounted = all_mounts(rails, takes)
    folder.mkdir(parents=True, exist_ok=True)
    for name in (*BY_HAND, *TEST):
        if folder.resolve() != HERE:
            (folder / name).parent.mkdir(exist_ok=True)
            shutil.copyfile(HERE / name, folder / name)
    write_specimens(folder / "specimens.csv", rails)
    write_takes(folder / "takes.csv", takes)
    write_truth(folder, rails, takes, mounted)
    write_results(folder)
    chosen = sample(takes, only)
    for done, take in enumerate(chosen, start=1):
        write_flac(folder / take.file, samples_of(take, mounted))
        if done % 50 == 0 or done == len(chosen):
            print(f"{done} of {len(chosen)} recordings written", flush=True)
    return chosen


def all_mounts(
    rails: tuple[Specimen, ...], takes: tuple[PlannedTake, ...]
) -> dict[tuple[str, int], Mounted]:
    """Every setting-up of every specimen, by specimen and mount number."""
    by_name = {rail.name: rail for rail in rails}
    mounted: dict[tuple[str, int], Mounted] = {}
    for take in takes:
        key = (take.specimen, take.mount)
        if take.mount is None or key in mounted:
            continue
        rail, setting_up = by_name[take.specimen], mount_of
        if take.support == "free":
            setting_up = free_mount
        place = setting_up(rail, take.mount, take.batch, take.mount_temperature_c)
        mounted[key] = Mounted(rail, place)
    return mounted


def sample(takes: tuple[PlannedTake, ...], only: int | None) -> list[PlannedTake]:
    """All takes, or ``only`` of them: each kind in turn, from the middle of what it has."""
    if only is None:
        return list(takes)
    kinds = ("tone", "tap", "sweep", "airborne", "driver", "loopback", "room")
    queues = {kind: [t for t in takes if t.kind == kind] for kind in kinds}
    chosen: list[PlannedTake] = []
    while len(chosen) < min(only, len(takes)):
        for kind in kinds:
            if queues[kind] and len(chosen) < only:
                chosen.append(queues[kind].pop(len(queues[kind]) // 2))
    return chosen


def samples_of(take: PlannedTake, mounted: dict[tuple[str, int], Mounted]) -> np.ndarray:
    """16-bit samples of one take, shape (channels, frames); a stream of its own for its noise."""
    rng = stream(f"take {take.take}")
    place = mounted.get((take.specimen, take.mount))
    return record(render(take, place, rng), rng, room=take.kind != "loopback")


def main() -> None:
    """Read the command line and build."""
    parser = argparse.ArgumentParser(description="Rebuild the invented demo study.")
    parser.add_argument("--into", type=Path, default=HERE, help="study folder to write into")
    parser.add_argument("--only", type=int, help="rebuild the recordings of this many takes only")
    arguments = parser.parse_args()
    if arguments.only is not None and arguments.only < 1:
        parser.error("--only takes a whole number from 1 up")
    build(arguments.into, only=arguments.only)


if __name__ == "__main__":
    main()
