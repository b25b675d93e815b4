"""What the workers and the training loop share: sizes, rates, and the memory between them."""

from __future__ import annotations

import math
import mmap
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.train_bar.crops import STORE_PX

RING = 384  # images a worker may be ahead of the trainer
COPIES = 3  # of each drawn shot, see `Studio.room`
CAPACITY = 360_000  # images kept on the graphics card
CHECK_ROOMS = 30  # rooms drawn to measure on, never trained on
CHECK_SEED, TRAIN_SEED, PIECE_SEEDS = 5_000_000, 0, 100_000
BATCH = 192
RATE = 2.5e-3
DECAY = 0.03
KEEP = 0.9993  # of the averaged weights, a step
FIRST = 2000  # images that must be there before training begins
CONFIDENT = 0.4
LABELS = 8
PHOTO_CAPACITY = 40_000  # crops of photographs kept on the graphics card
PHOTO_SHARE = 0.25  # of a batch
NO_BAR_WEIGHT = 0.35  # how often a photograph without a bar is taken, one with a bar being 1
PHOTO_FIRST = 1500  # crops that must be there before training begins


@dataclass
class Ring:
    """A worker's images on their way to the trainer, in memory that both see."""

    pictures: NDArray[np.uint8]  # (RING, STORE_PX, STORE_PX, 3)
    labels: NDArray[np.float32]  # (RING, LABELS + 2): and state, azimuth
    made: NDArray[np.int64]  # (1,)
    taken: NDArray[np.int64]

    def put(self, picture: NDArray[np.uint8], labels: Any) -> None:
        """Add one image; waits while the trainer is behind."""
        while self.made[0] - self.taken[0] >= RING:
            time.sleep(0.01)
        slot = int(self.made[0]) % RING
        self.pictures[slot], self.labels[slot] = picture, labels
        self.made[0] += 1

    @classmethod
    def new(cls) -> Ring:
        def shared(shape: tuple[int, ...], kind: type) -> NDArray[Any]:
            size = int(np.prod(shape)) * np.dtype(kind).itemsize
            return np.frombuffer(mmap.mmap(-1, size), kind).reshape(shape)

        return cls(
            shared((RING, STORE_PX, STORE_PX, 3), np.uint8),
            shared((RING, LABELS + 2), np.float32),
            shared((1,), np.int64),
            shared((1,), np.int64),
        )


def rate_at(done: float, highest: float = RATE) -> float:
    """Learning rate after a share of all pieces: up within 3 %, then a cosine down to nearly 0."""
    if done < 0.03:
        return highest * (0.05 + 0.95 * done / 0.03)
    return highest * (
        0.005 + 0.995 * 0.5 * (1 + math.cos(math.pi * min(1.0, (done - 0.03) / 0.97)))
    )
