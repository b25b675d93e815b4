"""Variation on the graphics card, targets, loss, and what comes out measured."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from models.train_bar.crops import (
    AXIS_UNIT_PX,
    CELL_PX,
    CROP_PX,
    LEVELS,
    PAD_LEVEL,
    SIDE_ST,
    STORE_PX,
)

CELLS = CROP_PX // CELL_PX
SPREAD_CELLS = 1.1  # standard deviation of an end's target heat
NEAR_CELLS = 2.5  # offsets and sizes are learnt this near to an end
BARE_PX = 3.0  # semi-axes below this are those of a bare bar's sleeve
PLATE_PX = 0.225 / 1.76 / SIDE_ST * CROP_PX  # radius of a plate of 0.45 m beside an athlete of 1.76
SEEN, UNSEEN = 0.12, 0.02  # share of a face: from here it is to be found, up to here it is not


Draw = Callable[..., Tensor]  # random numbers of a shape


@dataclass
class Batch:
    """image (n, 3, CROP_PX, CROP_PX) as the network takes it; ends (n, 2, 2) pixels, left first;
    semi_axis (n, 2); visible (n, 2); state (n,)."""

    picture: Tensor
    ends: Tensor
    semi_axis: Tensor
    visible: Tensor
    state: Tensor


def prepared(stored: Tensor, labels: Tensor, state: Tensor, vary: bool) -> Batch:
    """Crops from stored images (n, STORE_PX, STORE_PX, 3) uint8, varied at random or as they are.

    labels (n, 8): ends xyxy, semi-axes, visible shares.
    """
    n, device = len(stored), stored.device

    def normal(*size: int) -> Tensor:
        return torch.randn(*size, device=device)

    def uniform(*size: int) -> Tensor:
        return torch.rand(*size, device=device)

    levels = stored.permute(0, 3, 1, 2).float()
    inside = (levels != PAD_LEVEL).any(1, keepdim=True).float()
    zoom, turn = torch.ones(n, device=device), torch.zeros(n, device=device)
    flip, shift = torch.ones(n, device=device), torch.zeros(n, 2, device=device)
    if vary:
        zoom = torch.exp(normal(n) * 0.13).clamp(0.76, 1.35)
        turn = normal(n) * math.radians(3.0)
        flip = (uniform(n) < 0.5).float() * 2 - 1
        shift = normal(n, 2) * 9.0
    c, s = torch.cos(turn), torch.sin(turn)
    # stored = A (crop - middle) + middle + shift
    a = torch.stack([torch.stack([flip * c, -s], 1), torch.stack([flip * s, c], 1)], 1)
    a = a / zoom[:, None, None]
    half = STORE_PX / 2
    theta = torch.cat([a * (CROP_PX / STORE_PX), shift[:, :, None] / half], 2)
    grid = F.affine_grid(theta, [n, 4, CROP_PX, CROP_PX], align_corners=False)
    raw = torch.cat([(levels - PAD_LEVEL) * inside, inside], 1)
    out = F.grid_sample(raw, grid, mode="bilinear", padding_mode="zeros", align_corners=False)
    rgb, inside = out[:, :3], out[:, 3:]
    if vary:
        rgb = _toned(rgb, inside, normal, uniform)
    back = torch.stack([torch.stack([flip * c, flip * s], 1), torch.stack([-s, c], 1)], 1)
    back = back * zoom[:, None, None]
    ends = labels[:, :4].reshape(n, 2, 2) - half - shift[:, None]
    ends = torch.einsum("nij,nkj->nki", back, ends) + CROP_PX / 2
    semi, visible = labels[:, 4:6] * zoom[:, None], labels[:, 6:8]
    order = torch.argsort(torch.nan_to_num(ends[..., 0]), 1)
    ends = torch.gather(ends, 1, order[..., None].expand(-1, -1, 2))
    return Batch(rgb / LEVELS, ends, semi.gather(1, order), visible.gather(1, order), state)


def _toned(rgb: Tensor, inside: Tensor, normal: Draw, uniform: Draw) -> Tensor:
    """Other colours, brightness and contrast, grey, noise; the padding stays as it is."""
    n, device = len(rgb), rgb.device
    mix = torch.eye(3, device=device) + normal(n, 3, 3) * 0.12 * (uniform(n, 1, 1) < 0.5)
    order = torch.argsort(uniform(n, 3), 1)
    swap = torch.eye(3, device=device)[order]
    mix = torch.where(uniform(n, 1, 1) < 0.25, swap, mix)
    grey = 0.299 * mix[:, :1] + 0.587 * mix[:, 1:2] + 0.114 * mix[:, 2:]
    mix = torch.where(uniform(n, 1, 1) < 0.4, grey, mix)
    mix = mix * torch.exp(normal(n, 1, 1) * 0.2)
    levels = rgb + PAD_LEVEL * inside
    levels = torch.einsum("nij,njhw->nihw", mix, levels) + normal(n, 1, 1, 1) * 10
    levels = levels + normal(*levels.shape) * 5 * uniform(n, 1, 1, 1) * (uniform(n, 1, 1, 1) < 0.3)
    return (levels.clamp(0, 255) - PAD_LEVEL) * inside


def loss(maps: Tensor, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """maps (n, 10, CELLS, CELLS) to one number, and its parts."""
    maps = maps.float()
    n = len(maps)
    at = torch.arange(CELLS, device=maps.device) + 0.5
    end = torch.nan_to_num(batch.ends, nan=-1e4) / CELL_PX
    inside = ((end > 0) & (end < CELLS)).all(-1)
    wanted = (batch.visible >= SEEN) & inside
    unsure = (batch.visible > UNSEEN) & ~wanted
    dx = end[..., 0, None, None] - at  # (n, 2, 1, CELLS)
    dy = end[..., 1, None, None] - at[:, None]
    far = dx**2 + dy**2
    target = torch.exp(-far / (2 * SPREAD_CELLS**2)) * wanted[..., None, None]
    counts = 1.0 - ((far < 25) & unsure[..., None, None]).float()
    logit = maps[:, :2]
    focus = (torch.sigmoid(logit).detach() - target).abs() ** 2
    heat = F.binary_cross_entropy_with_logits(logit, target, reduction="none")
    total = wanted.sum().clamp(min=1)
    parts = {"heat": (heat * focus * counts).sum() / total}
    near = target * (far < NEAR_CELLS**2)
    weight = near / near.sum().clamp(min=1)
    offset = maps[:, 2:6].reshape(n, 2, 2, CELLS, CELLS)
    miss = (offset[:, :, 0] - dx).abs() + (offset[:, :, 1] - dy).abs()
    parts["offset"] = (miss * weight).sum()
    size = torch.log(torch.nan_to_num(batch.semi_axis, nan=1.0).clamp(min=0.5) / AXIS_UNIT_PX)
    parts["size"] = ((maps[:, 6:8] - size[..., None, None]).abs() * weight).sum()
    share = batch.visible[..., None, None].expand_as(logit)
    seen = F.binary_cross_entropy_with_logits(maps[:, 8:10], share, reduction="none")
    parts["seen"] = (seen * weight).sum()
    all_in = parts["heat"] + 0.5 * parts["offset"] + 1.0 * parts["size"] + 0.2 * parts["seen"]
    return all_in, parts


def decoded(maps: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Ends (n, 2, 2) and semi-axes (n, 2) in pixels, confidence (n, 2); as `bar_net` has them."""
    maps = maps.float()
    n = len(maps)
    heat = torch.sigmoid(maps[:, :2])
    best = heat.flatten(2).argmax(2)
    row, column = best // CELLS, best % CELLS
    ends = torch.zeros(n, 2, 2, device=maps.device)
    axis = torch.zeros(n, 2, device=maps.device)
    total = torch.zeros(n, 2, device=maps.device)
    index = torch.arange(n, device=maps.device)[:, None]
    side = torch.arange(2, device=maps.device)[None]
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            r, c = row + dr, column + dc
            ok = (r >= 0) & (r < CELLS) & (c >= 0) & (c < CELLS)
            r, c = r.clamp(0, CELLS - 1), c.clamp(0, CELLS - 1)
            w = heat[index, side, r, c] * ok
            x = c + 0.5 + maps[index, 2 + 2 * side, r, c]
            y = r + 0.5 + maps[index, 3 + 2 * side, r, c]
            ends += w[..., None] * torch.stack([x, y], -1)
            axis += w * maps[index, 6 + side, r, c]
            total += w
    ends = ends / total[..., None] * CELL_PX
    return ends, AXIS_UNIT_PX * torch.exp(axis / total), heat.flatten(2).amax(2)


def report(
    ends: Tensor, axis: Tensor, confidence: Tensor, batch: Batch, least: float
) -> dict[str, float]:
    """Errors in plate diameters over ends that are to be found; wrong ends; by state. With a bare
    bar the diameter is that of a plate of 0.45 m."""
    out: dict[str, float] = {}
    wanted = (batch.visible >= SEEN) & (batch.ends > 0).all(-1) & (batch.ends < CROP_PX).all(-1)
    bare = batch.semi_axis < BARE_PX
    radius = torch.where(bare, torch.full_like(batch.semi_axis, PLATE_PX), batch.semi_axis)
    error = (ends - batch.ends).norm(dim=-1) / (2 * radius)
    size = (axis / batch.semi_axis).log().abs()
    found = confidence >= least
    for name, rows in (
        ("all", batch.state[:, None] >= 0), ("held", batch.state[:, None] == 0),
        ("lying", batch.state[:, None] == 1), ("falling", batch.state[:, None] == 2),
        ("bare", bare),
    ):  # fmt: skip
        w = wanted & rows
        e = error[w & found]
        if not w.any() or not len(e):
            continue
        out[f"{name}_found"] = len(e) / int(w.sum())
        out[f"{name}_median"] = float(e.median())
        out[f"{name}_0.10"] = int((e < 0.10).sum()) / int(w.sum())
        out[f"{name}_0.25"] = int((e < 0.25).sum()) / int(w.sum())
        out[f"{name}_wrong"] = int((e > 0.25).sum()) / len(e)
        out[f"{name}_size"] = float(size[w & found].median())
    none = batch.state == 3
    if none.any():
        out["none_false"] = float(found[none].float().mean())
    hidden = (batch.visible < UNSEEN) & (batch.state != 3)[:, None]
    out["hidden_false"] = float(found[hidden].float().mean())
    out["ends"] = float(wanted.sum())
    return out
