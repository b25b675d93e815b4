"""Render, train and export, in pieces.

    python -m models.train_bar.train --out OUT --piece 0 --pieces 2 --seconds 450
    python -m models.train_bar.train --out OUT --piece 1 --pieces 2 --seconds 450 --resume OLD_OUT

With `--photos FOLDER` (the photographs that `photo_marks.json` names) a share of each batch are
crops of them; with `--start FILE` training goes on from the weights of an ONNX file, or from the
averaged ones of a `bar_weights.pt` that an earlier training wrote.

Each piece draws images of its own seeds on all processor cores while the graphics card trains
on what is there, and ends after `--seconds` with `bar.onnx`, checkpoints and `metrics.json` in
OUT. Time decides, not a count of steps, so two runs differ a little; BAR.md says by how much.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing as mp
import os
import time
from multiprocessing.process import BaseProcess
from pathlib import Path

from models.train_bar.recipe import (
    CHECK_ROOMS,
    CHECK_SEED,
    COPIES,
    NO_BAR_WEIGHT,
    PHOTO_SHARE,
    PIECE_SEEDS,
    RATE,
    TRAIN_SEED,
    Ring,
)


def draw_rooms(ring: Ring, check: list[int], first: int, step: int) -> None:
    """A worker: the rooms to measure on, then one training room after another."""
    import cv2

    from models.train_bar.scenes import Studio

    cv2.setNumThreads(1)
    studio = Studio()
    rooms = [(seed, 1) for seed in check]
    rooms += [(seed, COPIES) for seed in range(first, first + PIECE_SEEDS, step)]
    for seed, copies in rooms:
        for sample in studio.room(seed, copies):
            ring.put(
                sample.picture,
                [
                    *sample.ends.ravel(), *sample.semi_axis, *sample.visible, sample.state,
                    sample.azimuth_deg,
                ],
            )  # fmt: skip


def draw_photos(ring: Ring, folder: Path, seed: int) -> None:
    """A worker: the photographs held back as they are, then crops of the others without end."""
    import cv2
    import numpy as np

    from models.train_bar.photos import NONE, crop, load

    cv2.setNumThreads(1)
    photos = load(folder)
    rng = np.random.default_rng([seed, 67])
    used = [p for p in photos if not p.held_back]
    first = [(p, None) for p in photos if p.held_back]
    weight = np.array([NO_BAR_WEIGHT if p.state == NONE else 1.0 for p in used])
    chances = weight / weight.sum()
    rest = ((used[int(rng.choice(len(used), p=chances))], rng) for _ in iter(int, 1))
    for photo, chance in itertools.chain(first, rest):
        picture, ends, semi, visible = crop(photo, chance)
        ring.put(picture, [*ends.ravel(), *semi, *visible, photo.state, np.nan])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--piece", type=int, default=0)
    parser.add_argument("--pieces", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=450.0)
    parser.add_argument("--resume", type=Path, help="the folder that the piece before wrote")
    parser.add_argument("--start", type=Path, help="an ONNX or bar_weights.pt file to begin with")
    parser.add_argument("--photos", type=Path, help="folder of the marked photographs")
    parser.add_argument("--share", type=float, default=PHOTO_SHARE, help="photographs in a batch")
    parser.add_argument("--first", type=int, help="number of the seeds, if not the piece's")
    parser.add_argument("--rate", type=float, default=RATE, help="highest learning rate")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--unrecorded", action="store_true", help="launch every kernel by itself")
    options = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    fork = mp.get_context("fork")
    rings = [Ring.new() for _ in range(options.workers)]
    check = [CHECK_SEED + i for i in range(CHECK_ROOMS)]
    number = options.piece if options.first is None else options.first
    first = TRAIN_SEED + number * PIECE_SEEDS
    workers: list[BaseProcess] = [
        fork.Process(
            target=draw_rooms,
            args=(ring, check[k :: options.workers], first + k, options.workers),
            daemon=True,
        )
        for k, ring in enumerate(rings)
    ]
    photo_ring = Ring.new() if options.photos else None
    if photo_ring is not None:
        told = (photo_ring, options.photos, first)
        workers.append(fork.Process(target=draw_photos, args=told, daemon=True))
    for worker in workers:
        worker.start()
    begun = time.monotonic()
    try:
        from models.train_bar.trainer import train

        counts = [len(check[k :: options.workers]) for k in range(options.workers)]
        metrics = train(options, rings, counts, photo_ring, workers, begun)
    finally:
        for worker in workers:
            worker.terminate()
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "metrics.json").write_text(json.dumps(metrics, indent=1) + "\n")
    print(json.dumps(metrics))


if __name__ == "__main__":
    main()
