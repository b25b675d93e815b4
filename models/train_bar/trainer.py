"""The training loop of one piece (see `train`), where torch is first imported: after the workers
have been forked."""

from __future__ import annotations

import argparse
import json
import time
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

from models.train_bar.crops import STORE_PX
from models.train_bar.learn import Batch, decoded, loss, prepared, report
from models.train_bar.net import BarNetwork, onnx_bytes, restore
from models.train_bar.photos import MARKS
from models.train_bar.recipe import (
    BATCH,
    CAPACITY,
    CONFIDENT,
    DECAY,
    FIRST,
    KEEP,
    LABELS,
    PHOTO_CAPACITY,
    PHOTO_FIRST,
    Ring,
    rate_at,
)
from models.train_bar.scenes import SHOTS

PACKED = 420  # images written out to measure on elsewhere


class Shelf:
    """The images on the graphics card."""

    def __init__(self, capacity: int, device: torch.device) -> None:
        size = (STORE_PX, STORE_PX, 3)
        self.pictures = torch.empty(capacity, *size, dtype=torch.uint8, device=device)
        self.labels = torch.empty(capacity, LABELS, device=device)
        self.state = torch.empty(capacity, dtype=torch.long, device=device)
        self.count = 0
        self.filled = torch.zeros((), device=device)  # the same, for recorded steps

    def add(self, pictures: np.ndarray, labels: np.ndarray) -> None:
        k = min(len(pictures), len(self.pictures) - self.count)
        rows = slice(self.count, self.count + k)
        self.pictures[rows] = torch.from_numpy(pictures[:k]).to(self.pictures.device)
        given = torch.from_numpy(np.ascontiguousarray(labels[:k])).to(self.pictures.device)
        self.labels[rows], self.state[rows] = given[:, :LABELS], given[:, LABELS].long()
        self.count += k
        self.filled.fill_(float(self.count))


class Collector:
    """Moves images from the workers' rings to the shelves; a worker's first are to measure on."""

    def __init__(self, rings: list[Ring], counts: list[int], train: Shelf, check: Shelf) -> None:
        self.rings, self.firsts = rings, counts
        self.train, self.check = train, check

    def collect(self) -> None:
        for ring, first in zip(self.rings, self.firsts, strict=True):
            made, taken = int(ring.made[0]), int(ring.taken[0])
            while taken < made:
                slot = taken % len(ring.pictures)
                n = min(made - taken, len(ring.pictures) - slot)
                shelf = self.train
                if taken < first:
                    n, shelf = min(n, first - taken), self.check
                shelf.add(ring.pictures[slot : slot + n], ring.labels[slot : slot + n])
                taken += n
                ring.taken[0] = taken


class Supply:
    """All images there are on the graphics card: drawn ones, and crops of photographs if asked
    for; of both some to measure on."""

    def __init__(
        self,
        rings: list[Ring],
        counts: list[int],
        photo_ring: Ring | None,
        photo_share: float,
        device: torch.device,
    ) -> None:
        photos = round(photo_share * BATCH) if photo_ring is not None else 0
        self.sizes = [BATCH - photos, photos]
        rooms = [count * SHOTS for count in counts]
        self.shelves, self.checks = [Shelf(CAPACITY, device)], [Shelf(sum(rooms), device)]
        self.collectors = [Collector(rings, rooms, self.shelves[0], self.checks[0])]
        if photo_ring is not None:
            rows = json.loads(MARKS.read_text())["pictures"]
            held_back = sum(row["held_back"] for row in rows)
            self.shelves.append(Shelf(PHOTO_CAPACITY, device))
            self.checks.append(Shelf(held_back, device))
            self.collectors.append(
                Collector([photo_ring], [held_back], self.shelves[1], self.checks[1])
            )

    def collect(self) -> None:
        for collector in self.collectors:
            collector.collect()

    def wait(self, workers: list[BaseProcess]) -> None:
        """Until there is enough to begin with. Raises RuntimeError if a worker ended instead."""
        enough = (FIRST, PHOTO_FIRST)
        while any(s.count < n for s, n in zip(self.shelves, enough, strict=False)):
            if not all(worker.is_alive() for worker in workers):
                raise RuntimeError("a worker that draws pictures has ended; its error is above")
            time.sleep(0.2)
            self.collect()

    def drawn(self, vary: bool = True) -> Batch:
        """A batch at random, of each shelf as many as `sizes`."""
        parts: list[list[torch.Tensor]] = [[], [], []]
        for shelf, size in zip(self.shelves, self.sizes, strict=False):
            chosen = (torch.rand(size, device="cuda") * shelf.filled).long()
            for part, of in zip(parts, (shelf.pictures, shelf.labels, shelf.state), strict=True):
                part.append(of[chosen])
        pictures, labels, state = (torch.cat(part) for part in parts)
        return prepared(pictures, labels, state, vary)


def train(
    options: argparse.Namespace,
    rings: list[Ring],
    counts: list[int],
    photo_ring: Ring | None,
    workers: list[BaseProcess],
    begun: float,
) -> dict[str, Any]:
    """Train until `options.seconds` after `begun`; files in `options.out`. Returns the metrics."""
    torch.manual_seed(options.piece)
    device = torch.device("cuda")
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    supply = Supply(rings, counts, photo_ring, options.share, device)
    net = BarNetwork().to(device, memory_format=torch.channels_last)
    average = BarNetwork().to(device, memory_format=torch.channels_last)
    plain = [p for p in net.parameters() if p.ndim < 2]
    heavy = [p for p in net.parameters() if p.ndim >= 2]
    rate = torch.tensor(options.rate, device=device)
    optimiser = torch.optim.AdamW(
        [{"params": heavy, "weight_decay": DECAY}, {"params": plain, "weight_decay": 0.0}],
        lr=rate,
        capturable=True,
    )
    supply.wait(workers)
    print(f"first {FIRST} after {time.monotonic() - begun:.0f} s", flush=True)
    if options.resume:
        old = torch.load(options.resume / "bar_weights.pt", map_location=device)
        net.load_state_dict(old["net"])
        average.load_state_dict(old["average"])
        optimiser.load_state_dict(
            torch.load(options.resume / "bar_optimiser.pt", map_location=device)
        )
        for group in optimiser.param_groups:
            group["lr"] = rate
    else:
        if options.start and options.start.suffix == ".pt":
            old = torch.load(options.start, map_location=device)
            net.load_state_dict(old["average"])
        elif options.start:
            restore(net, options.start, torch.cat([supply.drawn().picture for _ in range(4)]))
        average.load_state_dict(net.state_dict())
    before = measured(average, supply)
    print(f"before: {before}", flush=True)
    step = Step(net, average, optimiser, supply, record=not options.unrecorded)
    steps, told = 0, time.monotonic()
    while (gone := time.monotonic() - begun) < options.seconds:
        if steps % 10 == 0:
            supply.collect()
            done = (options.piece + gone / options.seconds) / options.pieces
            rate.fill_(rate_at(done, options.rate))
        step()
        steps += 1
        if steps % 50 == 0:
            torch.cuda.synchronize()  # so that the clock above is true
        if time.monotonic() - told > 30:
            told = time.monotonic()
            parts = " ".join(f"{k} {float(v):.4f}" for k, v in step.parts.items())
            held = [s.count for s in supply.shelves]
            brief = [
                {k: round(m.get(k, 0.0), 4) for k in ("all_median", "all_0.10", "none_false")}
                for m in measured(average, supply).values()
            ]
            print(f"{gone:.0f} s, {steps} steps, {held} pictures, {parts}, {brief}", flush=True)
    write(options.out, net, average, optimiser, supply.checks[0])
    return {
        "steps": steps, "pictures": [s.count for s in supply.shelves],
        "checked": [s.count for s in supply.checks], "before": before,
        "after": measured(average, supply),
    }  # fmt: skip


def measured(net: BarNetwork, supply: Supply) -> dict[str, dict[str, float]]:
    """`check` on the rooms and, where there are some, the photographs held back."""
    names = ("rooms", "photographs")
    return {name: check(net, shelf) for name, shelf in zip(names, supply.checks, strict=False)}


class Step:
    """One step of training. After some steps it is recorded once and then replayed as a whole,
    which saves the time to launch its many small kernels."""

    WARM = 200

    def __init__(
        self,
        net: BarNetwork,
        average: BarNetwork,
        optimiser: torch.optim.Optimizer,
        supply: Supply,
        record: bool,
    ) -> None:
        self.warm = self.WARM if record else 1 << 60
        self.net, self.optimiser, self.supply = net, optimiser, supply
        self.parts: dict[str, torch.Tensor] = {}
        pairs = zip(average.state_dict().values(), net.state_dict().values(), strict=True)
        floats = [(a, b) for a, b in pairs if a.dtype.is_floating_point]
        self.into, self.source = [a for a, _ in floats], [b for _, b in floats]
        self.done = 0
        self.graph: torch.cuda.CUDAGraph | None = None
        self.stream = torch.cuda.Stream()

    def __call__(self) -> None:
        if self.done < self.warm:
            self.stream.wait_stream(torch.cuda.current_stream())
            with torch.cuda.stream(self.stream):
                self._step(min(KEEP, (self.done + 1) / (self.done + 20)))
            torch.cuda.current_stream().wait_stream(self.stream)
        elif self.graph is None:
            torch.cuda.synchronize()
            self.graph = torch.cuda.CUDAGraph()
            with torch.cuda.graph(self.graph):
                self._step(KEEP)
            self.graph.replay()
        else:
            self.graph.replay()
        self.done += 1

    def _step(self, keep: float) -> None:
        batch = self.supply.drawn()
        with torch.autocast("cuda", torch.bfloat16, cache_enabled=False):
            maps = self.net(batch.picture.contiguous(memory_format=torch.channels_last))
        total, parts = loss(maps, batch)
        self.parts = {k: v.detach() for k, v in parts.items()}
        self.optimiser.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        self.optimiser.step()
        torch._foreach_lerp_(self.into, self.source, 1 - keep)


@torch.no_grad()
def check(net: BarNetwork, shelf: Shelf, least: float = CONFIDENT) -> dict[str, float]:
    """Measure on images that were not trained on, as the averaged weights see them."""
    net.eval()
    batches, outputs = [], []
    for start in range(0, shelf.count, 256):
        rows = slice(start, min(start + 256, shelf.count))
        batch = prepared(shelf.pictures[rows], shelf.labels[rows], shelf.state[rows], False)
        outputs.append(decoded(net(batch.picture)))
        batches.append(batch)
    whole = Batch(
        torch.empty(0),
        *(
            torch.cat([getattr(b, name) for b in batches])
            for name in ("ends", "semi_axis", "visible", "state")
        ),
    )
    ends, axis, confidence = (torch.cat(parts) for parts in zip(*outputs, strict=True))
    return report(ends, axis, confidence, whole, least)


def write(
    out: Path,
    net: BarNetwork,
    average: BarNetwork,
    optimiser: torch.optim.Optimizer,
    shelf: Shelf,
) -> None:
    out.mkdir(parents=True, exist_ok=True)
    torch.save({"net": net.state_dict(), "average": average.state_dict()}, out / "bar_weights.pt")
    torch.save(optimiser.state_dict(), out / "bar_optimiser.pt")
    (out / "bar.onnx").write_bytes(onnx_bytes(average))
    count = min(PACKED, shelf.count)
    pictures = shelf.pictures[:count].cpu().numpy()
    packed = [cv2.imencode(".jpg", p, [cv2.IMWRITE_JPEG_QUALITY, 93])[1] for p in pictures]
    np.savez(
        out / "check.npz",
        sizes=np.array([len(p) for p in packed]),
        bytes=np.concatenate([p.ravel() for p in packed]),
        labels=shelf.labels[:count].cpu().numpy(),
        state=shelf.state[:count].cpu().numpy(),
    )
