"""The weighted mean of several trainings' weights, as an ONNX file.

    python -m models.train_bar.average --out OUT --pictures CHECK.npz --photos FOLDER \\
        A/bar_weights.pt:0.25 B/bar_weights.pt:0.45 C/bar_weights.pt:0.3

Trainings that went on from one another lie near enough that the mean of their weights does what
each of them learned (Wortsman et al., "Robust fine-tuning of zero-shot models", 2022, arXiv
2109.01903). What comes out of a layer has another mean and spread then than in any of them, so the
batch norms are measured anew, on the images that a training kept (`check.npz`) and a fifth of crops
of photographs. Writes `bar.onnx` and `bar_weights.pt` into OUT.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from models.train_bar.evaluate import packed
from models.train_bar.learn import prepared
from models.train_bar.net import BarNetwork, onnx_bytes
from models.train_bar.photos import crop, load
from models.train_bar.recipe import LABELS

BATCH = 105  # images at once through the batch norms


def mean_of(parts: list[tuple[dict[str, Tensor], float]]) -> dict[str, Tensor]:
    """State of a network: of each entry the mean, weighted by what stands beside each state.

    Raises ValueError unless the weights add up to 1.
    """
    if abs(sum(weight for _, weight in parts) - 1) > 1e-6:
        raise ValueError("the weights of the parts must add up to 1")
    out = {name: value.clone() for name, value in parts[0][0].items()}
    for name, value in out.items():
        if value.dtype.is_floating_point:
            out[name] = sum((state[name] * weight for state, weight in parts), value * 0)
    return out


@torch.no_grad()
def measure_norms(net: BarNetwork, batches: list[Tensor]) -> None:
    """Give the batch norms the mean over `batches`, each (n, 3, CROP_PX, CROP_PX), of what comes
    in."""
    for module in net.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.reset_running_stats()
            module.momentum = None
    net.train()
    for batch in batches:
        net(batch)
    net.eval()


def pictures(kept: Path, folder: Path) -> list[Tensor]:
    """Varied crops of drawn images and, a fifth, of photographs that are trained on."""
    rng = np.random.default_rng(0)
    torch.manual_seed(0)
    images = [row[0] for row in packed(kept)]
    used = [photo for photo in load(folder) if not photo.held_back]
    for i in rng.permutation(len(used))[: len(images) // 4]:
        images.append(crop(used[i], rng)[0])
    stored = torch.from_numpy(np.array(images))[torch.randperm(len(images))]
    empty = torch.zeros(BATCH, LABELS), torch.zeros(BATCH, dtype=torch.long)
    return [
        prepared(part, empty[0][: len(part)], empty[1][: len(part)], True).picture
        for part in stored.split(BATCH)
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("weights", nargs="+", metavar="FILE:SHARE")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--pictures", type=Path, required=True, help="a training's check.npz")
    parser.add_argument("--photos", type=Path, required=True, help="folder of the photographs")
    options = parser.parse_args()
    parts = []
    for text in options.weights:
        path, share = text.rsplit(":", 1)
        parts.append((torch.load(path, map_location="cpu")["average"], float(share)))
    net = BarNetwork()
    net.load_state_dict(mean_of(parts))
    measure_norms(net, pictures(options.pictures, options.photos))
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "bar.onnx").write_bytes(onnx_bytes(net))
    state = net.state_dict()
    torch.save({"net": state, "average": state}, options.out / "bar_weights.pt")


if __name__ == "__main__":
    main()
